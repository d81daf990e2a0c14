"""Sentences for what recurs, what is ruined beside it, which gauges drift; always with counts and intervals."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from rebuildstats.render import digits, percent

SURE = 0.05


def recurrence_words(rows: pd.DataFrame, distance: str) -> list[str]:
    """What a recurrence table says of each family as a whole, of the components that get worse, of groups apart."""
    all_units = rows["group"] == ""
    lines = [_family(row, distance) for row in rows[(rows["component"] == "") & all_units].to_dict("records")]
    worse = rows[(rows["component"] != "") & all_units & (rows["shape_lower"] > 1) & (rows["laplace_worse_p"] < SURE)]
    lines += [
        f"{row['family']} {row['component']} fails more often the older the unit: "
        f"power-law shape {_span(row, 'shape')} from {row['events']} failures{_form(row)}."
        for row in worse.sort_values("laplace_worse_p").head(5).to_dict("records")
    ]
    if len(worse):
        lines.append(
            "Part of that is that a new unit starts with every part new: it fades once first rebuilds are past."
        )
    apart = rows[~all_units & (rows["difference_lower"] > 0)].sort_values("difference_lower", ascending=False)
    return [*lines, *(_apart(row, distance) for row in apart.head(5).to_dict("records"))]


def _apart(row: dict[Any, Any], distance: str) -> str:
    what = f"{row['family']} {row['component']}".strip()
    return (
        f"{what}, {row['by']} {row['group']}: {_span(row, 'difference')} more failures a unit by "
        f"{digits(row['mileage'])} {distance} than the rest, from {row['events']} failures of {row['units']} units."
    )


def _family(row: dict[Any, Any], distance: str) -> str:
    counts = f"{row['family']}: {row['events']} failures of {row['units']} units"
    text = (
        f"{counts}, {_span(row, 'rate')} per 100,000 {distance}; "
        f"{_span(row, 'mean')} a unit by {digits(row['mileage'])} {distance}"
    )
    if row["costed"]:
        text += f", {_span(row, 'cost')} in money (known for {row['costed']} of them)"
    if math.isnan(row["laplace"]):
        return f"{text}. {row['reason']}."
    trend = "Neither better nor worse with mileage, as far as these can tell"
    if row["laplace_worse_p"] < SURE:
        trend = "It gets worse with mileage"
    elif row["laplace_better_p"] < SURE:
        trend = "It gets better with mileage"
    return f"{text}. {trend} (power-law shape {_span(row, 'shape')}{_form(row)})."


def _form(row: dict[Any, Any]) -> str:
    return "; a power law fits badly" if row["shape_fit_p"] < SURE else ""


def _span(row: dict[Any, Any], name: str) -> str:
    return f"{digits(row[name])} ({digits(row[f'{name}_lower'])} to {digits(row[f'{name}_upper'])})"


def damage_words(rows: pd.DataFrame, *, top: int = 5) -> list[str]:
    """The costliest knock-on damage in words; what catching it earlier would have saved in parts."""
    if rows.empty:
        return [
            "No finding is written down as damage by another part (role `consequence`), so nothing can be said yet."
        ]
    lines = []
    for row in rows.head(top).to_dict("records"):
        money = (
            "" if math.isnan(row["cost_all"]) else f", {digits(row['cost_all'])} in parts that an earlier look saves"
        )
        ruined = f"{row['family']}: {row['cause']} ruined {row['damaged']}"
        lines.append(
            f"{ruined} in {row['with_damage']} of {row['failures']} failures ({percent(row['share'])}; "
            f"{percent(row['share_lower'])} to {percent(row['share_upper'])}; "
            f"{percent(row['base_share'])} of other teardowns){money}."
        )
    return lines


def drift_words(rows: pd.DataFrame, readings: int) -> list[str]:
    """Which gauges seem to have shifted, since when, and what to do before believing their readings."""
    flagged = rows[rows["flagged"].astype(bool)] if len(rows) else rows
    if flagged.empty:
        return [f"No shift that several points share in {readings:,} readings of {len(rows)} gauges and sites."]
    lines = []
    for row in flagged.to_dict("records"):
        where = f" at {row['site']}" if row["site"] else ""
        way = "higher" if row["shift"] > 0 else "lower"
        lines.append(
            f"Readings in {row['reading_unit'] or 'their unit'}{where} stand {digits(abs(row['shift']))} of their "
            f"spread {way} since about {pd.Timestamp(row['since']):%Y-%m-%d} "
            f"({digits(row['shift_lower'])} to {digits(row['shift_upper'])}; {row['readings']} readings, "
            f"{row['points_shifted']} of {row['points']} points): check the gauge and how it is used before these are "
            "taken for wear."
        )
    return lines
