"""The strict front reader: bytes of a JSON file in, plain columns out, before any library sees it.

Usual JSON readers take the last of two equal names, read NaN and accept text that is not UTF-8;
two readers can then see two different networks. Here a file is refused with a reason instead.

- UTF-8 without exception; a byte order mark at the start is tolerated and remarked (RFC 8259
  clause 8.1 lets a reader ignore it, and desktop programs write it).
- Nesting is counted: at most 32 levels, the document itself being the first.
- Limits on bytes, objects and values stand in the messages.
"""

from __future__ import annotations

import gc
import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import jiter

from gridground.errors import InputError, Level, Problem
from gridground.territory.text import as_id, id_fault, plain, shown

FILE_BYTES = 256_000_000
OBJECTS = 4_000_000
SEPARATORS = 40_000_000
DEPTH = 32
_NAMING_BYTES = 20_000_000  # above this a duplicate name is reported by line, not by feature
_DUPLICATE = re.compile(r'Detected duplicate key "(.*)" at line (\d+)', re.DOTALL)


@contextmanager
def without_collector() -> Iterator[None]:
    """Pause the cycle collector: a parse makes millions of objects and not one cycle.

    Worth half of the reading time. Callers who read several layers pause it once around all.
    """
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            # To the oldest generation and back: what was read is not walked at the next turn.
            gc.freeze()
            gc.unfreeze()
            gc.enable()


def read_bytes(path: Path, layer: str, *, limit: int = FILE_BYTES) -> bytes:
    """Read a regular file up to a limit.

    Raises
    ------
    InputError
        When there is no such file, it is no regular file (a pipe would hang), it cannot be read or
        it is larger than `limit` bytes.
    """
    if not path.is_file():
        found = "is not a regular file" if path.exists() else "is not there"
        raise rejection(layer, plain(path.name), found, "give the file")
    try:
        with path.open("rb") as file:
            data = file.read(limit + 1)
    except OSError as error:
        reason = error.strerror or "unknown reason"
        raise rejection(layer, plain(path.name), f"cannot be read: {reason}", "mend it") from error
    if len(data) > limit:
        remedy = "split the territory or leave out what is not needed"
        raise rejection(layer, plain(path.name), f"larger than {limit / 1e6:g} MB", remedy)
    return data


def parse_json(data: bytes, layer: str, *, name: str) -> Any:  # noqa: ANN401  a JSON document
    """Parse JSON strictly.

    Parameters
    ----------
    data : bytes
        A whole file; a byte order mark must have been taken off.
    layer, name : str
        For the message: layer and file name.

    Returns
    -------
    dict, list, str, int, float, bool or None
        The document. Numbers beyond the range of a double come out as infinity.

    Raises
    ------
    InputError
        For anything that is not JSON in UTF-8, for duplicate names, NaN and infinity, and beyond
        the limits of this module.
    """
    _count(data, layer, name)
    try:
        with without_collector():
            return jiter.from_json(data, catch_duplicate_keys=True, allow_inf_nan=False)
    except ValueError as error:
        problem = _explained(data, layer, name, str(error))
    raise InputError([problem])


def _count(data: bytes, layer: str, name: str) -> None:
    """Refuse a file by its counts of brackets and commas, before memory is spent on it."""
    if data[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        raise rejection(layer, name, "is UTF-16", "write it in UTF-8")
    if len(data) > OBJECTS and data.count(b"{") > OBJECTS:
        raise rejection(layer, name, f"more than {OBJECTS:,} objects", "split the territory")
    if len(data) > SEPARATORS and data.count(b",") + data.count(b"[") > SEPARATORS:
        raise rejection(layer, name, f"more than {SEPARATORS:,} values", "split the territory")


def _explained(data: bytes, layer: str, name: str, message: str) -> Problem:
    """Turn a parser message into the user's words."""
    if (match := _DUPLICATE.search(message)) is not None:
        key, line = match.group(1), match.group(2)
        ids, keys = _duplicates(data)
        names = ", ".join(map(shown, keys or [key]))
        where = "" if ids else f" (line {line})"
        found = f"the name {names} stands twice in one object{where}"
        return Problem("reject", layer, ids, plain(key), found, "keep one of the two values")
    if "recursion limit" in message:
        found = f"nested deeper than {DEPTH} levels"
        return Problem("reject", layer, (), name, found, "write plain GeoJSON")
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = f"is not UTF-8 (line {line})"
        return Problem("reject", layer, (), name, found, "write it in UTF-8")
    found = f"broken JSON: {message}"
    remedy = "write the file again; NaN and Infinity are not JSON"
    return Problem("reject", layer, (), name, found, remedy)


def _duplicates(data: bytes) -> tuple[tuple[str, ...], list[str]]:
    """Return the ids of objects in which a name stands twice, and those names."""
    ids: list[str] = []
    keys: list[str] = []

    def hook(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        result = dict(pairs)
        if len(result) < len(pairs):
            seen: set[str] = set()
            keys.extend(k for k, _ in pairs if k in seen or seen.add(k))  # type: ignore[func-returns-value]
            own = [as_id(v) for k, v in pairs if k.endswith("_id")][:1]
            ids.extend(v for v in own if v is not None and id_fault(v) is None)
        return result

    if len(data) > _NAMING_BYTES:
        return (), []
    try:
        json.loads(data, object_pairs_hook=hook)
    except (ValueError, RecursionError):
        return (), []
    return tuple(ids), list(dict.fromkeys(keys))


def rejection(
    layer: str, field_name: str, found: str, remedy: str, level: Level = "reject"
) -> InputError:
    """Return an error with one problem that concerns a whole file."""
    return InputError([Problem(level, layer, (), field_name, found, remedy)])
