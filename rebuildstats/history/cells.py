"""How a shop writes its dates, numbers and units, and the contract's way of writing the same. Pure text work, no
tables.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache
from typing import Any

from rebuildstats.errors import UsageError

SERIAL, SERIAL_1904 = "serial", "serial 1904"
# Day 0 of the two date systems of workbooks (ECMA-376 part 1, 18.17.4.1); the first for days after February 1900.
SERIAL_ZERO, SERIAL_ZERO_1904 = date(1899, 12, 30), date(1904, 1, 1)
_ISO = re.compile(r"\d{4}-\d{2}-\d{2}([ T]00:00(:00(\.0+)?)?)?")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?")
_NUMBER_AND_UNIT = re.compile(r"([+-]?[\d., '\u00a0\u202f]*\d)\s*([^\W\d_°\"][^\d*]{0,20}|[°\"][^\d*]{0,20})?")
_DISTANCES = frozenset(
    {"odometer", "fitted_odometer", "removed_odometer", "unit_mileage", "first_seen_mileage"},
)
# Names of units as shops write them, for those that the units library spells otherwise.
_UNITS = {
    "°c": "degC",
    "c": "degC",
    "°f": "degF",
    "f": "degF",
    '"': "inch",
    "in.": "inch",
    "lbf": "pound_force",
    "lb": "pound",
    "lbs": "pound",
    "mil": "thou",
    "mi": "mile",
    "miles": "mile",
    "km": "kilometer",
    "h": "hour",
    "nm": "newton * meter",
    "n·m": "newton * meter",
    "lb-ft": "foot * pound_force",
    "ft-lb": "foot * pound_force",
    "ft·lbf": "foot * pound_force",
    "µm": "micrometer",
    "um": "micrometer",
}


class PlainNumber(str):
    """The text of a cell that a workbook holds as a number: read as it stands, however the shop writes numbers
    elsewhere.
    """

    __slots__ = ()


class FaultyCell(str):
    """The text of a cell whose value cannot be had. reason: why, as a reason code."""

    reason: str

    def __new__(cls, text: str, reason: str) -> FaultyCell:
        cell = super().__new__(cls, text)
        cell.reason = reason
        return cell


@dataclass(frozen=True, slots=True)
class Writing:
    """How the cells of one column are written.

    kind: the contract's kind of the column. dates: strptime formats, tried in turn, or 'serial' (the days since
    `zero_day`), or 'serial 1904'. decimal, thousands: the signs in numbers. unit, to: the unit the numbers are in and
    the one they are brought to; a cell that names its own unit counts by that.
    """

    kind: str = "text"
    dates: tuple[str, ...] = ()
    decimal: str = "."
    thousands: str = ""
    unit: str | None = None
    to: str | None = None
    zero_day: date = SERIAL_ZERO

    def read(self, theirs: Sequence[str], units: Sequence[str] | None = None) -> tuple[list[str | None], list[int]]:
        """The cells in the contract's writing, and the indices of those not written as said (left as they stand)."""
        if self.kind in ("number", "whole"):
            known: dict[tuple[str, str, bool], str | None] = {}
            ours: list[str | None] = []
            odd: list[int] = []
            for i, cell in enumerate(theirs):
                unit = (units[i] if units is not None else "") or self.unit or ""
                key = (cell, unit, isinstance(cell, PlainNumber))
                if cell and key not in known:
                    known[key] = self._number(cell, unit)
                text = known[key] if cell else ""
                if text is None:
                    odd.append(i)
                ours.append((cell if text is None else text) or None)
            return ours, odd
        if self.kind == "date" and self.dates:
            return self._dates(theirs)
        return [cell or None for cell in theirs], []

    def _number(self, cell: str, unit: str) -> str | None:
        text: str | None
        plain = isinstance(cell, PlainNumber) or (self.decimal == "." and not self.thousands)
        if plain and _NUMBER.fullmatch(cell):
            text = str(cell)
        else:
            own = _NUMBER_AND_UNIT.fullmatch(cell)
            text = self._plain(own.group(1).strip()) if own is not None else None
            if own is None or text is None:
                return None
            if own.group(2):
                if self.to is None:
                    return None
                unit = own.group(2)
        if self.to is None or not unit:
            return text
        try:
            scale, shift = conversion(unit, self.to)
        except ValueError:
            return None
        return _digits(float(text) * scale + shift) if (scale, shift) != (1.0, 0.0) else text

    def _plain(self, text: str) -> str | None:
        """A number without separators and with a point, None where it is not written as said."""
        whole, sign, rest = text.partition(self.decimal)
        if sign and not rest.isdigit():
            return None
        if self.thousands and self.thousands in whole:
            groups = re.sub(r"[\s\u00a0\u202f]", " ", whole).split(self.thousands.replace("\u00a0", " "))
            if not all(len(g) == 3 for g in groups[1:]) or not 1 <= len(groups[0].lstrip("+-")) <= 3:
                return None
            whole = "".join(groups)
        if not re.fullmatch(r"[+-]?\d+", whole):
            return None
        return f"{whole}.{rest}" if sign else whole

    def _dates(self, theirs: Sequence[str]) -> tuple[list[str | None], list[int]]:
        known = {cell: self._date(cell) for cell in set(theirs) if cell}
        odd = [i for i, cell in enumerate(theirs) if cell and known[cell] is None]
        return [known.get(cell) or cell or None for cell in theirs], odd

    def _date(self, cell: str) -> str | None:
        """An ISO date; None where no format fits, or where two of them make it two different days."""
        if _ISO.fullmatch(cell):
            return cell[:10]
        days = {day for form in self.dates if (day := self._day(cell, form)) is not None}
        return days.pop().isoformat() if len(days) == 1 else None

    def _day(self, cell: str, form: str) -> date | None:
        try:
            if form not in (SERIAL, SERIAL_1904):
                return datetime.strptime(cell, form).date()
            number = float(cell)
        except ValueError:
            return None
        zero = SERIAL_ZERO_1904 if form == SERIAL_1904 else self.zero_day
        return zero + timedelta(days=int(number)) if 60 < number < 110_000 else None


def is_distance(column: str) -> bool:
    """Whether a column holds distances in the store's unit."""
    return column in _DISTANCES


def check_units(unit: str, to: str, place: str) -> None:
    """Raises UsageError where one unit cannot be brought to the other."""
    try:
        conversion(unit, to)
    except ValueError as error:
        raise UsageError(f"{place}: {error}") from error


@cache
def _registry() -> Any:
    import pint  # here, because it takes a while and most loads need no units

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True, cache_folder=None)


@cache
def conversion(unit: str, to: str) -> tuple[float, float]:
    """(scale, shift) so that scale x value + shift brings a value in `unit` to `to`. Raises ValueError where that
    makes no sense.
    """
    if unit == to:
        return 1.0, 0.0
    registry = _registry()
    try:
        start, end = (registry.Unit(_UNITS.get(name.strip().casefold(), name.strip())) for name in (unit, to))
        zero = float(registry.Quantity(0.0, start).to(end).magnitude)
        one = float(registry.Quantity(1.0, start).to(end).magnitude)
    except Exception as error:  # the library raises what its parser and its arithmetic raise
        raise ValueError(f"a reading in '{unit}' cannot be brought to '{to}'.") from error
    return one - zero, zero


def _digits(value: float) -> str:
    """Twelve significant digits: more than any gauge gives, fewer than the noise of the arithmetic."""
    return repr(float(f"{value:.12g}"))
