"""Files in: sheets -> text rows -> typed and checked rows -> merged into the store, in one transaction.

Order of the work: every file is read into memory first; the cells are checked there; only then is the store opened,
references and falling mileages are checked against what it holds, and rows go in. The tables are taken in the
contract's order, so that a row at fault is known before the rows that hang on it are looked at.

What becomes of a row is one of six: new, changed, same, rejected, held, blank; their sum is what was read, always. A
row held since an earlier load that goes in now is counted as read (and new) once more, now that it is; one that goes
on waiting is counted nowhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd

from rebuildstats.history import falling, read, store, tables
from rebuildstats.history import mapping as mappings
from rebuildstats.history.contract import TABLE_BY_NAME, TABLES, Table
from rebuildstats.history.staging import COUNTS, Staging
from rebuildstats.history.statements import listed, literal, quoted, statement

_KIND_RULES = {
    "number": "not_a_number",
    "whole": "not_a_whole_number",
    "date": "not_a_date",
    "word": "not_a_word",
    "flag": "not_true_or_false",
}
_SHEET_FAULTS = (
    "wrong_number_of_cells",
    "open_quote",
    "zero_byte",
    "formula_without_value",
    "formula_error",
    "not_as_mapped",
)
_SERIES = {"teardowns": ("mileage_falls", "unit_mileage"), "odometers": ("odometer_falls", "odometer")}


@dataclass(frozen=True, slots=True)
class LoadReport:
    """What a load did.

    counts: one row per table read, columns table, read, new, changed, same, rejected, held, blank (read is the sum of
    the others). rejects: one row per fault, columns table, file, line, column, value, reason, row (the whole row as
    JSON), waits_for, looks_like (the known name that an unknown one looks like). notices: sentences for a person:
    columns kept as notes, files passed over, rows that went in
    after waiting. load: the number of the load in the store; None for a dry run, and where nothing was to be changed.
    """

    counts: pd.DataFrame
    rejects: pd.DataFrame
    notices: list[str] = field(default_factory=list)
    load: int | None = None

    def frame(self) -> pd.DataFrame:
        """The counts per table, columns as the contract of `load` names them."""
        return self.counts

    @property
    def complete(self) -> bool:
        """Whether every row went in: none rejected, none held."""
        return int(self.counts["rejected"].sum()) + int(self.counts["held"].sum()) == 0


def load_files(
    store_path: str | Path,
    paths: Sequence[str | Path],
    *,
    mapping: str | Path | None = None,
    dry_run: bool = False,
    who: str | None = None,
    now: datetime | None = None,
) -> LoadReport:
    """Load files and folders into the store in one transaction.

    mapping: a TOML file that says how the shop's own sheets are to be read (`mapping.py`). dry_run: do all the work
    and undo it. who: the name in the book of loads, by default the machine's user. now: the moment of the load (for
    the check of dates in the future); today by default. Raises InputError for what cannot be read at all, StoreError
    as `store.writing`; single rows never raise, they are reported.
    """
    files, notices = read.find_files(paths)
    with store.reading(store_path) as opened:  # before the work of reading: is it a store at all?
        distance = store.settings(opened).distance
    mapped = mappings.read_mapping(mapping, distance) if mapping is not None else ()
    with store.memory() as con, store.interruptible(con):
        work = Load(con, now, who)
        own = Path(mapping).name if mapping is not None else None
        work.notices += [notice for notice in notices if not notice.startswith(f"{own}: ")]
        for path, named in files:
            if any(sheet.names_file(path.name) for sheet in mapped):
                work.stage(mappings.sheets_of(path, mapped, work.notices))
            else:
                work.stage(read.sheets_of(path, named, work.notices))
        return work.into(store_path, kind="load", what=", ".join(str(p) for p in paths), dry_run=dry_run)


class Load(Staging):
    """One load under way: what was staged is typed, checked and merged."""

    def into(
        self, store_path: str | Path, *, kind: str, what: str, dry_run: bool = False, whole: bool = False
    ) -> LoadReport:
        """Check what is staged and merge it into the store. whole: undo all where a row is rejected or held."""
        for table in TABLES:
            if table.name in self.staged_tables:
                self._type(table)
                self._check_cells(table)
            else:
                self.run("load/typed_none", typed=tables.typed(table), columns=tables.typed_columns(table))
        try:
            with store.attached(self.con, store_path):
                load = self._merge(kind, what)
                told = tables.text_frame(self.con.execute(statement("load/told")).df(), whole=("line",))
                if dry_run or (whole and not told.empty):
                    raise _DryRunError
        except _DryRunError:
            load = None
        return LoadReport(self.counts_frame(), told, self.notices, load)

    def _type(self, table: Table) -> None:
        filled = self.run(
            "load/typed",
            typed=tables.typed(table),
            stage=tables.stage(table),
            values=tables.typed_values(table),
            columns=listed([c.name for c in table.columns]),
        )[0][0]
        if table.name == "issued_parts":
            self.run("load/twins")
        self.counts[table.name]["blank"] = self.counts[table.name]["read"] - filled

    def _check_cells(self, table: Table) -> None:
        """Every rule that needs nothing but the row itself."""
        stage, typed = tables.stage(table), tables.typed(table)
        counts = {
            name: self.run("load/count", relation=relation, counts=tables.counts(table))[0]
            for name, relation in (("stage", stage), ("typed", typed))
        }
        rows = counts["typed"][0]
        if rows == 0:
            return
        for index, column in enumerate(table.columns, 1):
            names = {"column": quoted(column.name)}
            values = {"table": table.name, "column": column.name}
            was, now = counts["stage"][index], counts["typed"][index]
            rule = _KIND_RULES.get(column.kind)
            if rule and (was > now or (column.key and was)):
                self._rule(rule, values, stage=stage, typed=typed, **names)
            if (column.required or column.key) and column.default is None and now < rows:
                self._rule("missing_value", values, stage=stage, typed=typed, **names)
            if column.kind == "date" and not column.future and now:
                self._rule("in_the_future", values | {"today": self.today}, typed=typed, **names)
            if column.low is not None and now:
                self._rule("negative" if column.low == 0 else "below_one", values, stage=stage, typed=typed, **names)
        first = table.key[0]
        values = {"table": table.name, "column": first}
        self._rule("total_row", values, stage=stage, column=quoted(first), is_total=tables.is_total(table))
        self._rule("repeated_header", values, stage=stage, column=quoted(first), is_header=tables.is_header(table))
        if self.bad[table.name]:
            self.run("load/keep_only_reason", {"table": table.name})
        if self.run("load/how_many_faults", stage=stage)[0][0]:
            for rule in _SHEET_FAULTS:
                self._rule(rule, {"table": table.name}, stage=stage)

    def _rule(self, rule: str, values: dict[str, Any], /, *, of: str | None = None, **names: str) -> None:
        """Look for rows that break a rule. of: their table, where the rule's statement does not ask for it."""
        found = self.run(f"checks/{rule}", values | {"reason": rule}, **names)[0][0]
        self.bad[of or values["table"]] += int(found)

    def _remove_bad(self, table: Table) -> bool:
        """Take the rows at fault out of the good ones; whether there were any."""
        if not self.bad[table.name]:
            return False
        values = {"table": table.name}
        typed = tables.typed(table)
        before = self.run("load/how_many", relation=typed)[0][0]
        self.run(
            "load/key_of_bad", values, typed=typed, key_filled=tables.key_filled(table), key_text=tables.key_text(table)
        )
        self.run("load/remove_bad", values, typed=typed)
        return bool(self.run("load/how_many", relation=typed)[0][0] < before)

    def _merge(self, kind: str, what: str) -> int:
        self.run("load/await_stored")
        waiting = {name for (name,) in self.run("load/waiting_tables")}
        busy = [t for t in TABLES if t.name in self.staged_tables or t.name in waiting]
        joined = {kind for kind, *_ in self.run("joins/joined")}
        for table in TABLES:
            if table.name == "findings":
                self._check_vocabulary()
            if table not in busy:
                continue
            if table.name in waiting:
                self._add_waiting(table)
            self._remove_bad(table)
            self._read_joined(table, joined)
            self._check_repeats(table)
            self._leave_withdrawn(table)
            self._check_references(table)
            self._check_series(table)
            self._await_bad(table)
        if "teardowns" in self.staged_tables and self.replaces_job is None:
            self._tell_withdrawn()
        load = int(self.run("load/next_load")[0][0])
        if self.replaces_job is not None:
            values = {"load": load, "now": self.now, "who": self.person, "job": self.replaces_job}
            self.run("corrections/findings_gone", values)
            self.run("corrections/drop_findings_gone", {"job": self.replaces_job})
        for table in busy:
            self._put(table, load)
            self._report(table)
        self._keep_rejects(load, busy)
        self._note(load, kind, what)
        return load

    def _add_waiting(self, table: Table) -> None:
        """Rows held since earlier loads are tried again."""
        waiting = self.run("load/how_many_wait", {"table": table.name})[0][0]
        self.make_stage(table)
        # They were checked cell by cell when they were held, but the contract's words or today's date may have
        # changed since.
        self.run(
            "load/stage_waiting",
            {"first": self.rows, "table": table.name, "no_cells": tables.no_cells(table)},
            rows=tables.rows(table),
            cells=tables.cells_from_row(table),
        )
        self.rows += waiting
        blank = self.counts[table.name]["blank"]
        self.run("load/forget_bad", {"table": table.name})
        self.bad[table.name] = 0
        self._type(table)
        self.counts[table.name]["blank"] = blank
        self._check_cells(table)

    def _check_repeats(self, table: Table) -> None:
        typed, key = tables.typed(table), tables.key(table)
        if not self.run("load/repeated", typed=typed, key=listed(key))[0][0]:
            return
        self.run("load/overtaken", typed=typed, key=listed(key))
        self._rule(
            "repeated_key",
            {"table": table.name, "column": table.key[0]},
            typed=typed,
            key=listed(key),
            t_key=listed(key, "t"),
            key_text=tables.key_text(table),
            columns=listed([c.name for c in table.columns]),
        )
        self._remove_bad(table)
        same = self.run("load/same_in_load", typed=typed, key=listed(key))
        self.counts[table.name]["same"] += len(same)

    def _read_joined(self, table: Table, kinds: set[str]) -> None:
        """Names that a person joined to others are read as those; how they were written is noted."""
        typed = tables.typed(table)
        for kind in kinds:
            *uses, own = tables.NAMES[kind]
            if own[0] == table.name:
                columns = [c.name for c in table.columns]
                names = {"typed": typed, "column": quoted(own[1])}
                left = self.run(
                    "joins/known_by_another",
                    {"kind": kind},
                    table=quoted(table.name),
                    t_columns=listed(columns, "t"),
                    g_columns=listed(columns, "g"),
                    **names,
                )
                self.counts[table.name]["same"] += len(left)
                self._rule("joined_name", {"table": table.name, "column": own[1], "kind": kind}, **names)
                self._remove_bad(table)
            moved = 0
            for name, column in uses:
                if name == table.name:
                    names = {"typed": typed, "column": quoted(column), "written": literal(tables.written(column))}
                    moved += len(self.run("joins/translate", {"kind": kind}, **names))
            if moved:
                self.notices.append(
                    f"{table.name}: {moved:,} rows name a {kind} that is joined to another, read as that"
                )
                if table.name == "issued_parts":
                    self.run("load/twins")

    def _leave_withdrawn(self, table: Table) -> None:
        """Rows that a person withdrew and that come again unchanged are the same as what the store knows; they come
        back with their teardown, when that is back in a corrected form.
        """
        name = quoted(table.name)
        if self.replaces_job is not None or not self.run("corrections/any_withdrawn", table=name)[0][0]:
            return
        own = [c.name for c in table.columns]
        typed = tables.typed(table)
        left = self.run(
            "corrections/stays_withdrawn",
            typed=typed,
            table=name,
            of_no_job=str("job" not in own or table.name == "teardowns").lower(),
            equal=tables.equal_keys(table),
            equal_stored=tables.equal_keys(table, "s", "t"),
            equal_last=tables.equal_keys(table, "l", "t"),
            t_columns=listed(own, "t"),
            g_columns=listed(own, "g"),
        )
        if left:
            self.counts[table.name]["same"] += len(left)
            self.notices.append(f"{table.name}: {len(left):,} withdrawn rows came again and stay withdrawn")

    def _tell_withdrawn(self) -> None:
        """Say where a teardown is back and rows that were withdrawn with it are not."""
        for name in ("findings", "issued_parts"):
            table = TABLE_BY_NAME[name]
            left = self.run(
                "corrections/still_withdrawn",
                table=quoted(name),
                typed=tables.typed(table),
                equal=tables.equal_keys(table),
                equal_stored=tables.equal_keys(table, "k", "g"),
            )[0][0]
            if left:
                self.notices.append(
                    f"{name}: {left:,} rows were withdrawn with teardowns that are back now; "
                    "load them again if they hold"
                )

    def _check_references(self, table: Table) -> None:
        self._await_bad(table)
        self.run("load/no_missing")
        while True:
            missing = 0
            for reference in table.references:
                missing += self.run(
                    "load/find_missing",
                    {"table": table.name, "column": reference.columns[-1], "target": reference.target},
                    **tables.reference_names(table, reference),
                )[0][0]
            if table.name == "findings":
                self.run("load/family_of_findings")
                missing += self.run("load/find_missing_component")[0][0]
                missing += self.run("load/find_missing_point")[0][0]
                self._rule("position_beyond", {"table": table.name})
            if missing:
                self._look_for_alikes(table)
                self._rule("unknown_reference", {}, of=table.name)
                self._rule("waits_for", {}, of=table.name)
            if not self._remove_bad(table):
                return
            self._await_bad(table)
            self.run("load/no_missing")

    def _await_bad(self, table: Table) -> None:
        if self.bad[table.name]:
            self.run("load/await_bad", {"table": table.name}, stage=tables.stage(table))

    def _look_for_alikes(self, table: Table) -> None:
        """For names that lead nowhere, the known name that looks like each."""
        for column, target in self.run("load/missing_of", {"table": table.name}):
            there = TABLE_BY_NAME[target]
            self.run(
                "load/looks_like",
                {"table": table.name, "column": column, "target": target},
                target=quoted(target),
                target_typed=tables.typed(there),
                target_column=quoted(there.key[-1]),
            )

    def _check_vocabulary(self) -> None:
        """Rows that would take from stored findings the words they are written in do not go in; the findings stand."""
        told = self.run("load/units_of_points_changed") if "points" in self.staged_tables else []
        for family, point, before, now, readings in told:
            self.notices.append(
                f"points: {family} {point} is in {now} from now on; {readings:,} stored readings stay as they are: "
                f"convert them and load them again if they were taken in {before}"
            )
        changed = [TABLE_BY_NAME[n] for n in ("components", "units", "teardowns") if n in self.staged_tables]
        while changed and self.run("load/vocabulary_changed")[0][0]:
            for table in changed:
                values = {"replaced": self.replaces_job, "table": table.name}
                self._rule("stored_findings_stand_against", values)
            removed = [self._remove_bad(table) for table in changed]
            if True not in removed:
                return
            for table in changed:
                self._check_series(table)  # where a teardown was to move to another unit, its stored mileage stands
                self._await_bad(table)

    def _check_series(self, table: Table) -> None:
        if table.name not in _SERIES:
            return
        rule, column = _SERIES[table.name]
        # Once more after each rejection: of a stored row that was to change, the old value stands again then.
        while chosen := _falling(self.con.execute(statement(f"checks/{rule}")).df()):
            self.con.register("chosen", pd.DataFrame(chosen, columns=["_row", "value"]))
            values = {"table": table.name, "column": column, "reason": rule}
            self.bad[table.name] += self.run("load/take_falling", values)[0][0]
            self.con.unregister("chosen")
            self._remove_bad(table)

    def _put(self, table: Table, load: int) -> None:
        typed = tables.typed(table)
        rows = self.run("load/how_many", relation=typed)[0][0]
        if not rows:
            return
        count = self.counts[table.name]
        columns = listed(tables.kept_columns(table), "t")
        if not self.run("load/how_many", relation=quoted(table.name))[0][0]:
            count["new"] += rows
            self.run("load/put_first", {"load": load}, table=quoted(table.name), typed=typed, columns=columns)
        else:
            equal = tables.equal_keys(table)
            own = [c.name for c in table.columns]
            self.run(
                "load/verdict",
                typed=typed,
                table=quoted(table.name),
                equal=equal,
                t_columns=listed(own, "t"),
                g_columns=listed(own, "g"),
            )
            for outcome, rows in self.run("load/outcomes"):
                count[outcome] += rows
            if count["changed"]:
                names = {"table": quoted(table.name), "typed": typed, "equal": equal}
                self.run("load/to_past", {"load": load, "now": self.now, "who": self.person}, **names)
                self.run("load/drop_changed", **names)
            self.run("load/put", {"load": load}, table=quoted(table.name), typed=typed, columns=columns)
        went_in = self.run("load/how_many_waited", typed=typed)[0][0]
        if went_in:
            count["read"] += went_in
            self.seen(table)
            self.notices.append(
                f"{table.name}: {went_in:,} rows held since an earlier load went in now (counted as read)"
            )

    def _report(self, table: Table) -> None:
        if not self.bad[table.name]:
            return
        count = self.counts[table.name]
        self.run("load/report", {"table": table.name}, stage=tables.stage(table), cells=tables.cells_as_struct(table))
        count["rejected"], count["held"] = self.run("load/counted_bad", {"table": table.name})[0]
        late = self.run("load/late_rejects", {"table": table.name})[0][0]
        count["read"] += late  # rows that waited since an earlier load and are rejected for another reason now
        if late:
            self.seen(table)
        waiting = self.run("load/still_waiting", {"table": table.name}, stage=tables.stage(table))[0][0]
        if waiting:
            self.notices.append(f"{table.name}: {waiting:,} rows held since an earlier load go on waiting")

    def _keep_rejects(self, load: int, busy: list[Table]) -> None:
        if self.run("load/open_rejects")[0][0]:
            for table in busy:
                self.run(
                    "load/settle_gone_in",
                    {"load": load, "table": table.name},
                    typed=tables.typed(table),
                    key_text=tables.key_text(table),
                    key_as_written=tables.key_as_written(table),
                )
            self.run("load/settle_told_anew", {"load": load})
        self.run("load/keep_rejects", {"load": load})

    def _note(self, load: int, kind: str, what: str) -> None:
        self.run("load/note_load", {"load": load, "now": self.now, "who": self.person, "kind": kind, "what": what})
        if self.files:
            self.con.register("told_files", pd.DataFrame(self.files, columns=["_file", "rows_read"]))
            self.run("load/note_files", {"load": load})
            self.con.unregister("told_files")
        counts = self.counts_frame()
        if not counts.empty:
            self.con.register("counts", counts)
            self.run("load/note_counts", {"load": load})
            self.con.unregister("counts")


def _falling(given: pd.DataFrame) -> list[tuple[int, str]]:
    """The rows to reject, with their values, of series that fall: columns series, value, _row (missing: stored)."""
    return [
        (int(series["_row"].iloc[i]), tables.plain_number(series["value"].iloc[i]))
        for _, series in given.groupby("series", sort=False)
        for i in falling.rejected(series["value"].tolist(), series["_row"].isna().tolist())
    ]


class _DryRunError(Exception):
    """Leaves the transaction without committing it."""


__all__ = ["COUNTS", "TABLE_BY_NAME", "LoadReport", "load_files"]
