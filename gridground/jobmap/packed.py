"""The plan's text packed: what stood before is pointed at instead of written again."""

from __future__ import annotations

import json
from collections import defaultdict

SEED = 8  # signs by which an earlier place is found
LEAST = 10  # a pointer takes as much room as this many signs
TRIED = 32  # latest earlier places that are looked at
_DIGITS = "0123456789abcdefghijklmnopqrstuvwxyz"
_QUOTES = str.maketrans("\"'", "'\"")


def packed(text: str) -> list[str | int]:
    """Return a text as pieces: a string is taken as it is, two numbers point at what stood before.

    The numbers are how many signs back, and how many signs from there; the two may overlap, so
    that a piece repeats itself. Signs are code points. The same text gives the same pieces.

    Parameters
    ----------
    text : str
        Any text.

    Examples
    --------
    >>> packed("lead 2/0, lead 2/0, lead 2/0")
    ['lead 2/0, ', 10, 18]
    """
    seen: dict[str, list[int]] = defaultdict(list)
    pieces: list[str | int] = []
    done = place = 0
    while place < len(text):
        back, length = _longest(text, place, seen.get(text[place : place + SEED], []))
        if length < LEAST:
            length = 1
        else:
            pieces += [text[done:place]] if done < place else []
            pieces += [back, length]
            done = place + length
        for start in range(place, place + length):
            seen[text[start : start + SEED]].append(start)
        place += length
    return [*pieces, text[done:]] if done < len(text) else pieces


def _longest(text: str, place: int, starts: list[int]) -> tuple[int, int]:
    """Return how far back the longest equal piece begins, and its length; the nearest of equals."""
    back = best = 0
    for start in reversed(starts[-TRIED:]):
        if best and text[start + best : start + best + 1] != text[place + best : place + best + 1]:
            continue
        length = SEED
        while place + length < len(text) and text[start + length] == text[place + length]:
            length += 1
        if length > best:
            back, best = place - start, length
    return back, best


def packed_json(text: str) -> str:
    r"""Return a text packed into one JSON string.

    Both kinds of quotes are changed for each other: JSON in JSON is full of quotes, and each would
    take two signs. A pointer is ``~back,length;`` in base 36, a tilde of the text ``~;``.

    Parameters
    ----------
    text : str
        Any text.

    Examples
    --------
    >>> packed_json('{"who":"a~b"},{"who":"a~b"}')
    '"{\'who\':\'a~;b\'},~e,d;"'
    """
    pieces = iter(packed(text.translate(_QUOTES)))
    found = [
        piece.replace("~", "~;")
        if isinstance(piece, str)
        else f"~{_base_36(piece)},{_base_36(int(next(pieces)))};"
        for piece in pieces
    ]
    return json.dumps("".join(found), ensure_ascii=False)


def _base_36(number: int) -> str:
    """Return a number in the digits 0 to z."""
    text = ""
    while number or not text:
        number, digit = divmod(number, 36)
        text = _DIGITS[digit] + text
    return text
