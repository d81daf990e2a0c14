"""The reason of an order line, in one sentence with its numbers."""

from __future__ import annotations

from typing import Any


def pieces(number: float) -> str:
    return f"{number:,.0f}" if abs(number - round(number)) < 0.05 else f"{number:,.1f}"


def count(number: float) -> str:
    """An expected count: one decimal below 10, whole above."""
    if 0 < number < 0.05:
        return "fewer than 0.1"
    return f"{number:,.1f}" if number < 9.95 else f"{number:,.0f}"


def percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.01 or share == 0 else "under 1 %"


def line_reason(row: dict[str, Any]) -> str:
    """One sentence. row: the line's figures as `plan.py` lays them out (jobs and pieces are per year)."""
    if isinstance(row["replaced_by"], str):
        return (
            f"Replaced by {row['replaced_by']}: use up the {pieces(row['on_hand'])} on the shelf"
            f"{_coming(row)} first, order none.{_notes(row)}"
        )
    if row["pieces_a_year"] <= 0:
        there = row["on_hand"] + row["on_order"]
        tail = f": {pieces(row['on_hand'])} on the shelf{_coming(row)} and none of it needed" if there else ""
        return f"No teardown and no sale in the next {row['days']:.0f} days is expected to need it{tail}.{_notes(row)}"
    who = _who(row)
    shelf = f"{pieces(row['on_hand'])} on the shelf, {pieces(row['on_order'])} on order"
    if row["old_stock"]:
        shelf += f", {pieces(row['old_stock'])} of the part it replaces to use up first"
    lead = f"its lead time of {row['lead_time_days']:.0f} days"
    if row["order_up_to"] == 0:
        return (
            f"Buy to order: {who}, and a first piece at {row['price']} would spare "
            f"{count(row['first_piece_jobs'])} jobs a year a wait of about "
            f"{row['wait_days']:.0f} days; {shelf}.{_notes(row)}"
        )
    want = (
        f"{count(row['lead_time_mean'])} pieces are wanted during {lead}, nineteen times in twenty at most "
        f"{pieces(row['lead_time_q95'])}"
    )
    act = f"order {pieces(row['order_now'])} now" if row["order_now"] else "nothing to order now"
    hold = (
        f"unstocked it would hold up {count(row['held_jobs_avoided'])} jobs a year "
        f"for about {row['wait_days']:.0f} days each"
        if row["held_jobs_avoided"] > 0
        else "no job waits for it"
    )
    return f"{who[0].upper()}{who[1:]}; {want}; {shelf}, so {act}; {hold}.{_notes(row)}"


def _who(row: dict[str, Any]) -> str:
    if row["jobs_a_year"] <= 0:
        return f"{count(row['pieces_a_year'])} pieces a year are expected over the counter and none at a teardown"
    near = f"{count(row['jobs_in_lead_time'])} of them within the lead time"
    family = f"{row['families']} teardowns" if row["families"] else "teardowns"
    return (
        f"about {count(row['jobs_a_year'])} of {count(row['family_jobs_a_year'])} {family} a year need it "
        f"({percent(row['chance_each'])} each), {near}"
    )


def _coming(row: dict[str, Any]) -> str:
    return f" and {pieces(row['on_order'])} on order" if row["on_order"] else ""


def _notes(row: dict[str, Any]) -> str:
    """What makes a figure weaker than it looks, each in a short sentence of its own bracket."""
    notes = []
    if not row["counted"]:
        notes.append("no stock table, so nothing is taken to be on hand")
    if row["missing"] > 0:
        notes.append(f"the books show {pieces(row['missing'])} more issued than counted in")
    if row["price"] == "an unknown price":
        notes.append("no price known, the middle price is used to choose")
    if row["lead_orders"] > 0:
        notes.append(
            f"lead time from {row['lead_orders']:.0f} past order{'s' * (row['lead_orders'] != 1)} and the stated one"
        )
    elif row["lead_basis"] == "the usual":
        notes.append("no lead time stated, the usual one is used")
    if row["not_reached"]:
        notes.append("SAFETY: the money does not reach it")
    return f" ({'; '.join(notes)})" if notes else ""
