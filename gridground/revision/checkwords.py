"""The four words by which two people tell over the radio whether they hold the same record.

The tablet works them out of its entries, the job and the plan (`record.js` of the page); here they
are worked out again of the file that came in. A record that was cut, edited, mixed up or is older
than the one read out has other words, but for one in 456,976.
"""

from __future__ import annotations

import hashlib
import json
from decimal import Decimal
from typing import Any

# ICAO Annex 10, volume II, 5.2.1.3, from memory
ALPHABET = (
    *("Alfa", "Bravo", "Charlie", "Delta", "Echo", "Foxtrot", "Golf", "Hotel", "India"),
    *("Juliett", "Kilo", "Lima", "Mike", "November", "Oscar", "Papa", "Quebec", "Romeo"),
    *("Sierra", "Tango", "Uniform", "Victor", "Whiskey", "X-ray", "Yankee", "Zulu"),
)
WORDS = 4
_LEAST_PLAIN, _MOST_PLAIN = 1e-6, 1e21


def check_words(document: dict[str, Any]) -> str:
    """Return the four words of a record.

    Parameters
    ----------
    document : dict
        A record as its file holds it.

    Examples
    --------
    >>> check_words({"entries": [], "job_id": "J", "plan_hash": "ab"})
    'Lima Echo Hotel Golf'
    """
    body = {key: document[key] for key in ("entries", "job_id", "plan_hash")}
    left = int(hashlib.sha256(_written(body).encode()).hexdigest()[:8], 16)
    words = []
    for _ in range(WORDS):
        left, letter = divmod(left, len(ALPHABET))
        words.append(ALPHABET[letter])
    return " ".join(words)


def _written(value: object) -> str:
    """Return a value as the tablet writes it: keys in order, no blanks."""
    if isinstance(value, dict):
        rows = (f"{_written(key)}:{_written(value[key])}" for key in sorted(value))
        return f"{{{','.join(rows)}}}"
    if isinstance(value, list):
        return f"[{','.join(map(_written, value))}]"
    if isinstance(value, float):
        return number_text(value)
    return json.dumps(value, ensure_ascii=False)


def number_text(value: float) -> str:
    """Return a number as ECMA-262 writes it (clause 6.1.6.1.20, from memory).

    Examples
    --------
    >>> [number_text(x) for x in (38.0, 38.5, 1.5e-5, 1e-7, -0.0)]
    ['38', '38.5', '0.000015', '1e-7', '0']
    """
    if value == 0:
        return "0"
    digits = Decimal(repr(value)).normalize()
    if _LEAST_PLAIN <= abs(value) < _MOST_PLAIN:
        return f"{digits:f}"
    fraction, _, power = f"{digits:e}".partition("e")
    return f"{fraction}e{int(power):+d}"
