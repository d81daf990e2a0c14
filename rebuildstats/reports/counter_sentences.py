"""What the counter's lists come to, in sentences."""

from __future__ import annotations

import pandas as pd


def _money(value: float) -> str:
    return f"{value:,.2f}"


def _many(number: int, thing: str) -> str:
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


def kit_notes(kits: pd.DataFrame, days: float) -> list[str]:
    """kits: columns of `stock.kits.KIT_COLUMNS`."""
    if kits.empty:
        return [f"No teardown is booked and none is likely within {days:.0f} days."]
    waiting = kits[kits["chance_complete"] < 0.5]
    words = f"{_many(len(kits), 'teardown')} booked or likely within {days:.0f} days"
    if waiting.empty:
        return [f"{words}; each more likely than not finds its whole kit on the shelf."]
    return [f"{words}; {len(waiting)} more likely than not would wait for a part. `picks UNIT` shows what to pull."]


def spare_notes(spares: pd.DataFrame, most_chance: float) -> list[str]:
    """spares: columns of `stock.spares.COLUMNS`."""
    short = spares[spares["ready"] < spares["spares"]]
    if short.empty:
        return [f"Every family has ready units enough for a chance of none of at most {100 * most_chance:.0f} %."]
    each = [f"{row['family']} {row['spares'] - row['ready']:.0f}" for row in short.to_dict("records")]
    return [
        f"More ready units are needed for a chance of none of at most {100 * most_chance:.0f} %: {', '.join(each)}."
    ]


def supplier_notes(rows: pd.DataFrame) -> list[str]:
    """rows: see `stock.buying.by_supplier`."""
    notes = [
        f"{row['supplier'] or 'No supplier named'}: {_money(row['lacking'])} below its least sum of "
        f"{_money(row['least_money'])}"
        + (f"; nearest to their reorder points: {row['fill_up']}" * bool(row["fill_up"]))
        for row in rows[rows["lacking"] > 0].to_dict("records")
    ]
    extra = float(rows["extra_money"].sum())
    if extra > 0:
        notes.append(f"Packs and least quantities add {_money(extra)} to what is short of the levels.")
    return notes


def overdue_notes(rows: pd.DataFrame, orders: pd.DataFrame) -> list[str]:
    """rows: see `stock.buying.overdue`; orders: the history's table."""
    if orders.empty:
        return ["No order is known: load `orders` to see which are late."]
    still = int(orders["received_on"].isna().sum())
    return [f"{len(rows)} of {_many(still, 'open order')} should have come."]


def short_notes(rows: pd.DataFrame) -> list[str]:
    """rows: see `stock.buying.short_before_arrival`."""
    if rows.empty:
        return ["Nothing is likely to run out before an order placed today arrives."]
    likely = int((rows["chance_short"] >= 0.5).sum())
    return [
        f"{_many(len(rows), 'part')} may run out before an order placed today arrives, {likely} more likely than not."
    ]


def dead_notes(rows: pd.DataFrame) -> list[str]:
    """rows: see `stock.buying.dead_stock`."""
    unpriced = int(rows["money"].isna().sum())
    words = f"{_money(float(rows['money'].sum()))} in money lies in {_many(len(rows), 'line')} beyond what is foreseen"
    return [words + (f", {unpriced} of them without a price." if unpriced else ".")]


def lot_notes(rows: pd.DataFrame) -> list[str]:
    """rows: columns of `stock.lots.COLUMNS`."""
    if rows.empty:
        return ["No part that is wanted has a price."]
    saved = float(rows["saving"].clip(lower=0).sum())
    return [f"Buying these lots instead of the smallest that can be bought saves {_money(saved)} a year."]


def mark_notes(marks: pd.DataFrame) -> list[str]:
    """marks: see `stock.curve.marks`."""
    return [
        f"{str(row['label'])[0].upper()}{str(row['label'])[1:]}: {_money(row['money'])} in money, "
        f"{100 * row['job_fill']:.0f} % of jobs don't wait (90 % interval {100 * row['job_fill_lower']:.0f} to "
        f"{100 * row['job_fill_upper']:.0f} %); the same money could reach {100 * row['same_money_fill']:.0f} %, and "
        f"as many jobs could be filled for {_money(row['same_fill_money'])}."
        for row in marks.to_dict("records")
    ]


def what_if_notes(
    texts: tuple[str, ...], now: tuple[float, float, float], then: tuple[float, float, float]
) -> list[str]:
    """now, then: money on the shelves, money to order today and job fill rate, as it is and as supposed."""
    return [
        f"Supposed: {', '.join(texts)}. Nothing in the store was changed.",
        f"As it is, {_money(now[0])} on the shelves fills {100 * now[2]:.1f} % of jobs, with {_money(now[1])} to order "
        f"today; supposed, {_money(then[0])} fills {100 * then[2]:.1f} %, with {_money(then[1])} to order today.",
    ]
