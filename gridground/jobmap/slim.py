"""Scripts and styles of our own without what only their readers need: comments and blanks.

Both rest on what tests hold our files to: no text over the end of a line, no comment sign in a
text, and no brace or semicolon in the text of a style.
"""

from __future__ import annotations

import re

_COMMENT_LINES = re.compile(r"(?s)(?:(?<=\n)|\A)/\*(?:(?!\*/).)*\*/[ \t]*(?:\n|\Z)")
_COMMENT = re.compile(r"(?s)/\*.*?\*/")
_LINE_BEGIN = re.compile(r"(?m)^[ \t]+")
_EMPTY_LINES = re.compile(r"\n{2,}")
_AROUND = re.compile(r"\s*([{};])\s*")
_DECLARED = re.compile(r"(?<=[{;])(--[\w-]+|[a-z-]+):[ \t]+")


def slim_script(code: str) -> str:
    r"""Return a script without comments that fill whole lines, and the blanks lines begin with.

    Parameters
    ----------
    code : str
        JavaScript without a text over the end of a line.

    Examples
    --------
    >>> slim_script("/* what it\n   does */\n  go();  /* now */\n")
    'go();  /* now */\n'
    """
    bare = _LINE_BEGIN.sub("", code)
    return _EMPTY_LINES.sub("\n", _COMMENT_LINES.sub("", bare)).lstrip("\n")


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
