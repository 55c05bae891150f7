"""Terminals and pipes: what they lack is escaped, so that no command ends for want of a sign."""

from __future__ import annotations

import codecs
import json
import sys


def escape_what_is_lacking() -> None:
    """Write signs that an output has not as JSON escapes, which JSON reads back.

    A redirected command on Windows writes in the code page of old; arrows and units are not in it.
    """
    codecs.register_error("gridground", _escaped)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="gridground")


def _escaped(error: UnicodeError) -> tuple[str, int]:
    """Return the escapes of what could not be written, and where to go on."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return json.dumps(error.object[error.start : error.end])[1:-1], error.end
