"""The digest of what a page says, by which the page itself notices that it was altered."""

from __future__ import annotations

import hashlib
import re
from html.parser import HTMLParser

LIVE = "data-live"  # what stands inside is written by a script, or has a hash of its own
DIGEST = "data-marks"
_BLANKS = re.compile(r"[ \t\n\r\f]+")
_NO_END = frozenset({"br", "col", "hr", "img", "input", "link", "meta", "wbr"})


class _Marks(HTMLParser):
    """Collects start tags with attributes, where they end, and text with runs of blanks as one."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.parts: list[str] = []
        self.text = ""  # since the last tag: a parser may hand it over in pieces
        self.inside: int | None = None  # how deep, within an element that is live
        self.depth = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.said()
        if self.inside is None:
            # The script gives the root classes of its own.
            kept = [] if tag == "html" else [(n, v) for n, v in attrs if n != DIGEST]
            found = sorted(f'{name}="{value or ""}"' for name, value in kept)
            self.parts.append(f"<{' '.join([tag, *found])}>")
        self.depth += 1
        if self.inside is None and any(name == LIVE for name, _ in attrs):
            self.inside = self.depth
        if tag in _NO_END:
            self.handle_endtag(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in _NO_END:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        del tag
        self.said()
        if self.inside == self.depth:
            self.inside = None
        self.depth -= 1
        if self.inside is None:
            self.parts.append("</>")

    def handle_data(self, data: str) -> None:
        if self.inside is None:
            self.text += data

    def said(self) -> None:
        """Note the text since the last tag; blanks alone say nothing."""
        found = _BLANKS.sub(" ", self.text)
        if found != " ":
            self.parts.append(found)
        self.text = ""


def marks_of(html: str) -> str:
    """Return the SHA-256 of what HTML says: its tags and its text, code too.

    Runs of blanks count as one; blanks alone between two tags are left out.

    The page's script takes the same digest of what the browser made of it, so that a page that
    was altered, even in one letter, is noticed.

    Parameters
    ----------
    html : str
        With every end tag and every table part written out; only elements without content have
        none. What stands inside an element with ``data-live`` is left out.

    Returns
    -------
    str
        64 hexadecimal digits.

    Examples
    --------
    >>> marks_of("<p>a &lt; b</p>") == marks_of("<p>a  &#60; b</p>")
    True
    >>> marks_of("<p data-live>a</p>") == marks_of("<p data-live></p>")
    True
    """
    marks = _Marks()
    marks.feed(html)
    marks.close()
    marks.said()
    return hashlib.sha256("".join(marks.parts).encode()).hexdigest()
