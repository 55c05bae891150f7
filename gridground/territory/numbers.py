"""Number columns: what is no number, what cannot be, and what hardly is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from gridground.territory.columns import Band, Column
from gridground.territory.features import MISSING
from gridground.territory.findings import Findings, Judged, Task, some
from gridground.units import parse_length_m

if TYPE_CHECKING:
    from numpy.typing import NDArray

# What a value usually is when it lies outside its band: (unit of the column, factor that brings it
# back, what to say).
_SLIPS: tuple[tuple[str, float, str], ...] = (
    ("m", 0.3048, "feet written as metres?"),
    ("m", 3.28084, "converted from feet twice?"),
    ("m", 0.001, "millimetres written as metres?"),
    ("A", 1000.0, "kA written as A?"),
    ("kV", 0.001, "V written as kV?"),
    ("s", 1 / 60, "cycles written as seconds?"),
    ("s", 0.001, "milliseconds written as seconds?"),
    ("ohm", 0.001, "milliohm written as ohm?"),
)


def judge_number(task: Task) -> NDArray[np.float64]:
    """Numbers: finite, no text and no true or false, within what can be at all."""
    column, values = task.column, task.values
    if task.types <= {type(MISSING)}:
        return np.full(len(values), np.nan)
    if others := task.types - {int, float, type(None), type(MISSING)}:
        rows = task.rows(lambda v: type(v) in others)
        wrong = [values[row] for row in rows]
        found = f"{some(wrong)} is not a number"
        if str in others:
            found = f"text in a number column: {some(wrong)}"
        task.reject(rows, found, _number_remedy(column, wrong[0]))
    if task.types - {int, float, type(None)}:
        values = [v if type(v) in {int, float} else None for v in values]
    try:
        array = np.array(values, dtype=float)
    except OverflowError:
        rows = task.rows(lambda v: type(v) is int and abs(v) > 1e300)
        task.reject(rows, "a number beyond the range of a double (infinite)", "write the value")
        array = np.array([None if r in set(rows) else v for r, v in enumerate(values)], float)
    if task.origin.factor != 1.0:
        array = array * task.origin.factor
    for bad, found in _impossible(column, array):
        rows = [int(row) for row in np.flatnonzero(bad)]
        if rows:
            smallest, largest = array[rows].min(), array[rows].max()
            which = f"{smallest:,g}" if smallest == largest else f"{smallest:,g} to {largest:,g}"
            remedy = f"write {column.unit or 'the value'}" + _range(column)
            task.reject(rows, f"{which} {column.unit} {found}".replace("  ", " "), remedy)
            array[rows] = np.nan
    return array


def _impossible(column: Column, array: NDArray[np.float64]) -> list[tuple[NDArray[np.bool_], str]]:
    """Return where a value cannot be, with the words for it."""
    result = []
    if column.low is not None:
        if column.low == 0:
            result.append((array < 0, "is negative"))
            if column.above:
                result.append((array == 0, "must be above zero"))
        else:
            result.append((array < column.low, "cannot be"))
    if column.high is not None:
        result.append((array > column.high, "cannot be"))
    if column.name == "frequency_hz":
        return [((~np.isnan(array)) & (array != 50) & (array != 60), "is not 50 or 60")]
    return result


def _range(column: Column) -> str:
    """Return the possible range of a column for a remedy."""
    low = "above 0" if column.above else f"{column.low:,g}"
    if column.low is not None and column.high is not None:
        return f", {low} to {column.high:,g}"
    return ""


def _number_remedy(column: Column, value: object) -> str:
    """Return what to write instead of text in a number column."""
    unit = f" of {column.unit}" if column.unit else ""
    remedy = f"write a number{unit} without quotes"
    if column.unit == "m" and isinstance(value, str):
        try:
            return f"{remedy} ({value.strip()[:20]} = {parse_length_m(value):.6g})"
        except ValueError:
            return remedy
    return remedy


def outside_band(column: Column, band: Band, judged: Judged, findings: Findings) -> None:
    """Report values that can be but hardly are."""
    array = judged.columns[column.name]
    outside = (array < band.low) | (array > band.high)
    if outside.any():
        outside &= judged.of_kinds(band.only)
    if findings.layer == "poles" and column.name == "height_m" and outside.any():
        outside &= np.array([m != "pad" for m in judged.columns["material"]])
    rows = np.flatnonzero(outside)
    if not len(rows):
        return
    smallest, largest = array[rows].min(), array[rows].max()
    which = f"{smallest:,g}" if smallest == largest else f"{smallest:,g} to {largest:,g}"
    found = f"{which} {band.unit} is hardly possible (usual: {band.text})"
    for unit, factor, words in _SLIPS:
        if unit == column.unit and _inside(array[rows] * factor, band):
            found += f"; {words}"
            break
    findings.add("open item", rows, column.name, found, f"confirm or correct it: {band.reason}")


def _inside(values: NDArray[np.float64], band: Band) -> bool:
    """Say whether all values lie in a band."""
    return bool(((values >= band.low) & (values <= band.high)).all())


def pole_heights(judged: Judged, findings: Findings) -> None:
    """Reject a pad above ground level and a pole lower than 4 m."""
    height, material = judged.columns["height_m"], judged.columns["material"]
    pad = material == "pad"
    high_pad = np.flatnonzero(pad & (height > 0))
    findings.add("reject", high_pad, "height_m", "a pad is at ground level", "write 0")
    unknown = np.array([m is None for m in material], dtype=bool)
    low = np.flatnonzero((height < 4) & ~pad & ~(unknown & (height == 0)))
    findings.add(
        "reject", low, "height_m", _heights(height[low]) + " m is no pole", "write metres, 4 to 60"
    )
    height[low] = np.nan
    height[high_pad] = np.nan


def _heights(values: NDArray[np.float64]) -> str:
    """Return heights for a message."""
    return some([float(value) for value in values])
