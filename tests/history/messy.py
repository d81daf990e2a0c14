"""Random fleets as sheets of many hands, with a list of every planted fault and what must become of it.

    python -m tests.history.messy 20        # the figures over 20 seeds

`messy_fleet(seed)` is a sound fleet whose rows were spoiled in some sixty ways, several hundred times, and written into
files of changing shape (encodings, delimiters, line ends, titles, workbooks). What a planted row must be rejected for
is worked out here from the plant and the contract alone (`README.md`), never from what the load says.
"""

from __future__ import annotations

import csv
import io
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

import openpyxl
import pandas as pd

from rebuildstats.history import store
from rebuildstats.history.load import load_files

Row = dict[str, str]
Place = tuple[str, int]  # table, index of the line in it
START, END = date(2021, 1, 4), date(2024, 12, 30)
FAMILIES = ("axle", "gearbox")
DESIGN = (("bearing", 2), ("seal", 1), ("gear", 1), ("ring", 3), ("shaft", 1))
# Which columns lead to which table's key.
LEADS = {
    "odometers": [("vehicle", "vehicles")],
    "fitments": [("unit", "units"), ("vehicle", "vehicles")],
    "part_uses": [("part", "parts")],
    "stock": [("part", "parts")],
    "orders": [("part", "parts")],
    "teardowns": [("unit", "units")],
    "findings": [("job", "teardowns")],
    "issued_parts": [("job", "teardowns"), ("part", "parts")],
}
KEYS = {"vehicles": "vehicle", "units": "unit", "parts": "part", "teardowns": "job"}


@dataclass
class Messy:
    """A fleet as lines per table. lines: rows, or the raw cells of a line that is no row; reasons: what a planted line
    must be rejected for, one of those with | between ('blank', 'same' for those that must be counted so). held: good
    rows that hang on a spoiled one. orphans: good rows whose parent lost its very key, so that nobody can say which it
    was: an unknown reference.
    """

    lines: dict[str, list[Row | list[str]]]
    reasons: dict[Place, str] = field(default_factory=dict)
    held: set[Place] = field(default_factory=set)
    orphans: set[Place] = field(default_factory=set)
    lost: set[tuple[str, str]] = field(default_factory=set)  # table, key: spoiled in the key itself
    twins: set[Place] = field(default_factory=set)  # said twice: which of the two is told does not matter
    written: dict[Place, tuple[str, int]] = field(default_factory=dict)  # -> file, line


def sound_fleet(chance: random.Random, units: int = 36) -> dict[str, list[Row]]:
    """A fleet without a fault and without a gap."""
    vehicles = [f"V{i:03}" for i in range(units)]
    names = [f"{'AG'[i % 2]}{i:04}" for i in range(units)]
    family = {name: FAMILIES[i % 2] for i, name in enumerate(names)}
    parts = {(f, c): f"{k * 5 + i:05}" for k, f in enumerate(FAMILIES) for i, (c, _) in enumerate(DESIGN)}
    fleet: dict[str, list[Row]] = {
        "vehicles": [{"vehicle": v, "site": "Nord", "duty": "city", "in_service_on": "2020-01-01"} for v in vehicles],
        "units": [
            {"unit": u, "family": family[u], "origin": "new", "first_seen_on": str(START), "first_seen_mileage": "0"}
            for u in names
        ],
        "components": [
            {"family": f, "component": c, "positions": str(n), "renewal": "always" if c == "seal" else ""}
            for f in FAMILIES
            for c, n in DESIGN
        ],
        "points": [
            {"family": f, "point": f"{c} play", "component": c, "method": "gauge", "as_new": "0.1", "high_limit": "0.5"}
            for f in FAMILIES
            for c, _ in DESIGN
        ],
        "parts": [
            {"part": p, "name": f"{c} für {f}", "unit_cost": "12.5", "pack_size": "1", "lead_time_days": "14"}
            for (f, c), p in parts.items()
        ],
        "part_uses": [{"family": f, "component": c, "part": p, "quantity": "1"} for (f, c), p in parts.items()],
        "stock": [{"part": p, "site": "Nord", "counted_on": str(END), "on_hand": "3"} for p in parts.values()],
        "orders": [],
        "odometers": [],
        "fitments": [
            {"unit": u, "vehicle": v, "fitted_on": str(START), "fitted_odometer": "0"}
            for u, v in zip(names, vehicles, strict=True)
        ],
        "teardowns": [],
        "findings": [],
        "issued_parts": [],
    }
    for p in parts.values():
        for k in range(4):
            on = START + timedelta(days=chance.randint(0, 1200))
            fleet["orders"].append(
                {"order": f"B{p}-{k}", "part": p, "ordered_on": str(on), "quantity": "5"}
                | {"received_on": str(on + timedelta(days=chance.randint(5, 30))), "received_quantity": "5"}
            )
    for vehicle in vehicles:
        reading, day = 0, START
        while day <= END:
            fleet["odometers"].append({"vehicle": vehicle, "read_on": str(day), "odometer": str(reading), "meter": ""})
            days = chance.randint(25, 35)
            reading += days * chance.randint(100, 220)
            day += timedelta(days=days)
    for unit in names:
        _jobs(chance, fleet, unit, family[unit], parts)
    return fleet


def _jobs(
    chance: random.Random, fleet: dict[str, list[Row]], unit: str, family: str, parts: dict[tuple[str, str], str]
) -> None:
    mileage, day = 0, START
    for _ in range(chance.randint(5, 9)):
        days = chance.randint(60, 140)
        mileage += days * chance.randint(100, 220)
        day += timedelta(days=days)
        job = f"J{len(fleet['teardowns']):05}"
        rows: list[Row] = []
        issued: Counter[str] = Counter()
        for component, positions in DESIGN:
            for position in range(1, positions + 1):
                bad = chance.random() < 0.3
                new = bad or component == "seal"
                part = parts[family, component]
                issued[part] += new
                reading = chance.uniform(0.51, 0.8) if bad else chance.uniform(0.12, 0.45)
                rows.append(
                    {"job": job, "component": component, "point": f"{component} play", "position": str(position)}
                    | {"reading": f"{reading:.3f}", "verdict": "fail" if bad else chance.choice(["ok", "OK", " ok "])}
                    | {"action": "replace" if new else "reuse", "role": "cause" if bad else "", "part": part * new}
                    | {"condition": "geräuschlos" if not bad else "Riß, außen"}
                )
        cause = any(row["role"] for row in rows)
        fleet["teardowns"].append(
            {"job": job, "unit": unit, "opened_on": str(day), "unit_mileage": str(mileage)}
            | {"reason": "failure" if cause else "scheduled", "complaint": "macht Geräusche" if cause else ""}
            | {"closed_on": str(day + timedelta(days=2)), "labour_hours": "6.5", "outside_cost": "0"}
        )
        fleet["findings"] += rows
        for n, (part, quantity) in enumerate((p, q) for p, q in issued.items() if q):
            fleet["issued_parts"].append(
                {"issued_on": str(day), "part": part, "quantity": str(quantity), "job": job, "slip": f"S{job}-{n}"}
            )


def _set(column: str, *values: str) -> Callable[[random.Random, Row], None]:
    return lambda chance, row: row.update({column: chance.choice(values)})


def _change(column: str, by: Callable[[str], str]) -> Callable[[random.Random, Row], None]:
    return lambda _, row: row.update({column: by(row[column])})


def _shifted(_: random.Random, row: Row) -> None:
    """Every cell one column to the right, the last one lost."""
    values = ["", *row.values()][: len(row)]
    row.update(dict(zip(row, values, strict=True)))


def _day_first(iso: str) -> str:
    year, month, day = iso.split("-")
    return f"{day}.{month}.{year}"


# What is done to a row, how often per fleet, and the reason it must be rejected for.
SPOILS: list[tuple[str, Callable[[random.Random, Row], None], str, int]] = [
    ("findings", _change("reading", lambda v: v.replace(".", ",")), "not_a_number", 12),
    ("findings", _set("reading", "ca. 0.3", "0.3 mm", "n/a", "-", "0.2.5", "O.25", "l.5"), "not_a_number", 14),
    ("findings", _set("reading", "#REF!", "nan", "inf", "1e999", "0x1F", "1_000"), "not_a_number", 8),
    ("findings", _set("verdict", "gone", "good", "k.o.", "0K", "not checked", "?"), "not_a_word", 14),
    ("findings", _set("action", "replaced", "renewed", "exchange", "yes"), "not_a_word", 8),
    ("findings", _set("role", "primary", "x"), "not_a_word", 5),
    ("findings", _set("component", "flange", "Bearing", "sea1", "bearing 2"), "unknown_reference", 10),
    ("findings", _set("point", "flange play", "Seal play", "seal  play", "play"), "unknown_reference", 10),
    ("findings", _change("job", lambda v: v.replace("J0", "JO")), "unknown_reference", 8),
    ("findings", _change("job", lambda v: v.lower()), "unknown_reference", 5),
    ("findings", _change("job", lambda v: v.replace("J0", "J9")), "unknown_reference", 6),
    ("findings", _set("job", "", "  ", "\u00a0"), "missing_value", 8),
    ("findings", _set("position", "4", "9", "99"), "position_beyond|repeated_key", 8),
    ("findings", _set("position", "left", "1.5", "one", "1/2"), "not_a_whole_number", 8),
    ("findings", _set("position", "0", "-1"), "below_one", 5),
    ("odometers", _set("odometer", "1", "12"), "odometer_falls", 4),
    ("odometers", _change("odometer", lambda v: v + "0"), "odometer_falls", 4),
    ("odometers", _set("odometer", "-500", "-1"), "negative", 5),
    ("odometers", _set("odometer", "12.345,6", "120,000", "12 000", "about 9000"), "not_a_number", 8),
    ("odometers", _set("odometer", ""), "missing_value", 5),
    ("odometers", _set("read_on", "2022-13-01", "2023-02-29", "2022-04-31", "2022-00-10"), "not_a_date", 8),
    ("odometers", _change("read_on", _day_first), "not_a_date", 6),
    ("odometers", _set("read_on", "44927", "Jan 2023", "2023", "2023-1-5", "23-01-05"), "not_a_date", 8),
    ("odometers", _set("read_on", "2124-03-01", "2099-12-31"), "in_the_future", 6),
    ("odometers", _change("vehicle", lambda v: v.replace("0", "O", 1)), "unknown_reference", 6),
    ("odometers", _change("vehicle", lambda v: v.replace("V0", "V9")), "unknown_reference", 5),
    ("odometers", _set("meter", "first", "0", "1.5"), "not_a_whole_number|below_one", 6),
    ("issued_parts", _change("part", lambda v: v.lstrip("0") or "0"), "unknown_reference", 6),
    ("issued_parts", _set("part", "99999", "seal kit"), "unknown_reference", 6),
    ("issued_parts", _set("job", "J99998", "none"), "unknown_reference", 5),
    ("issued_parts", _set("issued_on", "2031-01-01"), "in_the_future", 4),
    ("issued_parts", _set("issued_on", "03/04/2024", "4/3/24", "31.12.23"), "not_a_date", 6),
    ("issued_parts", _set("issued_on", ""), "missing_value", 4),
    ("issued_parts", _set("quantity", ""), "missing_value", 4),
    ("issued_parts", _set("quantity", "-2", "-0.5"), "negative", 6),
    ("issued_parts", _set("quantity", "two", "2 pcs", "2,5", "1.000,0"), "not_a_number", 8),
    ("teardowns", _set("opened_on", "01/02/2022", "2022/02/01", "yesterday", "2022-02-30"), "not_a_date", 6),
    ("teardowns", _set("opened_on", "2031-05-05"), "in_the_future", 3),
    ("teardowns", _set("opened_on", ""), "missing_value", 3),
    ("teardowns", _set("job", ""), "missing_value", 3),
    ("teardowns", _change("unit", lambda v: v.replace("0", "O", 1)), "unknown_reference", 4),
    ("teardowns", _change("unit", lambda v: v.lower()), "unknown_reference", 3),
    ("teardowns", _set("unit", "A 9999"), "unknown_reference", 3),
    ("teardowns", _set("reason", "because", "failed", "service"), "not_a_word", 4),
    ("teardowns", _set("labour_hours", "6:30", "6h", "-2"), "not_a_number|negative", 5),
    ("teardowns", _change("unit_mileage", lambda v: v + "0"), "mileage_falls", 3),
    ("teardowns", _set("unit_mileage", "7"), "mileage_falls", 3),
    ("teardowns", _shifted, "not_a_date", 3),
    ("parts", _set("unit_cost", "free", "12,50", "€12"), "not_a_number", 1),
    ("parts", _set("pack_size", "-1"), "negative", 1),
    ("stock", _set("on_hand", "-1", "few"), "negative|not_a_number", 1),
    ("stock", _set("counted_on", "2030-01-01"), "in_the_future", 1),
    ("orders", _set("quantity", "-5"), "negative", 2),
    ("orders", _set("received_on", "not yet", "2024-9-1"), "not_a_date", 2),
    ("units", _set("family", ""), "missing_value", 1),
    ("units", _set("origin", "second hand"), "not_a_word", 1),
    ("vehicles", _set("in_service_on", "2019"), "not_a_date", 1),
    ("fitments", _set("fitted_odometer", "-3"), "negative", 1),
]
_SERIES = {"odometers": "vehicle", "teardowns": "unit"}
_PARENTS_FIRST = ("units", "vehicles", "parts", "teardowns")


def messy_fleet(seed: int) -> Messy:
    """A sound fleet, spoiled."""
    chance = random.Random(seed)
    fleet = sound_fleet(chance)
    messy = Messy({table: list(rows) for table, rows in fleet.items()})
    spoiled: dict[str, set[str]] = {table: set() for table in KEYS}  # keys that do not go in
    hit: dict[str, set[str]] = {table: set() for table in _SERIES}
    order = {table: i for i, table in enumerate(_PARENTS_FIRST)}
    for table, spoil, reason, times in sorted(SPOILS, key=lambda s: order.get(s[0], 9)):
        for _ in range(times):
            _plant(chance, messy, table, spoil, reason, spoiled, hit)
    _say_twice(chance, messy, spoiled, hit)
    _hold(messy, spoiled)
    _lines_that_are_no_rows(chance, messy)
    return messy


def _plant(
    chance: random.Random,
    messy: Messy,
    table: str,
    spoil: Callable[[random.Random, Row], None],
    reason: str,
    spoiled: dict[str, set[str]],
    hit: dict[str, set[str]],
) -> None:
    rows = messy.lines[table]
    falls = reason.endswith("_falls")
    for _ in range(200):
        i = chance.randrange(2, len(rows) - 2)
        row = rows[i]
        assert isinstance(row, dict)
        hangs = any(row.get(column) in spoiled[target] for column, target in LEADS.get(table, []))
        if (table, i) in messy.reasons or hangs:
            continue
        series = _SERIES.get(table)
        if series is not None:
            # One fault a series where it could fall: with two, which rows are the fewest would be the rule's matter.
            alone = all(
                isinstance(r := rows[j], dict) and r[series] == row[series] for j in (i - 2, i - 1, i + 1, i + 2)
            )
            touched = {r[series] for t, k in messy.reasons if t == table and isinstance(r := rows[k], dict)}
            if row[series] in hit[table] or (falls and (not alone or row[series] in touched)):
                continue
        before = dict(row)
        spoil(chance, row)
        if row == before:
            continue
        messy.reasons[table, i] = reason
        if series is not None and falls:
            hit[table].add(before[series])
        if table in KEYS:
            key = before[KEYS[table]]
            spoiled[table].add(key)
            if row[KEYS[table]] != key:
                messy.lost.add((table, key))
        return
    raise AssertionError(f"no free row of {table} for {reason}")


def _say_twice(chance: random.Random, messy: Messy, spoiled: dict[str, set[str]], hit: dict[str, set[str]]) -> None:
    """Equal rows said twice count once; unequal rows of one key are all rejected."""
    for table, column, values in (
        ("teardowns", "complaint", ("smell", "heat")),
        ("findings", "condition", ("pitted", "blue")),
        ("odometers", "odometer", ("50", "51")),
    ):
        rows = messy.lines[table]
        free = [
            i
            for i, row in enumerate(rows)
            if isinstance(row, dict)
            and (table, i) not in messy.reasons
            and not any(row.get(c) in spoiled[t] for c, t in LEADS[table])
            and row.get(_SERIES.get(table, "")) not in hit.get(table, ())
        ]
        equal, unequal = chance.sample(free, 4), []
        for i in equal:
            row = rows[i]
            assert isinstance(row, dict)
            rows.append(dict(row))
            messy.reasons[table, len(rows) - 1] = "same"
            messy.twins.add((table, i))
        unequal = [i for i in chance.sample(free, 8) if i not in equal][:3]
        for i in unequal:
            row = rows[i]
            assert isinstance(row, dict)
            other = next(value for value in values if value != row[column])
            rows.append(row | {column: other})
            messy.reasons[table, i] = messy.reasons[table, len(rows) - 1] = "repeated_key"
            if table in KEYS:
                spoiled[table].add(row[KEYS[table]])


def _hold(messy: Messy, spoiled: dict[str, set[str]]) -> None:
    """Rows that hang on a row which does not go in are held, and so on down."""
    for table in ("fitments", "odometers", "part_uses", "stock", "orders", "teardowns", "findings", "issued_parts"):
        for i, row in enumerate(messy.lines[table]):
            assert isinstance(row, dict)
            hangs = any(row.get(column) in spoiled[target] for column, target in LEADS[table])
            if hangs and any((target, row.get(column)) in messy.lost for column, target in LEADS[table]):
                messy.orphans.add((table, i))
            elif hangs:
                messy.held.add((table, i))
            if hangs and (table, i) in messy.reasons:
                messy.reasons[table, i] += "|waits_for"  # planted before its parent was: both are true of it
            if hangs and table in KEYS:
                spoiled[table].add(row[KEYS[table]])


def _lines_that_are_no_rows(chance: random.Random, messy: Messy) -> None:
    """Blank lines, headers again, totals, footers, rows cut short and rows with a cell too many."""
    for table, rows in messy.lines.items():
        if len(rows) < 50:
            continue
        header = list(next(row for row in rows if isinstance(row, dict)))
        width = len(header)
        total = ["Total", *[""] * (width - 2), "123"]
        below = ["", "Totals:", *[""] * (width - 3), "99"]
        for cells, reason in (
            ([""] * width, "blank"),
            ([" ", *[""] * (width - 1)], "blank"),
            (header, "repeated_header"),
            ([h.upper() for h in header], "repeated_header"),
            (total, "total_row"),
            (below, "total_row"),
            (["page 2 of 7"], "wrong_number_of_cells"),
            (["x"] * (width - 1), "wrong_number_of_cells"),
            (["x"] * (width + 1), "wrong_number_of_cells"),
        ):
            rows.append(cells)
            messy.reasons[table, len(rows) - 1] = reason


def write(messy: Messy, folder: Path, seed: int) -> list[Path]:
    """Every table as a file of its own shape; notes in `messy.written` where each line stands."""
    chance = random.Random(seed * 1000 + 7)
    files = []
    for table, lines in messy.lines.items():
        header = list(dict.fromkeys(name for line in lines if isinstance(line, dict) for name in line))
        order = list(range(len(lines)))
        if table not in _SERIES:
            chance.shuffle(order)
        cells = [(i, _cells(lines[i], header)) for i in order]
        if chance.random() < 0.2:
            files.append(_workbook(messy, folder / f"{table}.xlsx", table, header, cells))
        else:
            files.append(_text(chance, messy, folder / f"{table}.csv", table, header, cells))
    return files


def _cells(line: Row | list[str], header: list[str]) -> list[str]:
    return [line.get(name, "") for name in header] if isinstance(line, dict) else line


def _workbook(messy: Messy, file: Path, table: str, header: list[str], cells: list[tuple[int, list[str]]]) -> Path:
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet(table)
    sheet.append(header)
    for line, (i, values) in enumerate(cells, 2):
        # A sheet has no rows cut short: what is over stands in a column without a header.
        sheet.append([value or None for value in values])
        messy.written[table, i] = (f"{file.name}[{table}]", line)
        if messy.reasons.get((table, i)) == "wrong_number_of_cells" and len(values) < len(header):
            messy.reasons[table, i] = "missing_value|not_a_date|not_a_number|not_a_whole_number|unknown_reference"
    book.save(file)
    return file


def _text(
    chance: random.Random, messy: Messy, file: Path, table: str, header: list[str], cells: list[tuple[int, list[str]]]
) -> Path:
    delimiter, ending = chance.choice(",;\t"), chance.choice(["\n", "\r\n"])
    encoding = chance.choice(["utf-8", "utf-8-sig", "utf-16", "cp1252", "mixed"])
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=delimiter, lineterminator=ending)
    top = chance.choice(["", "", f"sep={delimiter}{ending}", f"Werkstatt Nord{ending}{ending}"])
    writer.writerow(header)
    line = 2 + top.count("\n")
    for i, values in cells:
        writer.writerow(values)
        messy.written[table, i] = (file.name, line)
        line += 1 + sum(value.count("\n") for value in values)
    text = top + out.getvalue()
    if encoding == "mixed":
        pieces = text.split("\n")
        file.write_bytes(b"\n".join(p.encode(chance.choice(["utf-8", "utf-8", "cp1252"])) for p in pieces))
    else:
        file.write_bytes(text.encode(encoding))
    return file


@dataclass(frozen=True)
class Outcome:
    """What became of one messy fleet. wrong: planted lines without their reason; good_rejected: sound lines told for
    anything; held_wrong: lines that should only wait and are told otherwise.
    """

    planted: int
    kinds: int
    read: int
    wrong: list[Place]
    good_rejected: list[Place]
    held: int
    held_wrong: list[Place]


def outcome(messy: Messy, rejects: pd.DataFrame, read: int) -> Outcome:
    """Compare the rejects of a load with what was planted."""
    found: dict[tuple[str, int], set[str]] = {}
    for file, line, reason in rejects[["file", "line", "reason"]].itertuples(index=False):
        found.setdefault((file, int(line)), set()).add(reason)
    where = {place: messy.written[place] for table in messy.lines for place in _places(messy, table)}
    planted = {p: r for p, r in messy.reasons.items() if not r.startswith(("blank", "same"))}
    sound = [p for p in where if p not in planted and p not in messy.held and p not in messy.orphans]
    waits = [p for p in messy.held - messy.twins if p not in messy.reasons]
    orphans = [p for p in messy.orphans - messy.twins if p not in messy.reasons]
    return Outcome(
        planted=len(planted),
        kinds=len(set(planted.values())),
        read=read,
        wrong=[p for p, reason in planted.items() if not found.get(where[p], set()) & set(reason.split("|"))],
        good_rejected=[p for p in sound if where[p] in found],
        held=len(waits),
        held_wrong=[p for p in waits if found.get(where[p]) != {"waits_for"}]
        + [p for p in orphans if not found.get(where[p], set()) & {"unknown_reference", "waits_for"}],
    )


def _places(messy: Messy, table: str) -> list[Place]:
    return [(table, i) for i in range(len(messy.lines[table]))]


def main(seeds: int) -> None:
    """Load `seeds` messy fleets and print what became of the plants."""
    lines = planted = wrong = good = 0
    for seed in range(1, seeds + 1):
        with tempfile.TemporaryDirectory() as folder:
            path, sheets = Path(folder) / "s.duckdb", Path(folder) / "sheets"
            sheets.mkdir()
            messy = messy_fleet(seed)
            write(messy, sheets, seed)
            store.create(path, "mi")
            report = load_files(path, [sheets])
        counts = report.frame()
        parts = counts[["new", "changed", "same", "rejected", "held", "blank"]].sum(axis=1)
        if not (counts["read"] == parts).all():
            raise AssertionError(f"seed {seed}: rows unaccounted for\n{counts}")
        done = outcome(messy, report.rejects, int(counts["read"].sum()))
        lines, planted = lines + done.read, planted + done.planted
        wrong, good = wrong + len(done.wrong), good + len(done.good_rejected) + len(done.held_wrong)
        print(
            f"seed {seed}: {done.read} rows read, {done.planted} planted, {len(done.wrong)} not found, "
            f"{done.held} held, {len(done.good_rejected)} good rows rejected, {len(done.held_wrong)} held wrongly",
            flush=True,
        )
    share = (planted - wrong) / planted
    print(f"{lines} rows, {planted} planted, {planted - wrong} found ({share:.2%}), {good} good rows wronged")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
