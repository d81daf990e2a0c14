"""The parts counter's further questions, beside `order`; `commands` gives them out with the others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

import pandas as pd

from rebuildstats import desks
from rebuildstats.answers import Answer, Known, find_unit, fitted_lives, known
from rebuildstats.errors import UsageError
from rebuildstats.reports import counter_sentences as words
from rebuildstats.stock.buying import overdue as overdue_orders
from rebuildstats.stock.lead_time import learn_lead_times
from rebuildstats.stock.lots import check_costs, economic_lots
from rebuildstats.stock.outlook import Outlook
from rebuildstats.stock.plan import OrderPlan, plan_for
from rebuildstats.stock.shelves import find_shelves, open_orders

_MOST_DAYS = 365.0  # teardowns are foreseen for a year


def kits(
    store: str | Path,
    *,
    days: float = 60.0,
    least_chance: float = 0.3,
    as_of: date | None = None,
) -> Answer:
    """A kit for each teardown booked within `days` days and each unit at least this likely to come until then: the
    chance that everything it needs lies on the shelf, and what is lacking.

    Raises UsageError for days outside 1 to 365 or a chance outside 0 to 1, NothingToComputeError without parts.
    """
    _check_window(days, least_chance)
    found = _outlook(store, as_of)[1].kits(within_days=days, least_chance=least_chance)
    return Answer(found.kits, notes=tuple(words.kit_notes(found.kits, days)), result=found)


def picks(
    store: str | Path,
    unit: str | None = None,
    *,
    days: float = 60.0,
    least_chance: float = 0.3,
    as_of: date | None = None,
) -> Answer:
    """The pick list of one unit, or of every kit of `kits`: what to pull now, what to have at hand, how many.

    Raises UsageError for a unit that doesn't exist and as `kits`.
    """
    _check_window(days, least_chance)
    now = known(store, as_of=as_of)
    row = None if unit is None else find_unit(now, unit, None)
    ahead = _ahead(store, now)
    if row is None:
        found = ahead.kits(within_days=days, least_chance=least_chance)
    else:
        found = ahead.kit_of(str(row["unit"]), str(row["family"]))
    return Answer(found.lines, notes=tuple(found.kits["reason"]), result=found)


def spares(store: str | Path, *, most_chance: float = 0.05, as_of: date | None = None) -> Answer:
    """Ready units per family (those in no vehicle and not in work), how many it takes, and the chance that a vehicle
    that comes in finds none.

    most_chance: the chance of none to accept. Raises UsageError where it isn't between 0 and 1, NothingToComputeError
    without parts.
    """
    if not 0 < most_chance < 1:
        raise UsageError(f"The chance of no ready unit must lie between 0 and 1, such as 0.05, not {most_chance:g}.")
    now, ahead = _outlook(store, as_of)
    rows = ahead.spare_units(now.records.units, most_chance=most_chance)
    return Answer(rows, notes=tuple(words.spare_notes(rows, most_chance)), result=rows)


def suppliers(
    store: str | Path,
    *,
    least: Sequence[str] = (),
    job_fill: float | None = None,
    part_fill: float | None = None,
    budget: float | None = None,
    as_of: date | None = None,
) -> Answer:
    """Today's order by supplier: what packs and least quantities add, and what lacks to the least sum of an order.

    least: "SUPPLIER=MONEY" each, the least that a supplier delivers for. Goals and errors as `order`; UsageError for a
    supplier that isn't in the parts list.
    """
    sums = dict(least_sum(text) for text in least)
    plan = _plan(store, job_fill, part_fill, budget, as_of, sums)
    rows = plan.by_supplier(sums)
    return Answer(rows, notes=tuple(words.supplier_notes(rows)), result=plan)


def overdue(store: str | Path, *, as_of: date | None = None) -> Answer:
    """Open orders past their due date, or without one past what their part usually takes; the latest first."""
    history = known(store, as_of=as_of).history
    shelves = find_shelves(history.stock, history.sites)
    lead_times = learn_lead_times(history.parts, history.orders, history.as_of)
    rows = overdue_orders(open_orders(shelves, history.orders, history.as_of), lead_times, history.as_of)
    return Answer(rows, notes=tuple(words.overdue_notes(rows, history.orders)))


def shortages(store: str | Path, *, as_of: date | None = None) -> Answer:
    """What may run out before anything ordered today can arrive: call, borrow, or move the teardown.

    Raises NothingToComputeError without parts.
    """
    rows = _outlook(store, as_of)[1].short_before_arrival()
    return Answer(rows, notes=tuple(words.short_notes(rows)))


def deadstock(
    store: str | Path,
    *,
    job_fill: float | None = None,
    part_fill: float | None = None,
    budget: float | None = None,
    as_of: date | None = None,
) -> Answer:
    """What lies on the shelves that nothing foreseeable needs, and its money. Goals and errors as `order`."""
    rows = _plan(store, job_fill, part_fill, budget, as_of).dead_stock()
    return Answer(rows, notes=tuple(words.dead_notes(rows)))


def lots(store: str | Path, *, order_cost: float, holding: float = 0.2, as_of: date | None = None) -> Answer:
    """How many pieces of each part to buy at once, so that ordering and holding cost least.

    order_cost: money to place, receive and book in one order line. holding: a year on the shelf as a share of the
    price. Raises UsageError for costs that can't be, NothingToComputeError without parts.
    """
    check_costs(order_cost, holding)
    rows = economic_lots(_outlook(store, as_of)[1], order_cost=order_cost, holding=holding)
    return Answer(rows, notes=tuple(words.lot_notes(rows)))


def curve(
    store: str | Path,
    *,
    job_fill: float | None = None,
    part_fill: float | None = None,
    budget: float | None = None,
    as_of: date | None = None,
) -> Answer:
    """Money against held jobs: the best for each sum, and where the shop stands. Goals and errors as `order`."""
    plan = _plan(store, job_fill, part_fill, budget, as_of)
    steps = plan.exchange_curve()
    marks = plan.marks(steps)
    return Answer(
        pd.concat([marks, steps.assign(label="the best for this money")], ignore_index=True),
        notes=tuple(words.mark_notes(marks)),
        result=plan,
    )


def _outlook(store: str | Path, as_of: date | None) -> tuple[Known, Outlook]:
    now = known(store, as_of=as_of)
    return now, _ahead(store, now)


def _ahead(store: str | Path, now: Known) -> Outlook:
    fitted = fitted_lives(store, now)
    return desks.outlook_of(now, desks.forecast_of(now, fitted.life, fitted.units))


def _plan(
    store: str | Path,
    job_fill: float | None,
    part_fill: float | None,
    budget: float | None,
    as_of: date | None,
    named: dict[str, float] | None = None,
) -> OrderPlan:
    goal = desks.goal_of(job_fill, part_fill, budget)
    now = known(store, as_of=as_of)
    check_suppliers(named or {}, now.history.parts)
    return plan_for(goal, _ahead(store, now))


def check_suppliers(named: Mapping[str, float], parts: pd.DataFrame) -> None:
    """Raise UsageError for a supplier that isn't in the parts list."""
    unknown = set(named) - set(parts["supplier"].dropna().astype(str))
    if unknown:
        raise UsageError(f"No part comes from a supplier called {', '.join(sorted(unknown))}.")


def least_sum(text: str) -> tuple[str, float]:
    """`SUPPLIER=MONEY` as the supplier and the money. Raises UsageError for what can't be read so."""
    supplier, equals, money = text.rpartition("=")
    try:
        value = float(money)
    except ValueError:
        value = -1.0
    if not equals or not supplier or not 0 <= value < float("inf"):
        raise UsageError(f"`{text}`: write a supplier and the least sum it delivers for, such as Norton=500.")
    return supplier, value


def _check_window(days: float, least_chance: float) -> None:
    if not 1 <= days <= _MOST_DAYS:
        raise UsageError(f"Kits are laid out for 1 to {_MOST_DAYS:.0f} days ahead, not {days:g}.")
    if not 0 < least_chance <= 1:
        raise UsageError(f"The least chance of a teardown lies between 0 and 1, such as 0.3, not {least_chance:g}.")
