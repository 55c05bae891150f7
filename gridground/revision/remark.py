"""One thing in a field record that a person should look at."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Remark:
    """Something in a record that a person should look at; it changes nothing.

    Attributes
    ----------
    code : str
        Short name.
    seq : int
        Number of the entry.
    text : str
        One sentence.
    """

    code: str
    seq: int
    text: str
