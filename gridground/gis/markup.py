"""XML with text that stays text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gridground.gis.about import legal

if TYPE_CHECKING:
    from collections.abc import Iterable

HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'
# A carriage return is written as a reference: a reader would make a line feed of it.
_TEXT = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;", "\r": "&#13;"})
_ATTRIBUTE = str.maketrans(
    {"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "'": "&#39;"}
    | {"\r": "&#13;", "\n": "&#10;", "\t": "&#9;"}
)


def text(value: object) -> str:
    """Return a value as the text of an element.

    Examples
    --------
    >>> text("a ]]> b & <c>")
    'a ]]&gt; b &amp; &lt;c&gt;'
    """
    return legal(str(value)).translate(_TEXT)


def attributes(values: dict[str, object]) -> str:
    """Return attributes, a blank in front of each."""
    return "".join(
        f' {name}="{legal(str(value)).translate(_ATTRIBUTE)}"' for name, value in values.items()
    )


def element(name: str, value: object, /, **values: object) -> str:
    """Return an element that holds text."""
    return f"<{name}{attributes(values)}>{text(value)}</{name}>"


def group(name: str, children: Iterable[str], /, **values: object) -> str:
    """Return an element that holds other elements, which are markup already."""
    return f"<{name}{attributes(values)}>{''.join(children)}</{name}>"


def degrees(value: float) -> str:
    """Return a coordinate in plain decimals, never with an exponent.

    Examples
    --------
    >>> degrees(1e-6)
    '0.0000010'
    """
    return f"{value:.7f}"
