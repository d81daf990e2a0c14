"""The public functions, one per command: open the store, read frames, call pure code, give a result.

No arithmetic and no printing here. Every function takes the store's path first; those that compute take `as_of`, the
day whose knowledge is used (default: the last day of the history). Each gives an `Answer`: the frame with the
contract's columns, the words that belong before and after it, and the result object behind it for whoever wants more
(figures, other programs). Errors are those of `rebuildstats.errors`, whose messages say what to do.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from rebuildstats.answers import Answer as Answer
from rebuildstats.answers import Known as Known
from rebuildstats.answers import Progress, check_family, check_lives, find_unit, fitted_lives
from rebuildstats.answers import fits as fits
from rebuildstats.answers import known as known
from rebuildstats.demand.backtest import backtest as look_back
from rebuildstats.demand.backtest import origins_before
from rebuildstats.demand.forecast import Forecast, forecast_parts
from rebuildstats.errors import InputError, NothingToComputeError, UsageError
from rebuildstats.fits.inspections import inspections_table
from rebuildstats.fits.life import fit_lives, fit_unit_lives
from rebuildstats.fits.repeats import find_repeats
from rebuildstats.fits.wear import wear_table
from rebuildstats.history import store as stores
from rebuildstats.history.gaps import find_gaps
from rebuildstats.history.known import History
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
from rebuildstats.life_records.records import Records
from rebuildstats.places import beside, check_address, find_font, run_dashboard, write_bytes
from rebuildstats.render import to_csv
from rebuildstats.reports import sentences, sheet_pdf
from rebuildstats.reports import sheet as sheets
from rebuildstats.stock.goals import Budget, Goal, JobFill, PartFill
from rebuildstats.stock.plan import plan_order

_MOST_MONTHS = 120
_SEED = 0
# Whole futures that an order looks at: job fill rates of half of them differ by about 1 % from run to run, and the
# goal is checked on the other half.
_FUTURES = 400
_YEAR = 365
_HORIZONS = (12, 6, 3)  # months a backtest looks ahead: the longest that the past has room for


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
) -> Answer:
    """Bring files or folders of tables in, in one transaction; rows that can't go in are kept whole, with the reason.

    rejects: write them to this CSV file as well. dry_run: do all the work and undo it. The rows count what became of
    every row read, per table; `rows_left` says that some were rejected or held.
    Raises InputError for what can't be read at all, UsageError for a place that can't be written to.
    """
    report = load_files(store, paths, mapping=mapping, dry_run=dry_run)
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


def fit(store: str | Path, *, as_of: date | None = None, progress: Progress | None = None) -> Answer:
    """Refit all that changed since the last fit; the rows are the fitted lives of components and of units."""
    now = known(store, as_of=as_of)
    check_lives(now.records.lives, now.records.unit_lives)
    fitted = fits(store, now, progress=progress)
    rows = pd.concat([fitted.life.frame(), fitted.units.frame()], ignore_index=True)
    return Answer(rows, notes=(sentences.fitted_words(fitted.renewed),), result=fitted)


def life(store: str | Path, family: str | None = None, *, as_of: date | None = None) -> Answer:
    """Each component's fitted life, of one family or of all.

    Raises UsageError for a family that doesn't exist, NothingToComputeError where no life is known.
    """
    now = known(store, as_of=as_of)
    check_family(now, family)
    check_lives(now.records.lives)
    fitted = fitted_lives(store, now)
    rows = fitted.life.frame()
    if family is not None:
        rows = rows[rows["family"] == family].reset_index(drop=True)
    return Answer(rows, result=fitted.life)


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
    rows = _wear(store, now, family, mileage, unit, complaint)
    first = tuple(sentences.cautions(now.history.points, family))
    notes = sentences.complaint_notes(complaint, now.records.teardowns, family)
    return Answer(rows, first=first, last=(f"Always: {sentences.CLOSING}.",), notes=tuple(notes))


def inspections(
    store: str | Path, family: str | None = None, *, mileage: float | None = None, as_of: date | None = None
) -> Answer:
    """Which inspections most often fail, and how many to expect in the next twelve months."""
    if mileage is not None:
        _mileage(mileage)
    now = known(store, as_of=as_of)
    check_family(now, family)
    history, records = now.history, now.records
    if records.inspections.empty:
        raise NothingToComputeError("No finding is known yet. Load `findings` with a verdict or a reading.")
    rows = inspections_table(
        records.inspections,
        history.points,
        history.components,
        records.teardowns,
        point_fits=fits(store, now).points,
        ahead=_teardowns_ahead(store, now),
        positions=records.positions,
        family=family,
        mileage=mileage,
    )
    return Answer(rows)


def repeats(store: str | Path, *, as_of: date | None = None) -> Answer:
    """What comes back more than it should, by component, part, family, vehicle, site and bench, and since when."""
    now = known(store, as_of=as_of)
    check_lives(now.records.lives)
    found = find_repeats(
        now.records.lives,
        fitted_lives(store, now).life,
        now.as_of,
        fitments=now.history.fitments,
        vehicles=now.history.vehicles,
        window_distance=now.settings.comeback_distance,
        window_days=now.settings.comeback_days,
        benches_shown=now.settings.benches_shown,
    )
    return Answer(found.frame(), result=found)


def forecast(
    store: str | Path,
    *,
    months: int = 12,
    as_of: date | None = None,
    total: bool = False,
    all_methods: bool = False,
) -> Answer:
    """Parts demand by calendar month, as a distribution; with `total`, a row per part for the whole horizon as well.

    Raises UsageError for months outside 1 to 120, NothingToComputeError without parts.
    """
    if not 1 <= months <= _MOST_MONTHS:
        raise UsageError(f"A forecast is for 1 to {_MOST_MONTHS} months, not {months}.")
    now = known(store, as_of=as_of)
    ahead = _forecast(store, now, months)
    return Answer(ahead.frame(total=total, all_methods=all_methods), result=ahead)


def order(
    store: str | Path,
    *,
    job_fill: float | None = None,
    part_fill: float | None = None,
    budget: float | None = None,
    as_of: date | None = None,
) -> Answer:
    """What to stock and what to order today, for one goal: a share of jobs (0.9 by default), of pieces, or money.

    Raises UsageError for two goals or one that can't be, NothingToComputeError without parts.
    """
    goal = _goal(job_fill, part_fill, budget)
    now = known(store, as_of=as_of)
    futures = _forecast(store, now, 12).futures(_FUTURES, _YEAR, _SEED)
    plan = plan_order(futures, now.history, goal, draws=_FUTURES, days=_YEAR)
    reached = plan.job_fill
    notes = sentences.order_notes(
        plan.goal.words(), (reached.rate, reached.lower, reached.upper, reached.jobs), plan.money, plan.not_reached
    )
    return Answer(plan.frame(), notes=tuple(notes), result=plan)


def backtest(store: str | Path, *, as_of: date | None = None, progress: Progress | None = None) -> Answer:
    """How each method would have done on the shop's own past, everything refitted with what was known then.

    Raises NothingToComputeError without parts, or where the history is too short to look back.
    """
    now = known(store, as_of=as_of)
    if now.history.parts.empty or now.records.teardowns.empty:
        raise NothingToComputeError(
            "Looking back needs teardowns and parts: load `teardowns`, `parts` and `part_uses`."
        )
    first = now.records.teardowns["opened_on"].min().date()
    months, origins = _HORIZONS[0], []
    for months in _HORIZONS:
        origins = origins_before(first, now.as_of, months=months)
        if origins:
            break

    def history_at(day: date) -> tuple[History, Records]:
        then = known(store, as_of=day)
        return then.history, then.records

    def fit_then(history: History, records: Records) -> tuple[Any, Any]:
        return fit_lives(records.lives, history.components), fit_unit_lives(records.unit_lives)

    done = look_back(
        history_at, fit_then, origins, (now.history, now.records), months=months, seed=_SEED, progress=progress
    )
    notes = [sentences.method_words(row) for row in done.by_method().to_dict("records")]
    return Answer(done.frame(), notes=tuple(notes), result=done)


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
    facts: tuple[tuple[str, str], ...] = ()
    if family is not None:
        check_family(now, family)
        age = float(mileage or 0.0)
    else:
        today = find_unit(now, str(unit), None)
        family, age = str(today["family"]), float(today["age"])
        facts = _facts(today, now.history.distance)
    rows = (
        _wear(store, now, family, age, unit, None) if age >= 0 else _wear(store, now, family, 0.0, None, None).iloc[:0]
    )
    content = sheets.build_sheet(
        family=family,
        unit=unit,
        mileage=age,
        distance=now.history.distance,
        components=now.history.components,
        points=now.history.points,
        parts=now.history.parts,
        wear=rows,
        inspections=now.records.inspections,
        facts=facts,
    )
    _write_sheet(content, out)
    last = (f"Always: {sentences.CLOSING}.",)
    return Answer(content.frame(), first=content.cautions, last=last, result=content)


def demo(folder: str | Path, *, progress: Progress | None = None) -> Answer:
    """Build the demo store in a folder (or use the one that stands there) and answer each desk's question with it.

    The rows are the answers in words: desk, line. Raises UsageError where the folder can't be made.
    """
    folder = Path(folder)
    store = folder / "history.duckdb"
    tables = beside("data_demo", "_data_demo")
    tell = progress or (lambda *_: None)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"The folder {folder} can't be made: {error.strerror}.") from error
    tell(0, 6, "loading the demo fleet")
    if not store.exists():
        truth = json.loads((tables / "truth.json").read_text(encoding="utf-8"))
        stores.create(store, truth["distance"])
    loaded = load(store, sorted(tables.glob("*.csv")))
    tell(1, 6, "fitting lives and wear")
    fit(store)
    tell(2, 6, "forecasting parts and working out the order")
    ordered = order(store)
    tell(3, 6, "looking for what comes back")
    back, failing = repeats(store), inspections(store)
    tell(4, 6, "looking at one unit")
    now = known(store)
    unit = sentences.unit_to_look_at(now.records.units)
    worn = wear(store, unit["family"], mileage=unit["age"], unit=unit["unit"])
    tell(5, 6, "writing its sheet")
    written = sheet(store, unit=unit["unit"], out=folder / "sheet.html")
    subject = sentences.unit_words(unit, now.history.distance)
    desks = {
        "The history": sentences.history_size(loaded.frame(), now.as_of),
        "Counter: what do I order today?": [*sentences.counter(ordered.frame(), now.history.parts), *ordered.notes],
        "Shop office: what keeps coming back?": sentences.office(back.frame(), failing.frame()),
        "Bench: what wears in this unit?": [*written.first, *sentences.bench(worn.frame(), subject), *written.last],
        "Next": sentences.next_steps(store, folder / "sheet.html"),
    }
    tell(6, 6, "done")
    rows = pd.DataFrame([(desk, line) for desk, lines in desks.items() for line in lines], columns=["desk", "line"])
    return Answer(rows, result=desks)


def dashboard(store: str | Path, *, host: str = "127.0.0.1", port: int = 8501) -> int:
    """Run the dashboard of a store until it is stopped; returns its exit code.

    Listens to this machine only unless `host` says otherwise; sends nothing anywhere. Raises UsageError for an address
    where it can't listen.
    """
    check_address(host, port)
    return run_dashboard(store, host, port)


def _goal(job_fill: float | None, part_fill: float | None, budget: float | None) -> Goal:
    given = [value for value in (job_fill, part_fill, budget) if value is not None]
    if len(given) > 1:
        raise UsageError("An order has one goal: a job fill rate, a part fill rate or a budget.")
    if part_fill is not None:
        return PartFill(part_fill)
    if budget is not None:
        return Budget(budget)
    return JobFill(0.9 if job_fill is None else job_fill)


def _forecast(store: str | Path, now: Known, months: int) -> Forecast:
    fitted = fitted_lives(store, now)
    return forecast_parts(now.records, now.history, fitted.life, fitted.units, months=months, seed=_SEED)


def _teardowns_ahead(store: str | Path, now: Known) -> pd.DataFrame | None:
    """unit, family, expected: teardowns of each unit in the coming year; None where nothing can be forecast."""
    try:
        return _forecast(store, now, 12).likely(_YEAR).rename(columns={"chance": "expected"})
    except NothingToComputeError:
        return None


def _wear(
    store: str | Path, now: Known, family: str, mileage: float, unit: str | None, complaint: str | None
) -> pd.DataFrame:
    history, records = now.history, now.records
    fitted = fits(store, now)
    positions = unit_age = None
    if unit is not None:
        positions = records.positions[records.positions["unit"] == unit]
        unit_age = float(records.units.loc[records.units["unit"] == unit, "age"].iloc[0])
    return wear_table(
        family,
        mileage,
        fitted.points,
        fitted.life,
        history.components,
        history.points,
        history.part_uses,
        history.parts,
        positions=positions,
        complaint=complaint,
        unit_age=unit_age,
    )


def _mileage(mileage: float) -> None:
    if not 0 <= mileage < float("inf"):
        raise UsageError(f"A mileage is a distance since the last rebuild, 0 or more, not {mileage:g}.")


def _facts(today: dict[Any, Any], distance: str) -> tuple[tuple[str, str], ...]:
    """What the head of a unit's sheet says of it, as far as it is known."""
    shown = (
        ("Vehicle", today["vehicle"]),
        ("Site", today["site"]),
        ("Mileage", None if pd.isna(today["mileage"]) else sentences.distance_text(today["mileage"], distance)),
        ("Last opened", None if pd.isna(today["last_opened_on"]) else str(today["last_opened_on"])[:10]),
        ("Rebuilds", str(today["rebuilds"])),
    )
    return tuple((label, str(value)) for label, value in shown if not pd.isna(value))


def _write_sheet(content: sheets.Sheet, out: Path) -> None:
    if out.suffix.lower() == ".pdf":
        font = find_font() if sheet_pdf.needs_font(content) else None
        try:
            data = sheet_pdf.pdf(content, font=font)
        except ValueError:
            raise UsageError(
                "This sheet has letters that a PDF can show only with a TrueType font, and none was found on this "
                "machine. Write it as .html instead."
            ) from None
    else:
        data = sheets.html(content).encode("utf-8")
    write_bytes(out, data)
