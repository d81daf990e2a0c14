"""The reason of an order line, in one sentence with its numbers."""

from __future__ import annotations

from typing import Any

import pandas as pd

_CLEARLY = 0.5  # pieces by which the coming lead time's wants must differ from the usual to be spoken of


def pieces(number: float) -> str:
    return f"{number:,.0f}" if abs(number - round(number)) < 0.05 else f"{number:,.1f}"


def count(number: float) -> str:
    """An expected count: one decimal below 10, whole above."""
    if 0 < number < 0.05:
        return "fewer than 0.1"
    return f"{number:,.1f}" if number < 9.95 else f"{number:,.0f}"


def percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.01 or share == 0 else "under 1 %"


def days(number: float) -> str:
    whole = round(number)
    return f"{whole:,} day{'s' * (whole != 1)}"


def line_reason(row: dict[str, Any]) -> str:
    """One sentence. row: the line's figures as `lines.py` lays them out (jobs and pieces are per year)."""
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
    if row["buy_to_order"]:
        return f"Buy to order ({row['why_not_stocked']}): {who}{_spared(row)}; {_shelf(row)}.{_notes(row)}"
    return f"{who[0].upper()}{who[1:]}; {_soon(row)}; {_shelf(row)}, so {_act(row)}; {_shortage(row)}.{_notes(row)}"


def _spared(row: dict[str, Any]) -> str:
    if row["jobs_a_year"] <= 0:
        return ""
    if row["first_piece_jobs"] <= 0:
        return f", and a first piece at {_price(row)} alone would spare no job a wait"
    jobs = count(row["first_piece_jobs"])
    return (
        f", and a first piece at {_price(row)} would spare {jobs} jobs a year a wait of {days(row['lead_time_days'])}"
    )


def _who(row: dict[str, Any]) -> str:
    when = "" if pd.isna(row["wanted_by"]) else f", the next by about {row['wanted_by']:%Y-%m-%d}"
    if row["jobs_a_year"] <= 0:
        return f"{count(row['pieces_a_year'])} pieces a year are expected over the counter{when} and none at a teardown"
    family = f"{row['families']} teardowns" if row["families"] else "teardowns"
    return (
        f"about {count(row['jobs_a_year'])} of {count(row['family_jobs_a_year'])} {family} a year need it "
        f"({percent(row['chance_each'])} each){when}"
    )


def _soon(row: dict[str, Any]) -> str:
    """What the coming lead time wants, and where it is more or less than usual."""
    mean, usual = row["lead_time_mean"], row["usual_mean"]
    words = f"{count(mean)} pieces are wanted in the {days(row['lead_time_days'])} that an order takes"
    if row["booked"]:
        words += f", into which {row['booked']} booked teardown{'s fall' if row['booked'] > 1 else ' falls'}"
    words += f", nineteen times in twenty at most {pieces(row['lead_time_q95'])}"
    if row["order_up_to"] != row["level_all_year"] or abs(mean - usual) > max(_CLEARLY, 0.25 * usual):
        words += f" (usually {count(usual)})"
    return words


def _shelf(row: dict[str, Any]) -> str:
    words = f"{pieces(row['on_hand'])} on the shelf, {pieces(row['on_order'])} on order"
    if row["old_stock"]:
        words += f", {pieces(row['old_stock'])} of the part it replaces to use up first"
    return words


def _act(row: dict[str, Any]) -> str:
    if not row["order_now"]:
        return "nothing to order now"
    short = row["order_up_to"] - row["on_hand"] - row["on_order"] - row["old_stock"]
    if row["order_now"] <= short + 1:
        return f"order {pieces(row['order_now'])} now"
    least = f"packs of {row['pack_size']:.0f}" if row["pack_size"] > 1 else f"no fewer than {row['min_order']:.0f}"
    return (
        f"{pieces(short)} short of the {pieces(row['order_up_to'])} to hold, order {pieces(row['order_now'])} ({least})"
    )


def _shortage(row: dict[str, Any]) -> str:
    if row["held_jobs_avoided"] <= 0:
        return "no job waits for it"
    jobs = row["held_jobs_avoided"]
    return f"unstocked it would hold up {count(jobs)} jobs a year for about {days(row['lead_time_days'])} each"


def _price(row: dict[str, Any]) -> str:
    return "an unknown price" if pd.isna(row["unit_cost"]) else f"{row['unit_cost']:,.2f}"


def _coming(row: dict[str, Any]) -> str:
    return f" and {pieces(row['on_order'])} on order" if row["on_order"] else ""


def _notes(row: dict[str, Any]) -> str:
    """What makes a figure weaker than it looks, each in a short sentence of its own bracket."""
    notes = []
    if not row["counted"]:
        notes.append("no stock table, so nothing is taken to be on hand")
    if row["missing"] > 0:
        notes.append(f"the books show {pieces(row['missing'])} more issued than counted in")
    if pd.isna(row["unit_cost"]):
        notes.append("no price known, the middle price is used to choose")
    if row["out_of_date"] >= 0.5:
        notes.append(
            f"about {pieces(round(row['out_of_date']))} of the pieces would go out of date before they are used: its "
            f"shelf life is {days(row['shelf_life_days'])}"
        )
    if row["lead_orders"] > 0:
        notes.append(
            f"lead time from {row['lead_orders']:.0f} past order{'s' * (row['lead_orders'] != 1)} and the stated one"
        )
    elif row["lead_basis"] == "the usual":
        notes.append("no lead time stated, the usual one is used")
    if row["not_reached"]:
        notes.append("SAFETY: the money does not reach it")
    elif row["safety"] and row["buy_to_order"]:
        notes.append("SAFETY: a part of a safety component, on no shelf")
    return f" ({'; '.join(notes)})" if notes else ""
