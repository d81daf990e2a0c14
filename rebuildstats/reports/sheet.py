"""The inspection sheet for the bench: its content, and the content as one HTML page to print on A4.

The sheet lists EVERY point of the family, however seldom it fails: a sheet that left a point out would advise to skip
it. Cautions come first, safety components first among the points, a blank box stands beside every limit, and the
sentence that puts the maker's limit before the forecast comes last. Pure: the bytes are written by `commands`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape as _escape_all
from typing import Any

import pandas as pd

from rebuildstats.render import digits, percent
from rebuildstats.reports.sentences import CLOSING, DISTANCE_WORDS, NO_CAUTIONS, cautions, parts_to_pull

# Readings taken on components within this share of the asked age are what "others found there" means; a band narrower
# than a quarter leaves most points of a shop's history with none.
_NEAR = 0.25


@dataclass(frozen=True, slots=True)
class SheetLine:
    """One point of one component (or a component that has no point) as the technician works it off.

    chance, chance_lower, chance_upper: that the component is found bad, 0 to 1; NaN where it can't be said.
    expected: readings to expect (10 % to 90 %). found: what others read near that age, with how many. limit: words.
    """

    component: str
    safety: bool
    point: str
    method: str
    as_new: str
    limit: str
    expected: str
    found: str
    chance: float
    chance_lower: float
    chance_upper: float


@dataclass(frozen=True, slots=True)
class Sheet:
    """All that stands on the sheet. facts: label and value; cautions, parts: finished lines."""

    title: str
    facts: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    lines: tuple[SheetLine, ...]
    parts: tuple[tuple[str, str, str], ...]
    complaints: tuple[str, ...]
    closing: str

    def frame(self) -> pd.DataFrame:
        """The lines as a frame: component, point, chance_bad, chance_lower, chance_upper, limit, expected, found."""
        return pd.DataFrame(
            {
                "component": [line.component for line in self.lines],
                "point": [line.point for line in self.lines],
                "chance_bad": [line.chance for line in self.lines],
                "chance_lower": [line.chance_lower for line in self.lines],
                "chance_upper": [line.chance_upper for line in self.lines],
                "limit": [line.limit for line in self.lines],
                "expected": [line.expected for line in self.lines],
                "found": [line.found for line in self.lines],
            }
        )


def build_sheet(
    *,
    family: str,
    unit: str | None,
    mileage: float,
    distance: str,
    components: pd.DataFrame,
    points: pd.DataFrame,
    parts: pd.DataFrame,
    wear: pd.DataFrame,
    inspections: pd.DataFrame,
    facts: Sequence[tuple[str, str]] = (),
    complaints: Sequence[str] = (),
) -> Sheet:
    """The sheet of one unit, or of a family at a mileage.

    mileage: distance since the last rebuild, NaN when unknown. components, points, parts: the history's tables.
    wear: columns of the contract's `wear` for this family. inspections: `Records.inspections` (component, point, age,
    reading), for what others found. complaints: finished lines on what the complaint usually comes from.
    """
    mine = components[components["family"] == family]
    my_points = points[points["family"] == family]
    chances = wear.drop_duplicates("component").set_index("component").to_dict("index")
    readings = wear.drop_duplicates(["component", "point"]).set_index(["component", "point"])
    found = inspections[inspections["family"] == family]
    lines: list[SheetLine] = []
    for component in mine.sort_values("safety", ascending=False, kind="stable").to_dict("records"):
        name = str(component["component"])
        own = my_points[my_points["component"] == name].to_dict("records")
        for point in own or [{"point": ""}]:
            key = (name, point["point"])
            expected = readings.loc[key] if key in readings.index else None
            lines.append(_sheet_line(component, point, chances, expected, found, mileage))
    lines.sort(key=lambda line: (not line.safety, -_zero_if_nan(line.chance)))
    names = dict(zip(parts["part"], parts["name"], strict=True))
    pull = tuple((digits(quantity), part, _text(names.get(part))) for part, quantity in parts_to_pull(wear))
    warned = tuple(cautions(my_points, family)) or (f"CAUTION: {NO_CAUTIONS}",)
    age = "unknown" if math.isnan(mileage) else f"{digits(mileage)} {DISTANCE_WORDS.get(distance, distance)}"
    shown = (("Family", family), ("Since last rebuild", age), *facts)
    title = f"Inspection sheet: {unit}" if unit else f"Inspection sheet: {family}"
    return Sheet(title, shown, warned, tuple(lines), pull, tuple(complaints), CLOSING)


def html(sheet: Sheet) -> str:
    """The sheet as one self-contained page for A4: no script, nothing fetched, every word escaped."""
    rows = "\n".join(_html_row(line) for line in sheet.lines)
    facts = "".join(f"<div><dt>{_escape(label)}</dt><dd>{_escape(value)}</dd></div>" for label, value in sheet.facts)
    warned = "".join(f"<li>{_escape(text)}</li>" for text in sheet.cautions)
    return _PAGE.format(
        title=_escape(sheet.title),
        style=_STYLE,
        facts=facts,
        cautions=warned,
        complaints=_html_list("From the complaint", sheet.complaints),
        rows=rows,
        parts=_html_parts(sheet.parts),
        closing=_escape(f"Always: {sheet.closing}."),
    )


def too_few(line: SheetLine) -> str:
    """What stands where a chance can't be said: the bound where there is one."""
    bound = line.chance_upper
    return f"too few seen; at most {percent(bound)}" if bound < 1 else "too few seen"


def _sheet_line(
    component: dict[Any, Any],
    point: dict[Any, Any],
    chances: dict[Any, dict[Any, Any]],
    expected: Any,
    found: pd.DataFrame,
    mileage: float,
) -> SheetLine:
    name = str(component["component"])
    label = name if _missing(component["name"]) else f"{name} ({component['name']})"
    chance = chances.get(name, {"chance_bad": math.nan, "chance_lower": 0.0, "chance_upper": 1.0})
    unit = "" if _missing(point.get("reading_unit")) else f" {point['reading_unit']}"
    return SheetLine(
        component=label,
        safety=bool(component["safety"]) if not _missing(component["safety"]) else False,
        point=_text(point["point"]) or "look over",
        method=_text(point.get("method")),
        as_new="" if _missing(point.get("as_new")) else digits(point["as_new"]) + unit,
        limit=_limit(point, unit),
        expected=_expected(expected, unit),
        found=_found(found[(found["component"] == name) & (found["point"] == point["point"])], mileage, unit),
        chance=float(chance["chance_bad"]),
        chance_lower=float(chance["chance_lower"]),
        chance_upper=float(chance["chance_upper"]),
    )


def _limit(point: dict[Any, Any], unit: str) -> str:
    low, high = point.get("low_limit"), point.get("high_limit")
    words = []
    if not _missing(low):
        words.append(f"at least {digits(float(low or 0))}")
    if not _missing(high):
        words.append(f"at most {digits(float(high or 0))}")
    return " and ".join(words) + unit if words else ""


def _expected(row: Any, unit: str) -> str:
    if row is None or _missing(row["reading_q50"]):
        return ""
    return f"{digits(row['reading_q10'])} to {digits(row['reading_q90'])}{unit}"


def _found(rows: pd.DataFrame, mileage: float, unit: str) -> str:
    """'0.12 to 0.31 mm (38 read)' near the age, else '2 of 40 failed' where the point has no reading."""
    if rows.empty:
        return "never recorded"
    near = rows[(rows["age"] - mileage).abs() <= _NEAR * mileage] if mileage > 0 else rows.iloc[:0]
    where = "" if len(near) else " at any age"
    near = near if len(near) else rows
    readings = near["reading"].dropna()
    checked = near[near["verdict"].isin(["ok", "fail"])]
    failed = int((checked["verdict"] == "fail").sum())
    words = []
    if len(readings):
        low, high = float(readings.min()), float(readings.max())
        words.append(
            f"{digits(low)} to {digits(high)}{unit} ({len(readings)} read)"
            if high > low
            else f"{digits(low)}{unit} ({len(readings)} read)"
        )
    if len(checked):
        words.append(f"{failed} of {len(checked)} failed")
    return ", ".join(words) + where if words else "never checked"


def _escape(text: str) -> str:
    """Text inside an element: quotation marks and apostrophes stay as they are, so that words can be searched."""
    return _escape_all(text, quote=False)


def _html_row(line: SheetLine) -> str:
    mark = '<span class="safety">safety</span> ' if line.safety else ""
    if math.isnan(line.chance):
        bar = f'<span class="few">{_escape(too_few(line))}</span>'
    else:
        words = f"{percent(line.chance)} ({percent(line.chance_lower)} to {percent(line.chance_upper)})"
        left, mid, right = (100 * share for share in (line.chance_lower, line.chance, line.chance_upper))
        bar = (
            f'<div class="bar" role="img" aria-label="chance found bad {_escape(words)}">'
            f'<i class="band" style="left:{left:.1f}%;width:{right - left:.1f}%"></i>'
            f'<i class="mid" style="left:{mid:.1f}%"></i></div><small>{_escape(words)}</small>'
        )
    limit = _escape(line.limit) or "&ndash;"
    as_new = f"<br><small>as new {_escape(line.as_new)}</small>" if line.as_new else ""
    cells = (
        mark + _escape(line.component),
        f"{_escape(line.point)}<br><small>{_escape(line.method)}</small>",
        limit + as_new,
    )
    written = "".join(f"<td>{cell}</td>" for cell in cells)
    after = "".join(f"<td>{cell}</td>" for cell in (_escape(line.expected) or "&ndash;", _escape(line.found), bar))
    return f'<tr>{written}<td class="box"></td><td class="ticks">{_TICKS}</td>{after}</tr>'


def _html_parts(parts: Sequence[tuple[str, str, str]]) -> str:
    if not parts:
        return "<p>None is more likely needed than not.</p>"
    rows = "".join(
        f"<tr><td>&#9744;</td><td>{_escape(quantity)}</td><td>{_escape(part)}</td><td>{_escape(name)}</td></tr>"
        for quantity, part, name in parts
    )
    return f'<table class="parts"><tr><th></th><th>Pieces</th><th>Part</th><th>Name</th></tr>{rows}</table>'


def _html_list(title: str, lines: Sequence[str]) -> str:
    if not lines:
        return ""
    return f"<h2>{_escape(title)}</h2><ul>{''.join(f'<li>{_escape(line)}</li>' for line in lines)}</ul>"


def _text(value: Any) -> str:
    return "" if _missing(value) else str(value)


def _missing(value: Any) -> bool:
    return value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value))


def _zero_if_nan(value: float) -> float:
    return 0.0 if math.isnan(value) else value


_TICKS = "<br>".join(f"&#9744; {verdict}" for verdict in ("ok", "fail", "not checked"))

_STYLE = """
@page { size: A4; margin: 12mm }
body { font: 10pt/1.3 sans-serif; color: #000; background: #fff; max-width: 190mm; margin: 0 auto }
h1 { font-size: 16pt; margin: 0 0 2mm } h2 { font-size: 11pt; margin: 4mm 0 1mm }
dl { display: flex; flex-wrap: wrap; gap: 1mm 8mm; margin: 0 0 3mm } dl div { display: flex; gap: 2mm }
dt { color: #444 } dd { margin: 0; font-weight: bold }
.cautions { border: 1.2mm solid #000; padding: 2mm 2mm 2mm 8mm; margin: 0 0 3mm; font-weight: bold }
table { border-collapse: collapse; width: 100% } th { text-align: left; font-size: 8.5pt }
th, td { border: 0.2mm solid #555; padding: 1mm 1.5mm; vertical-align: top } tr { break-inside: avoid }
thead { display: table-header-group } small { color: #333; font-size: 8pt }
.box { width: 20mm; border: 0.6mm solid #000 } .ticks { white-space: nowrap; font-size: 8.5pt }
.safety { border: 0.3mm solid #000; padding: 0 1mm; font-size: 8pt; font-weight: bold; text-transform: uppercase }
.bar { position: relative; width: 24mm; height: 3.5mm; border: 0.2mm solid #555; overflow: hidden }
.bar i { position: absolute; top: 0; bottom: 0; print-color-adjust: exact; -webkit-print-color-adjust: exact }
.band { background: #bbb } .mid { width: 0.8mm; background: #000 }
.parts { width: auto } .sign { margin-top: 5mm; display: flex; gap: 10mm }
.sign span { flex: 1; border-bottom: 0.3mm solid #000 }
.closing { margin-top: 5mm; font-weight: bold }
@media (prefers-color-scheme: dark) { body { background: #fff; color: #000 } }
"""

_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title><style>{style}</style></head><body>
<ul class="cautions">{cautions}</ul>
<h1>{title}</h1>
<dl>{facts}</dl>
{complaints}
<table><thead><tr><th>Component</th><th>Point</th><th>Limit</th><th>Reading</th><th>Verdict</th>
<th>Expect here (80 %)</th><th>Others found</th><th>Chance found bad (90 % interval)</th></tr></thead><tbody>
{rows}
</tbody></table>
<h2>Parts to pull</h2>
{parts}
<div class="sign">Job <span></span> Technician <span></span> Date <span></span></div>
<p class="closing">{closing}</p>
</body></html>
"""
