"""What the desks ask, and how each answer is made: a name, arguments, what is kept of the result.

An answer is a dict of frames, words and results, as `pack` can keep it. `EVERY_DESK` are the questions that every desk
opens with, in the order in which they are worked out; the others are worked out when somebody asks.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final

import pandas as pd

from rebuildstats import desks
from rebuildstats.answers import Answer, Fits, Known, Progress, check_lives, fits, known
from rebuildstats.bringing import joins as look_alike
from rebuildstats.counter import check_suppliers, least_sum
from rebuildstats.demand.forecast import Forecast
from rebuildstats.errors import NothingToComputeError, RebuildstatsError, StoreError
from rebuildstats.figures.life import counted_steps
from rebuildstats.fits.inspections import bands
from rebuildstats.fits.limit_ages import limit_table
from rebuildstats.fits.rows import numbers
from rebuildstats.hindsight import backtest_of
from rebuildstats.history import store as stores
from rebuildstats.history.gaps import find_gaps
from rebuildstats.history.version import history_version
from rebuildstats.kept_answers.rows import put_known, take_known
from rebuildstats.kept_answers.shelf import NotReadyError, Shelf
from rebuildstats.lasting import doubts_of, makes_of, rates_of, rivals_of
from rebuildstats.recurring import damage_of, drift_of, recurrence_of, shares_of
from rebuildstats.reports import behind
from rebuildstats.reports.counter_sentences import lot_notes, spare_notes, supplier_notes
from rebuildstats.reports.lasting_sentences import point_words
from rebuildstats.stock.lots import check_costs, economic_lots

SPARE_CHANCE: Final = 0.05  # of finding no ready unit, to accept


@dataclass
class Work:
    """What answers are made from, each made once and only when something needs it."""

    shelf: Shelf
    tell: Progress
    _ahead: dict[int, Forecast] = field(default_factory=dict)

    @cached_property
    def known(self) -> Known:
        """The history: from the shelf where it is kept, else read from the store and kept."""
        try:
            return take_known(self.shelf, self.shelf.take("history", {}))
        except NotReadyError:
            now = known(self.shelf.store)
            self.check()
            put_known(self.shelf, now)
            self.shelf.put("history", {}, _history(now))
            return now

    @cached_property
    def fits(self) -> Fits:
        try:
            kept: Fits = self.shelf.take("fits", {})["fits"]
            return kept
        except NotReadyError:
            now = self.known
            check_lives(now.records.lives, now.records.unit_lives)
            return fits(self.shelf.store, now, progress=self.tell)

    def check(self) -> None:
        """Raise StoreError where the store no longer holds this shelf's history: nothing false is kept."""
        if history_version(self.shelf.store) != self.shelf.version:
            raise StoreError("The history changed while an answer was being worked out; nothing of it was kept.")

    def ahead(self, months: int = desks.YEAR_MONTHS) -> Forecast:
        if months not in self._ahead:
            fitted = self.fits
            self._ahead[months] = desks.forecast_of(self.known, fitted.life, fitted.units, months)
        return self._ahead[months]


def _history(now: Known) -> dict[str, Any]:
    return {
        "as_of": now.as_of,
        "settings": now.settings,
        "catalog": behind.catalog(now.history, now.records),
        "teardowns": len(now.history.teardowns),
        "units": len(now.history.units),
    }


def history(work: Work) -> dict[str, Any]:
    """What there is, what can be asked about, and the teardowns behind every failure and comeback."""
    now = work.known
    work.shelf.put_rows("failures", behind.failures(now.records))
    windows = now.settings.comeback_distance, now.settings.comeback_days
    work.shelf.put_rows("comebacks", behind.comebacks(now.records, *windows))
    return _history(now)


def fitted(work: Work) -> dict[str, Any]:
    return {"fits": work.fits, "life": work.fits.life.frame()}


def order(work: Work, **goal: float) -> dict[str, Any]:
    """The order for one goal, and what stands beside it: the exchange curve with its marks, the counter's lists."""
    wanted = desks.goal_of(goal.get("job_fill"), goal.get("part_fill"), goal.get("budget"))
    answer = desks.order_of(work.known, work.ahead(), wanted)
    plan = answer.result
    spares = plan.ahead.spare_units(work.known.records.units)
    work.tell(1, 2, "money against held jobs")
    curve, kits = plan.exchange_curve(), plan.kits()
    return {
        "rows": answer.frame(),
        "notes": answer.notes,
        "workbook": plan.workbook(),
        "curve": curve,
        "marks": plan.marks(curve),
        "short": plan.short_before_arrival(),
        "kits": kits.kits,
        "kit_lines": kits.lines,
        "dead": plan.dead_stock(),
        "suppliers": plan.by_supplier(),
        "overdue": plan.overdue(),
        "spares": spares,
        "spare_notes": tuple(spare_notes(spares, SPARE_CHANCE)),
    }


def supposed(work: Work, *, what_if: str, **goal: float) -> dict[str, Any]:
    """The order for one goal under suppositions (parted by semicolons), told beside what is."""
    wanted = desks.goal_of(goal.get("job_fill"), goal.get("part_fill"), goal.get("budget"))
    texts = [text.strip() for text in what_if.split(";") if text.strip()]
    return _told(desks.order_of(work.known, work.ahead(), wanted, texts))


def suppliers(work: Work, *, least: str, **goal: float) -> dict[str, Any]:
    """The order by supplier; least: `SUPPLIER=MONEY` each, parted by semicolons."""
    sums = dict(least_sum(text.strip()) for text in least.split(";") if text.strip())
    check_suppliers(sums, work.known.history.parts)
    wanted = desks.goal_of(goal.get("job_fill"), goal.get("part_fill"), goal.get("budget"))
    rows = desks.order_of(work.known, work.ahead(), wanted).result.by_supplier(sums)
    return {"rows": rows, "notes": tuple(supplier_notes(rows))}


def lots(work: Work, *, order_cost: float, holding: float) -> dict[str, Any]:
    """How many pieces to buy at once."""
    check_costs(order_cost, holding)
    rows = economic_lots(desks.outlook_of(work.known, work.ahead()), order_cost=order_cost, holding=holding)
    return {"rows": rows, "notes": tuple(lot_notes(rows))}


def points(work: Work) -> dict[str, Any]:
    """Every inspection point's wear per distance, and the ages at which it reaches its limit."""
    fitted = work.fits
    if work.known.history.points.empty:
        raise NothingToComputeError("No inspection point is known yet. Load `points`.")
    rows = limit_table(fitted.points, fitted.life, None)
    return {"rows": rows, "notes": tuple(point_words(rows, fitted.points.handled, work.known.history.distance))}


def forecast(work: Work, *, months: int = desks.YEAR_MONTHS) -> dict[str, Any]:
    """Every part's months and totals by every method; its reasons unit by unit are kept as a table."""
    ahead = work.ahead(months)
    rows = ahead.frame(total=True, all_methods=True)
    traces = []
    for done, part in enumerate(ahead.parts):
        work.tell(done, len(ahead.parts), f"reasons of {part}")
        traces.append(ahead.trace(part, "total").assign(of_part=part))
    work.shelf.put_rows(f"reasons_{months}", pd.concat(traces, ignore_index=True), ["of_part"])
    return {"rows": rows}


def repeats(work: Work) -> dict[str, Any]:
    check_lives(work.known.records.lives)
    answer = desks.repeats_of(work.known, work.fits.life)
    return {"rows": answer.frame(), "notes": answer.notes}


def inspections(work: Work) -> dict[str, Any]:
    """Every point at all distances, and by the round bands of distance that a question about a mileage falls into."""
    now, points = work.known, work.fits.points
    try:
        ahead = work.ahead()
    except NothingToComputeError:  # without parts, units' lives alone say what will be opened
        ahead = None
    openings = desks.openings_ahead(now, work.fits.units, ahead)
    whole = desks.inspections_of(now, points, openings).frame()
    seen = now.records.inspections
    since = pd.Series(numbers(seen["unit_age"])).fillna(pd.Series(numbers(seen["age"])))
    edges = bands(float(since.max()))[:-1]
    by_band = [desks.inspections_of(now, points, openings, mileage=float(edge)).frame() for edge in edges]
    return {"rows": whole, "by_band": pd.concat(by_band, ignore_index=True)}


def makes(work: Work) -> dict[str, Any]:
    return _told(makes_of(work.known, work.fits.life))


def rivals(work: Work) -> dict[str, Any]:
    return _told(rivals_of(work.known, work.fits.life))


def doubts(work: Work) -> dict[str, Any]:
    return _told(doubts_of(work.known, work.fits.life))


def steps(work: Work, *, family: str, component: str) -> dict[str, Any]:
    """The plain estimate of one component's life, without a formula, with its limits."""
    lives = work.known.records.lives
    mine = lives[(lives["family"] == family) & (lives["component"] == component)]
    return {"rows": counted_steps(mine)}


def rates(work: Work, *, family: str, by: str | None) -> dict[str, Any]:
    return _told(rates_of(work.known, family, by))


def recurrence(work: Work, *, family: str, by: str | None) -> dict[str, Any]:
    answer = recurrence_of(work.known, family, by=by)
    return _told(answer) | {"result": answer.result}


def damage(work: Work) -> dict[str, Any]:
    return _told(damage_of(work.known))


def drift(work: Work) -> dict[str, Any]:
    return _told(drift_of(work.known, lambda: work.fits.points))


def shares(work: Work, *, family: str | None) -> dict[str, Any]:
    return _told(shares_of(work.known, family))


def _told(answer: Answer) -> dict[str, Any]:
    return {"rows": answer.frame(), "notes": answer.notes}


def gaps(work: Work) -> dict[str, Any]:
    with stores.reading(work.shelf.store) as con:
        return {"rows": find_gaps(con, None)}


def joins(work: Work) -> dict[str, Any]:
    """Names that look alike and names that are joined."""
    return _told(look_alike(work.shelf.store))


def backtest(work: Work) -> dict[str, Any]:
    answer = backtest_of(work.shelf.store, work.known, progress=work.tell)
    return {"rows": answer.frame(), "notes": answer.notes}


Question = Callable[..., dict[str, Any]]
QUESTIONS: Final[Mapping[str, Question]] = {
    "history": history,
    "fits": fitted,
    "order": order,
    "supposed": supposed,
    "suppliers": suppliers,
    "lots": lots,
    "points": points,
    "inspections": inspections,
    "forecast": forecast,
    "repeats": repeats,
    "makes": makes,
    "rivals": rivals,
    "doubts": doubts,
    "steps": steps,
    "rates": rates,
    "recurrence": recurrence,
    "damage": damage,
    "drift": drift,
    "shares": shares,
    "gaps": gaps,
    "joins": joins,
    "backtest": backtest,
}
WORDS: Final[Mapping[str, str]] = {
    "history": "reading the history",
    "fits": "fitting lives and wear",
    "order": "forecasting and working out the order",
    "supposed": "working out the order as it is and as supposed",
    "suppliers": "parting the order by supplier",
    "lots": "weighing the cost of ordering against that of holding",
    "points": "working out when points reach their limits",
    "inspections": "counting what fails when it is checked",
    "forecast": "laying the forecast out part by part",
    "repeats": "comparing with what was to be expected",
    "makes": "setting makes side by side",
    "rivals": "comparing distributions",
    "doubts": "holding the fits against what was counted",
    "steps": "counting a component’s lives",
    "rates": "counting failures over distance",
    "recurrence": "adding up what recurs",
    "damage": "looking for damage beside the cause",
    "drift": "comparing readings over time",
    "shares": "counting fails by mileage",
    "gaps": "looking for what the history lacks",
    "joins": "looking for names that look alike",
    "backtest": "looking back on the shop’s own past",
}
EVERY_DESK: Final[tuple[tuple[str, dict[str, Any]], ...]] = (
    ("history", {}),
    ("gaps", {}),
    ("joins", {}),
    ("fits", {}),
    ("order", {"job_fill": 0.9}),
    ("inspections", {}),
    ("forecast", {"months": desks.YEAR_MONTHS}),
    ("repeats", {}),
    ("makes", {}),
    ("rivals", {}),
    ("doubts", {}),
)


def answer(work: Work, question: str, arguments: Mapping[str, Any]) -> None:
    """Work one answer out and keep it; what can't be answered is kept as the error that says so."""
    try:
        value: Any = QUESTIONS[question](work, **arguments)
    except StoreError:
        raise
    except RebuildstatsError as error:
        value = error
    work.check()
    work.shelf.put(question, arguments, value)
