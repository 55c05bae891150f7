"""Ids, words and free text: what may stand in them, and how they are shown in a message.

Any character is legal and is shown as text, except control and direction-changing characters and
line separators: they make a name read as another name. Zero-width characters are legal inside a
name (some scripts need them) but two names that differ only by them are reported as look-alikes.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable

ID_CHARACTERS = 64
TEXT_CHARACTERS = 2000
_NEAR_POOL = 4000  # names compared at most, so that a refusal does not take seconds
_WHOLE_FLOAT_MAX = 2.0**53

_CONTROL = "\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f"
_DIRECTION = "\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069"
_OTHER = "\u2028\u2029\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff"
# Letters and marks that show as nothing, beside the format characters (Unicode's
# Default_Ignorable_Code_Point, and the blank Braille pattern).
_UNSEEN = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u2800\u3164\uffa0") | frozenset(
    map(chr, (*range(0x180B, 0x1810), *range(0xFE00, 0xFE10), *range(0xE0100, 0xE01F0)))
)
FORBIDDEN = re.compile(f"[{_CONTROL}\t\n\r{_DIRECTION}{_OTHER}]")
FORBIDDEN_BUT_BREAKS = re.compile(f"[{_CONTROL}{_DIRECTION}{_OTHER}]")


def shown(value: object, *, limit: int = 40) -> str:
    """Return a value for a message: invisible characters escaped, long values cut.

    Examples
    --------
    >>> shown("40 ft"), shown(None)
    ("'40 ft'", 'null')
    """
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) > 10**limit:
        return "a whole number of more than 40 digits"
    if isinstance(value, dict | list):
        return "an object" if isinstance(value, dict) else "a list"
    cut = value[: limit + 1] if isinstance(value, str) else value
    text = repr(cut)
    return text if len(text) <= limit + 2 else text[:limit] + "…"


def plain(name: str, *, limit: int = 64) -> str:
    """Return a name out of the user's file for a message: hidden characters escaped, cut."""
    cut = name if len(name) <= limit else name[:limit] + "…"
    return cut if cut.isprintable() else repr(cut)[1:-1]


def text_fault(value: str, *, limit: int = TEXT_CHARACTERS) -> str | None:
    """Return what is wrong with free text, or None."""
    if len(value) > limit:
        return f"longer than {limit:,} characters"
    if FORBIDDEN.search(value):
        return "holds a control or direction-changing character"
    return None


def id_fault(value: str) -> str | None:
    """Return what is wrong with an id, or None.

    Examples
    --------
    >>> id_fault("P 12/a"), id_fault(" P12")
    (None, 'blank at an end')
    """
    if not value:
        return "empty"
    if (fault := text_fault(value, limit=ID_CHARACTERS)) is not None:
        return fault
    if value != value.strip():
        return "blank at an end"
    if not value.isascii() and not _visible(value):
        return "nothing visible in it"
    return None


def as_id(value: object) -> str | None:
    """Return an id as text; whole numbers are taken as text, anything else gives None.

    Examples
    --------
    >>> as_id(12), as_id(12.0), as_id("P12"), as_id(12.5), as_id(True)
    ('12', '12', 'P12', None, None)
    """
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return None
    if isinstance(value, int):
        return str(value) if abs(value) < 10**ID_CHARACTERS else None
    if isinstance(value, float) and value.is_integer() and abs(value) < _WHOLE_FLOAT_MAX:
        return str(int(value))
    return None


def _visible(value: str) -> str:
    """Drop blanks and characters that are not seen."""
    return "".join(
        c for c in value if not c.isspace() and unicodedata.category(c) != "Cf" and c not in _UNSEEN
    )


def look_alike_key(value: str) -> str:
    """Return a key that is equal for names a reader cannot tell apart by case or blanks.

    Examples
    --------
    >>> look_alike_key("P 12") == look_alike_key("p12")
    True
    """
    if value.isascii():
        return value.lower().replace(" ", "")
    return _visible(unicodedata.normalize("NFKC", value)).casefold()


# Letters of other scripts that print as a Latin one: the plain cases, our judgement; Unicode's
# own table (UTS 39, confusables) is far longer.
_AS_LATIN = str.maketrans(
    "АВЕЅІЈКМНОРСТУХаеорсухіјѕΑΒΕΖΗΙΚΜΝΟΡΤΥΧο‐‑‒–—−",
    "ABESIJKMHOPCTYXaeopcyxijsABEZHIKMNOPTYXo------",
)


def eye_key(value: str) -> str:
    r"""Return a key that is equal for names that read the same on a screen or on paper.

    Examples
    --------
    >>> eye_key("P12") == eye_key("P\u200b12") == eye_key("\u042012")
    True
    >>> eye_key("P12") == eye_key("p12")
    False
    """
    if value.isascii():
        return " ".join(value.split())
    flat = unicodedata.normalize("NFKC", value)
    seen = "".join(c for c in flat if unicodedata.category(c) != "Cf" and c not in _UNSEEN)
    return " ".join(seen.translate(_AS_LATIN).split())


def near(name: str, candidates: Iterable[str], *, count: int = 3) -> list[str]:
    """Return the candidates most like `name`, best first."""
    pool = [c for c in candidates if abs(len(c) - len(name)) <= 3]
    key = look_alike_key(name)
    same = [c for c in pool if look_alike_key(c) == key]
    if same:
        return sorted(same)[:count]
    if len(pool) > _NEAR_POOL:
        start = [c for c in pool if c[:3] == name[:3]]
        pool = start[:_NEAR_POOL] or pool[:_NEAR_POOL]
    return difflib.get_close_matches(name, sorted(pool), n=count, cutoff=0.6)


def near_remedy(names: Iterable[str], candidates: Iterable[str], otherwise: str) -> str:
    """Return a remedy: the near matches of the first names, or `otherwise`."""
    pool = list(candidates)
    parts = [
        f"{shown(name)}: did you mean {' or '.join(map(shown, found))}?"
        for name in list(names)[:3]
        if (found := near(name, pool))
    ]
    return " ".join(parts) if parts else otherwise


# Units that stand at the end of some keys and not of others.
_UNITS = ("_ohm_m", "_ohm", "_deg", "_ratio", "_m", "_s", "_v", "_a")


def nearest_key(key: str, known: Iterable[str]) -> str | None:
    """Return the key most like one that nobody knows, or None.

    Parameters
    ----------
    key : str
        As written.
    known : iterable of str
        The keys of a table.

    Examples
    --------
    >>> nearest_key("bearing", ["bearing_deg", "distance"]), nearest_key("x", ["lon"])
    ('bearing_deg', None)
    """
    pool = sorted(known)
    stem = _stem(key)
    same = [one for one in pool if _stem(one) == stem]
    if same:
        return same[0]
    close = difflib.get_close_matches(key[:64], pool, n=1, cutoff=0.6)
    return close[0] if close else None


def _stem(key: str) -> str:
    """Return a key without case, blanks, lines between words, and the unit at its end."""
    text = look_alike_key(key[:64]).replace("-", "_")
    unit = next((one for one in _UNITS if text.endswith(one) and len(text) > len(one)), "")
    return text.removesuffix(unit).replace("_", "")


def unknown_key_remedy(key: str, known: Iterable[str]) -> str:
    """Return what to do about a key that a small table does not know.

    Examples
    --------
    >>> unknown_key_remedy("pickup", ["pickup_a", "curve"])
    "'pickup': did you mean 'pickup_a'?"
    """
    pool = sorted(known)
    found = nearest_key(key, pool)
    if found is None:
        return f"leave it out; known here: {', '.join(pool)}"
    return f"{shown(key)}: did you mean {shown(found)}?"
