"""Scripts and styles of our own without what only their readers need: comments and blanks.

Both rest on what tests hold our files to: no text over the end of a line, no comment sign in a
text, and no brace or semicolon in the text of a style.
"""

from __future__ import annotations

import re

_COMMENT_LINES = re.compile(r"(?s)(?:(?<=\n)|\A)/\*(?:(?!\*/).)*\*/[ \t]*(?:\n|\Z)")
_COMMENT = re.compile(r"(?s)/\*.*?\*/")
_LINE_BEGIN = re.compile(r"(?m)^[ \t]+")
# What is taken as it is: comments, texts, and patterns, which begin where a value may.
_WHOLE = re.compile(
    r"""/\*.*?\*/|"(?:[^"\\\n]|\\.)*"|'(?:[^'\\\n]|\\.)*'"""
    r"""|(?:(?<=[=(,:!&|?\[{;])|(?<=[=(,:!&|?\[{;] )|(?<=return ))"""
    r"""/(?![*/])(?:[^/\\\n\[]|\\.|\[(?:[^\]\\\n]|\\.)*\])+/[a-z]*"""
)
_BLANKS_AT_SIGNS = re.compile(r"[ \t]*([=(){}\[\],;:?<>|&!])[ \t]*")
# Not where another sign stands beside it: "a + +b" is no "a++b".
_BLANKS_AT_PLUS = re.compile(r"(?:(?<=[\w)\]])|^) \+ (?:(?=[\w(\[])|$)")
# Behind these signs the end of a line says nothing.
_NO_END = re.compile(r"(?<=[{;,(])\n(?!\Z)")
_EMPTY_LINES = re.compile(r"\n{2,}")
_AROUND = re.compile(r"\s*([{};])\s*")
_DECLARED = re.compile(r"(?<=[{;])(--[\w-]+|[a-z-]+):[ \t]+")


def slim_script(code: str) -> str:
    r"""Return a script without comments that fill whole lines, and without blanks nobody needs.

    Parameters
    ----------
    code : str
        JavaScript without a text over the end of a line.

    Examples
    --------
    >>> slim_script("/* what it\n   does */\n  if (a === b) { go(\"to a , b\", 1 + +c); }\n")
    'if(a===b){go("to a , b",1 + +c);}\n'
    """
    bare = _COMMENT_LINES.sub("", _LINE_BEGIN.sub("", code))
    return _NO_END.sub("", _without_blanks(_EMPTY_LINES.sub("\n", bare).lstrip("\n")))


def _without_blanks(code: str) -> str:
    """Return code without blanks round its signs; texts, patterns and comments are left alone."""
    made, done = "", 0
    for whole in _WHOLE.finditer(code):
        made += _tight(code[done : whole.start()]) + whole[0]
        done = whole.end()
    return made + _tight(code[done:])


def _tight(code: str) -> str:
    """Return a piece of code that holds no text without blanks round its signs."""
    return _BLANKS_AT_SIGNS.sub(r"\1", _BLANKS_AT_PLUS.sub("+", code))


def slim_style(code: str) -> str:
    r"""Return a style without comments, without blanks round braces, semicolons and after names.

    Parameters
    ----------
    code : str
        CSS whose texts hold no brace, semicolon or comment sign.

    Examples
    --------
    >>> slim_style("/* all */\n.a, .b > c {\n  color: #000; content: \"x y\";\n}\n")
    '.a, .b > c{color:#000;content:"x y"}'
    """
    bare = _AROUND.sub(r"\1", _COMMENT.sub("", code)).strip()
    return _DECLARED.sub(r"\1:", bare).replace(";}", "}")
