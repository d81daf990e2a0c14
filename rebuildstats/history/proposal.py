"""A first mapping proposed from the headers and values of a shop's own sheets: text to read and correct, never
applied unasked.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from difflib import SequenceMatcher
from pathlib import Path

from rebuildstats.history.cells import is_distance
from rebuildstats.history.contract import TABLES, Column, Table
from rebuildstats.history.read import BLANKS, RawSheet, find_files, plain, read_raw, table_named

# What shops write for our columns, in the trade's English. Matched as whole headers, blanks and case apart.
_HEADERS: dict[str, tuple[str, ...]] = {
    "job": (
        "job no",
        "job number",
        "job #",
        "work order",
        "wo",
        "wo no",
        "order no",
        "repair order",
        "ro",
        "ticket",
        "card",
    ),
    "unit": ("serial", "serial no", "serial number", "unit no", "unit serial", "s/n", "sn", "asset"),
    "vehicle": ("truck", "bus", "vehicle no", "fleet no", "coach", "machine", "registration", "plate"),
    "opened_on": ("opened", "date", "date in", "in", "started", "start", "received", "date opened"),
    "name": ("description", "designation", "part name", "part description"),
    "closed_on": ("closed", "finished", "date out", "out", "done on", "completed", "date closed"),
    "unit_mileage": ("mileage", "miles", "km", "unit miles", "hours", "clock", "unit hours", "distance"),
    "odometer": ("odo", "odometer reading", "vehicle miles", "vehicle km", "odometer"),
    "read_on": ("read", "date read", "reading date", "date"),
    "reason": ("why in", "reason in", "cause of visit", "type", "job type"),
    "scope": ("how far", "extent", "work scope"),
    "complaint": ("driver says", "driver said", "symptom", "driver complaint", "fault reported", "customer complaint"),
    "bench": ("mechanic", "technician", "tech", "bench no", "station", "fitter"),
    "site": ("depot", "garage", "shop", "location", "branch"),
    "component": ("item", "part of unit", "component name", "assembly part"),
    "position": ("which", "pos", "location no", "side"),
    "point": ("check", "inspection", "inspection point", "check point", "measured at"),
    "reading": ("measured", "measurement", "value", "size", "actual"),
    "condition": ("looks like", "state", "remarks", "appearance", "observation"),
    "verdict": ("result", "ok?", "pass", "pass/fail", "judgement"),
    "action": ("done", "work done", "what was done", "measure taken", "disposition"),
    "role": ("because", "cause", "why"),
    "part": ("part no", "part number", "part #", "p/n", "pn", "item no", "sku", "material"),
    "quantity": ("pcs", "qty", "pieces", "amount", "no of"),
    "issued_on": ("issued", "date", "issue date", "sold on"),
    "slip": ("slip no", "invoice", "receipt", "docket"),
    "on_hand": ("stock", "on shelf", "in stock", "balance"),
    "counted_on": ("counted", "count date"),
    "unit_cost": ("cost", "price", "each"),
    "lead_time_days": ("lead time", "delivery days", "days to deliver"),
    "labour_hours": ("labor", "labour", "hours worked", "man hours"),
    "outside_cost": ("outside work", "sublet"),
    "family": ("model", "type of unit", "kind"),
}
_WORDS: dict[str, tuple[str, ...]] = {
    "failure": ("broke down", "breakdown", "failed", "unscheduled", "repair"),
    "scheduled": ("booked", "planned", "service", "pm", "preventive"),
    "comeback": ("came back", "rework", "warranty"),
    "campaign": ("recall", "programme"),
    "rebuild": ("full", "overhaul", "complete"),
    "repair": ("part", "partial", "minor"),
    "ok": ("good", "pass", "passed", "yes", "fine", "within limits"),
    "fail": ("bad", "failed", "no", "not ok", "worn out", "out of limits", "reject"),
    "not_checked": ("-", "n/a", "na", "not checked", "skipped"),
    "reuse": ("kept", "reused", "refit", "as is"),
    "dress": ("stoned", "dressed", "deburred", "cleaned up"),
    "machine": ("machined", "turned", "ground", "bored", "sleeved"),
    "replace": ("new", "replaced", "renewed", "changed", "exchanged"),
    "cause": ("root cause", "primary"),
    "consequence": ("knock-on", "secondary", "damaged by"),
    "wear": ("worn", "normal wear"),
}
_DATES = (
    "%Y-%m-%d",
    "%d.%m.%Y",
    "%d/%m/%Y",
    "%m/%d/%Y",
    "%d-%m-%Y",
    "%Y/%m/%d",
    "%d.%m.%y",
    "%d/%m/%y",
    "%m/%d/%y",
    "%d %b %Y",
    "%d-%b-%Y",
    "%d-%b-%y",
)
_UNITS = re.compile(r"[(\[]\s*(mi|km|h|mm|in|inch|N|lbf|°C|°F|thou|µm)\s*[)\]]")
# Writings that say little where they are only a part of a header.
_LOOSE = (
    "date",
    "out",
    "type",
    "item",
    "check",
    "value",
    "size",
    "done",
    "cause",
    "why",
    "start",
    "read",
    "km",
    "cost",
)
_ENOUGH = 0.8
_TITLE_LINES = 12


@dataclass(frozen=True, slots=True)
class _Match:
    table: Table
    headers: dict[str, str]  # our column -> their header
    score: float


def propose_mapping(paths: Sequence[str | Path]) -> str:
    """The text of a mapping file for the sheets found under `paths`, with a comment wherever it is a guess.

    Files that are named like a table and have its columns need no mapping and are said so. Raises InputError as a
    load does.
    """
    files, _ = find_files(paths)
    parts = [
        "# A first proposal from headers and values. Read every line and correct it; --dry-run shows what it would do.",
    ]
    for path, _ in files:
        parts += [_proposed(path, raw, row) for raw, row in _best_header(path)]
    return "\n\n".join(parts) + "\n"


def _best_header(path: Path) -> list[tuple[RawSheet, int | None]]:
    """The sheets of a file, each under the row among its first ones that is most like a header of a table, and the
    number of that row where a title stands above it.
    """
    sheets = read_raw(path)
    found: list[tuple[RawSheet, int | None]] = []
    for place, raw in enumerate(sheets):
        best, most, row = raw, _matched(raw), None
        if most * 2 < len([h for h in raw.header if h]) or most < 2:
            for line, cells in list(zip(raw.lines, raw.rows, strict=True))[:_TITLE_LINES]:
                if sum(bool(c.strip(BLANKS)) for c in cells) > max(most, 1):
                    other = read_raw(path, header_row=line)[place]
                    if _matched(other) > most:
                        best, most, row = other, _matched(other), line
        found.append((best, row))
    return found


def _matched(raw: RawSheet) -> int:
    return max((len(_match(table, raw.header).headers) for table in TABLES), default=0)


def _said(texts: Iterable[str]) -> str:
    """Texts of a sheet for a comment, in which a line break would end the comment."""
    return ", ".join(re.sub(r"[\x00-\x1f\x7f\x85\u2028\u2029]+", " ", text) for text in texts)


def _proposed(path: Path, raw: RawSheet, header_row: int | None) -> str:
    inner = raw.name[len(path.name) + 1 : -1] if raw.name != path.name else None
    own = table_named(inner or path.stem) or table_named(path.stem)
    if not raw.header:
        return f"# {_said([raw.name])} is empty."
    if own is not None and all(c.name in map(plain, raw.header) for c in own.columns if c.required):
        return f"# {_said([raw.name])} is by the contract already; it needs no mapping."
    matches = _tables_of(raw, own)
    if not matches:
        return f"# {_said([raw.name])}: no table of the contract is recognised in its columns: {_said(raw.header)}."
    lines = ["[[sheet]]", f"file = {_quoted(path.name)}"]
    if inner is not None:
        lines.append(f"sheet = {_quoted(inner)}")
    if header_row is not None:
        lines.append(f"header_row = {header_row}")
    cells = _cells(raw)
    lines += _fill_down(raw, matches)
    used = {header for match in matches for header in match.headers.values()}
    lines += _writing(matches, cells)
    for match in matches:
        lines += ["", "[[sheet.table]]", f"name = {_quoted(match.table.name)}"]
        key = [match.headers[c] for c in match.table.key if c in match.headers and match.table.column(c).required]
        if len(matches) > 1 and key:
            lines.append(f"where_filled = [{', '.join(map(_quoted, key))}]")
        lines.append("[sheet.table.columns]")
        lines += [line for name, header in match.headers.items() for line in _column(name, header)]
        missing = [c.name for c in match.table.columns if c.required and c.name not in match.headers]
        lines += [f"# {name} = ?   (needed; which column is it? or {{ constant = ... }})" for name in missing]
        lines += _words(match, cells)
    left = [h for h in raw.header if h and h not in used]
    if left:
        lines += ["", f"# kept as notes, because they match no column: {_said(left)}"]
    return "\n".join(lines)


def _cells(raw: RawSheet) -> dict[str, list[str]]:
    return {
        header: [row[i].strip(BLANKS) for row in raw.rows[:5_000] if i < len(row) and row[i].strip(BLANKS)]
        for i, header in enumerate(raw.header)
        if header
    }


def _tables_of(raw: RawSheet, own: Table | None) -> list[_Match]:
    """The table a sheet is most like; or teardowns and findings together, where a sheet has the columns of both."""
    if own is not None:
        return [_match(own, raw.header)]
    found = {t.name: _match(t, raw.header) for t in TABLES}
    flat = [found["teardowns"], found["findings"]]
    needed = {"job", "unit", "opened_on", "component"}
    if needed <= flat[0].headers.keys() | flat[1].headers.keys():
        return flat
    best = max(found.values(), key=lambda m: m.score)
    keys = [c.name for c in best.table.columns if c.required]
    if sum(k in best.headers for k in keys) < max(1, len(keys) - 1):
        return []
    return [best, *_beside(best, found)]


def _beside(best: _Match, found: dict[str, _Match]) -> list[_Match]:
    """The one other table, if there is one, whose key the sheet holds and which takes more of the columns left over."""
    used = set(best.headers.values())
    others = []
    for match in found.values():
        must = [c.name for c in match.table.columns if c.required]
        left = set(match.headers.values()) - used
        if match.table is not best.table and must == [best.table.key[0]] and must[0] in match.headers and left:
            others.append((len(left), match))
    return [max(others, key=lambda pair: pair[0])[1]] if others else []


def _fill_down(raw: RawSheet, matches: list[_Match]) -> list[str]:
    """Columns that are written on a job's first line only, where its findings follow below."""
    if [m.table.name for m in matches] != ["teardowns", "findings"] or "component" not in matches[1].headers:
        return []
    at = {header: i for i, header in enumerate(raw.header)}
    component = at[matches[1].headers["component"]]
    below = [row for row in raw.rows if component < len(row) and row[component].strip(BLANKS)]
    down = []
    for header in dict.fromkeys([*matches[0].headers.values()]):
        i = at[header]
        if sum(i >= len(row) or not row[i].strip(BLANKS) for row in below) * 10 > len(below):
            down.append(header)
    job = matches[0].headers.get("job")
    if job not in down:
        return []
    return [f"fill_down = [{', '.join(map(_quoted, down))}]   # empty below a job's first line: as above"]


def _match(table: Table, header: list[str]) -> _Match:
    pairs = sorted(
        ((_likeness(column, head), column.name, head) for column in table.columns for head in header if head),
        key=lambda pair: -pair[0],
    )
    chosen: dict[str, str] = {}
    total = 0.0
    for likeness, name, head in pairs:
        if likeness >= _ENOUGH and name not in chosen and head not in chosen.values():
            chosen[name] = head
            total += likeness * (2.0 if table.column(name).required else 1.0)
    ordered = {c.name: chosen[c.name] for c in table.columns if c.name in chosen}
    return _Match(table, ordered, total / (len(table.columns) + 2) if ordered else 0.0)


def _likeness(column: Column, header: str) -> float:
    """1 for the contract's own name, near it for a known writing of it, else how alike the letters are."""
    name = re.sub(r"[^a-z0-9?#/ ]+", " ", _UNITS.sub("", header).replace("_", " ").casefold()).strip()
    if plain(header) == column.name or name == column.name.replace("_", " "):
        return 1.0
    known = _HEADERS.get(column.name, ())
    bare = re.sub(r"\s*#$|^#\s*", "", name)
    if name in known or bare in known:
        return 0.98 - 0.01 * known.index(name if name in known else bare)
    words = name.split()
    if any(len(other) > 2 and other not in _LOOSE and _within(other.split(), words) for other in known):
        return 0.84
    return 0.9 * max(SequenceMatcher(None, name, other).ratio() for other in (column.name.replace("_", " "), *known))


def _within(some: list[str], words: list[str]) -> bool:
    """Whether words stand in a row within others."""
    return any(words[i : i + len(some)] == some for i in range(len(words) - len(some) + 1))


def _writing(matches: list[_Match], cells: dict[str, list[str]]) -> list[str]:
    """How dates and numbers are written, where that is not the contract's way."""
    dates: Counter[str] = Counter()
    seen = 0
    numbers: list[str] = []
    for match in matches:
        for name, header in match.headers.items():
            kind = match.table.column(name).kind
            if kind == "date":
                seen += len(cells[header])
                for form in _DATES:
                    dates[form] += sum(_is_date(cell, form) for cell in cells[header])
            elif kind == "number":
                numbers += cells[header]
    lines = []
    most = dates.most_common(1)
    if most and most[0][1] and most[0][0] != "%Y-%m-%d":
        alike = [form for form, count in dates.items() if count == most[0][1]]
        doubt = f"   # or {_quoted(alike[1])}? every date fits both" if len(alike) > 1 else ""
        lines.append(f"dates = {_quoted(alike[0])}{doubt}")
        if most[0][1] < seen:
            lines.append(f"# {seen - most[0][1]} of {seen} dates are written otherwise and would be rejected")
    commas = sum(
        bool(re.fullmatch(r"[+-]?[\d.' ]*\d,\d+", n)) and not re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+", n) for n in numbers
    )
    grouped = {
        sign: sum(bool(re.fullmatch(rf"[+-]?\d{{1,3}}({re.escape(sign)}\d{{3}})+([.,]\d+)?", n)) for n in numbers)
        for sign in ".,' "
    }
    if commas:
        lines.append('decimal = ","')
        grouped[","] = 0
    sign, times = max(grouped.items(), key=lambda pair: pair[1])
    if times and (sign != "." or commas):
        lines.append(f"thousands = {_quoted(sign)}")
    elif times and sign == ".":
        lines.append(f'# thousands = "."   ({times} numbers like 12.345 may be whole thousands: look)')
    return lines


def _is_date(cell: str, form: str) -> bool:
    try:
        datetime.strptime(cell, form)
    except ValueError:
        return False
    return True


def _column(name: str, header: str) -> list[str]:
    unit = _UNITS.search(header)
    if unit and is_distance(name):
        return [f'{name} = {{ column = {_quoted(header)}, unit = "{unit.group(1)}" }}']
    if unit and name == "reading":
        how = f'{name} = {{ column = {_quoted(header)}, unit = "{unit.group(1)}", to = "..." }}'
        return [
            f"{name} = {_quoted(header)}",
            f"# where the points' reading_unit is another than {unit.group(1)}: {how}",
        ]
    return [f"{name} = {_quoted(header)}"]


def _words(match: _Match, cells: dict[str, list[str]]) -> list[str]:
    lines: list[str] = []
    for name, header in match.headers.items():
        words = match.table.column(name).words
        pairs = []
        unknown = []
        for theirs in sorted({cell.casefold() for cell in cells[header]}):
            if theirs in words or not words:
                continue
            ours = next((w for w in words if theirs in _WORDS.get(w, ()) or theirs == w.replace("_", " ")), None)
            if ours:
                pairs.append(f"{_quoted(theirs)} = {_quoted(ours)}")
            else:
                unknown.append(theirs)
        if pairs:
            lines.append(f"{name} = {{ {', '.join(pairs)} }}")
        if unknown:
            lines.append(f"# {name}: what do these mean ({', '.join(words)})? {_said(unknown[:8])}")
    return ["[sheet.table.words]", *lines] if lines else []


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + re.sub(r"[\x00-\x1f\x7f]", lambda m: f"\\u{ord(m.group()):04x}", escaped) + '"'
