"""The public functions, one per command: open the store, read frames, call pure code, give a result.

No arithmetic and no printing here. Every function takes the store's path first; those that compute take `as_of`, the
day whose knowledge is used (default: the last day of the history). Each gives an `Answer`: the frame with the
contract's columns, the words that belong before and after it, and the result object behind it for whoever wants more
(figures, other programs). Errors are those of `rebuildstats.errors`, whose messages say what to do.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import pandas as pd

from rebuildstats import desks
from rebuildstats.answers import Answer as Answer
from rebuildstats.answers import Fits, FittedLives, Progress, check_family, check_lives, find_unit, fitted_lives
from rebuildstats.answers import Known as Known
from rebuildstats.answers import fits as fits
from rebuildstats.answers import known as known
from rebuildstats.bringing import changes as changes
from rebuildstats.bringing import join as join
from rebuildstats.bringing import joins as joins
from rebuildstats.bringing import unjoin as unjoin
from rebuildstats.counter import curve as curve
from rebuildstats.counter import deadstock as deadstock
from rebuildstats.counter import kits as kits
from rebuildstats.counter import lots as lots
from rebuildstats.counter import overdue as overdue
from rebuildstats.counter import picks as picks
from rebuildstats.counter import shortages as shortages
from rebuildstats.counter import spares as spares
from rebuildstats.counter import suppliers as suppliers
from rebuildstats.demo_job import run_demo
from rebuildstats.errors import InputError, NothingToComputeError, UsageError
from rebuildstats.hindsight import backtest_of
from rebuildstats.history import store as stores
from rebuildstats.history.gaps import find_gaps
from rebuildstats.history.load import load_files
from rebuildstats.keeping import backup as backup
from rebuildstats.keeping import check as check
from rebuildstats.keeping import export as export
from rebuildstats.keeping import propose as propose
from rebuildstats.keeping import rejects as rejects
from rebuildstats.keeping import restore as restore
from rebuildstats.keeping import settings as settings
from rebuildstats.keeping import undo as undo
from rebuildstats.keeping import withdraw as withdraw
from rebuildstats.kept_answers.job import work_out
from rebuildstats.kept_answers.questions import EVERY_DESK
from rebuildstats.lasting import doubts as doubts
from rebuildstats.lasting import makes as makes
from rebuildstats.lasting import makes_of
from rebuildstats.lasting import points as points
from rebuildstats.lasting import rates as rates
from rebuildstats.lasting import rivals as rivals
from rebuildstats.places import check_address, run_dashboard, write_bytes, write_sheet
from rebuildstats.recurring import damage as damage
from rebuildstats.recurring import drift as drift
from rebuildstats.recurring import recurrence as recurrence
from rebuildstats.recurring import shares as shares
from rebuildstats.render import to_csv
from rebuildstats.reports import sentences
from rebuildstats.stock.suppose import what_if_of

_MOST_MONTHS = 120


def init(store: str | Path, *, distance: str) -> Answer:
    """Make a new, empty store whose distances are in `distance` (mi, km or h)."""
    stores.create(store, distance)
    return Answer(pd.DataFrame({"store": [str(store)], "distance": [distance]}))


def load(
    store: str | Path,
    paths: Sequence[str | Path],
    *,
    mapping: str | Path | None = None,
    rejects: str | Path | None = None,
    dry_run: bool = False,
    who: str | None = None,
) -> Answer:
    """Bring files or folders of tables in, in one transaction; rows that can't go in are kept whole, with the reason.

    rejects: write them to this CSV file as well. dry_run: do all the work and undo it. who: the name in the book of
    loads, by default the machine's user. The rows count what became of every row read, per table; `rows_left` says that
    some were rejected or held.
    Raises InputError for what can't be read at all, UsageError for a place that can't be written to.
    """
    report = load_files(store, paths, mapping=mapping, dry_run=dry_run, who=who)
    if report.counts.empty:
        named = ", ".join(str(path) for path in paths)
        raise InputError(
            f"There is no table in {named}. Files are named like the tables: units.csv, teardowns.csv, ..."
        )
    notes = [*report.notices, sentences.load_sum(report.counts)]
    if not report.complete:
        notes += sentences.reject_reasons(report.rejects)
    if rejects is not None:
        write_bytes(Path(rejects), to_csv(report.rejects).encode("utf-8"))
        notes.append(f"Rows that did not go in stand in {rejects}: {len(report.rejects)}.")
    if dry_run:
        notes.append("This was a dry run: nothing was changed.")
    return Answer(report.frame(), notes=tuple(notes), rows_left=not report.complete, result=report)


def gaps(store: str | Path, *, as_of: date | None = None) -> Answer:
    """What the history lacks, the worst examples, which answers are weaker for it, and what to do."""
    with stores.reading(store) as con:
        rows = find_gaps(con, as_of)
    return Answer(rows)


def lives(store: str | Path, *, units: bool = False, as_of: date | None = None) -> Answer:
    """The life records of component positions, or with `units` of whole units; notes count what became of all."""
    records = known(store, as_of=as_of).records
    rows = records.unit_lives if units else records.lives
    notes = tuple(
        f"{row['step']}: {row['what']}: {row['count']:,}" for row in records.counts.to_dict("records") if row["count"]
    )
    return Answer(rows, notes=notes, result=records)


def fit(
    store: str | Path,
    *,
    as_of: date | None = None,
    cluster: str | None = None,
    shared: str | Path | None = None,
    progress: Progress | None = None,
) -> Answer:
    """Refit all that changed since the last fit; the rows are the fitted lives of components and of units.

    cluster: the address of a Dask cluster that works them out family by family, with the same numbers; shared: a folder
    that all its workers can read, by default one beside the store. The store may then be such a folder itself.
    Raises NothingToComputeError where no life is known, UsageError where no cluster answers there.
    """
    fitted: FittedLives | Fits
    if cluster is not None:
        from rebuildstats.by_family.answer import fitted_by_family

        fitted = fitted_by_family(store, cluster, as_of=as_of, shared=shared, progress=progress)
    else:
        now = known(store, as_of=as_of)
        check_lives(now.records.lives, now.records.unit_lives)
        fitted = fits(store, now, progress=progress)
    rows = pd.concat([fitted.life.frame(), fitted.units.frame()], ignore_index=True)
    return Answer(rows, notes=(sentences.fitted_words(fitted.renewed),), result=fitted)


def life(store: str | Path, family: str | None = None, *, as_of: date | None = None) -> Answer:
    """Each component's fitted life, of one family or of all; the notes say which make of a part lasts longer.

    Raises UsageError for a family that doesn't exist, NothingToComputeError where no life is known.
    """
    now = known(store, as_of=as_of)
    check_family(now, family)
    check_lives(now.records.lives)
    fitted = fitted_lives(store, now)
    rows = fitted.life.frame()
    if family is not None:
        rows = rows[rows["family"] == family].reset_index(drop=True)
    compared = makes_of(now, fitted.life, family)
    which = compared.notes if len(compared.frame()) else ()
    return Answer(rows, notes=(*which, sentences.LIFE_NEXT), result=fitted.life)


def wear(
    store: str | Path,
    family: str,
    *,
    mileage: float,
    unit: str | None = None,
    complaint: str | None = None,
    as_of: date | None = None,
) -> Answer:
    """What usually wears in a family by `mileage` since the last rebuild; with `unit`, each position at its own age.

    Cautions come first, the maker's limit last. Raises UsageError for a family or unit that doesn't exist.
    """
    _mileage(mileage)
    now = known(store, as_of=as_of)
    check_family(now, family)
    if unit is not None:
        find_unit(now, unit, family)
    return desks.wear_of(now, fits(store, now), family, mileage, unit, complaint)


def inspections(
    store: str | Path, family: str | None = None, *, mileage: float | None = None, as_of: date | None = None
) -> Answer:
    """Which inspections most often fail, and how many to expect in the next twelve months."""
    if mileage is not None:
        _mileage(mileage)
    now = known(store, as_of=as_of)
    check_family(now, family)
    fitted = fits(store, now)
    try:
        ahead = desks.forecast_of(now, fitted.life, fitted.units)
    except NothingToComputeError:  # without parts, units' lives alone say what will be opened
        ahead = None
    openings = desks.openings_ahead(now, fitted.units, ahead)
    return desks.inspections_of(now, fitted.points, openings, family, mileage)


def repeats(store: str | Path, *, as_of: date | None = None) -> Answer:
    """What comes back more than it should, by component, part, family, vehicle, site and bench, and since when."""
    now = known(store, as_of=as_of)
    check_lives(now.records.lives)
    return desks.repeats_of(now, fitted_lives(store, now).life)


def forecast(
    store: str | Path,
    *,
    months: int = 12,
    as_of: date | None = None,
    total: bool = False,
    all_methods: bool = False,
    cluster: str | None = None,
    shared: str | Path | None = None,
    progress: Progress | None = None,
) -> Answer:
    """Parts demand by calendar month, as a distribution; with `total`, a row per part for the whole horizon as well.

    cluster, shared, progress: as `fit` takes them; the rows are the same, and there is no result object behind them.
    Raises UsageError for months outside 1 to 120, NothingToComputeError without parts.
    """
    if not 1 <= months <= _MOST_MONTHS:
        raise UsageError(f"A forecast is for 1 to {_MOST_MONTHS} months, not {months}.")
    if cluster is not None:
        from rebuildstats.by_family.answer import forecast_by_family
        from rebuildstats.by_family.pieces import Ahead

        asked = Ahead(months, desks.SEED, total, all_methods)
        return Answer(forecast_by_family(store, cluster, asked, as_of=as_of, shared=shared, progress=progress))
    now = known(store, as_of=as_of)
    fitted = fitted_lives(store, now, progress=progress)
    ahead = desks.forecast_of(now, fitted.life, fitted.units, months)
    return Answer(ahead.frame(total=total, all_methods=all_methods), result=ahead)


def order(
    store: str | Path,
    *,
    job_fill: float | None = None,
    part_fill: float | None = None,
    budget: float | None = None,
    what_if: Sequence[str] = (),
    workbook: str | Path | None = None,
    as_of: date | None = None,
) -> Answer:
    """What to stock and what to order today, for one goal: a share of jobs (0.9 by default), of pieces, or money.

    what_if: suppositions such as "lead-time=+10", without touching the store (see `stock.suppose.what_if_of`).
    workbook: also write the order to this .xlsx file. Raises UsageError for two goals or one that can't be, for a
    supposition that can't be read, for a file that can't be written; NothingToComputeError without parts.
    """
    goal = desks.goal_of(job_fill, part_fill, budget)
    what_if_of(what_if)
    now = known(store, as_of=as_of)
    fitted = fitted_lives(store, now)
    answer = desks.order_of(now, desks.forecast_of(now, fitted.life, fitted.units), goal, what_if)
    if workbook is not None:
        write_bytes(Path(workbook), answer.result.workbook())
    return answer


def backtest(store: str | Path, *, as_of: date | None = None, progress: Progress | None = None) -> Answer:
    """How each method would have done on the shop's own past, everything refitted with what was known then.

    Raises NothingToComputeError without parts, or where the history is too short to look back.
    """
    return backtest_of(store, known(store, as_of=as_of), progress=progress)


def ready(store: str | Path, *, progress: Progress | None = None) -> Answer:
    """Work out what the dashboard's desks open with and keep it beside the store; what is ready already stays.

    The rows say where each answer stands: question, file. Raises StoreError where the history changed meanwhile.
    """
    place = work_out(store, progress=progress)
    rows = [(question, str(place.file(question, arguments))) for question, arguments in EVERY_DESK]
    return Answer(pd.DataFrame(rows, columns=["question", "file"]), result=place)


def sheet(
    store: str | Path,
    *,
    unit: str | None = None,
    family: str | None = None,
    mileage: float | None = None,
    out: str | Path,
    as_of: date | None = None,
) -> Answer:
    """Write the inspection sheet of a unit as it stands today, or of a family at a mileage, to an .html or .pdf file.

    Raises UsageError when neither or both are given, for names that don't exist, and for a file that can't be written.
    """
    out = Path(out)
    if out.suffix.lower() not in (".html", ".htm", ".pdf"):
        raise UsageError(f"A sheet ends in .html or .pdf, not '{out.name}'.")
    if (unit is None) == (family is None):
        raise UsageError("A sheet is for a unit, or for a family at a mileage.")
    if family is not None:
        if mileage is None:
            raise UsageError(f"The sheet of a family needs a mileage: sheet {family} --mileage N.")
        _mileage(mileage)
    now = known(store, as_of=as_of)
    if family is not None:
        check_family(now, family)
        today = None
        age = float(mileage or 0.0)
    else:
        today = find_unit(now, str(unit), None)
        family, age = str(today["family"]), float(today["age"])
    answer = desks.sheet_of(now, fits(store, now), family=family, mileage=age, unit=today)
    write_sheet(answer.result, out)
    return answer


def demo(folder: str | Path, *, progress: Progress | None = None) -> Answer:
    """Build the demo store in a folder (or use the one that stands there) and answer each desk's question with it.

    The rows are the answers in words: desk, line. Raises UsageError where the folder can't be made.
    """
    return run_demo(folder, progress=progress)


def dashboard(store: str | Path, *, host: str = "127.0.0.1", port: int = 8501) -> int:
    """Run the dashboard of a store until it is stopped; returns its exit code.

    Listens to this machine only unless `host` says otherwise; sends nothing anywhere. Raises UsageError for an address
    where it can't listen.
    """
    check_address(host, port)
    return run_dashboard(store, host, port)


def _mileage(mileage: float) -> None:
    if not 0 <= mileage < float("inf"):
        raise UsageError(f"A mileage is a distance since the last rebuild, 0 or more, not {mileage:g}.")
