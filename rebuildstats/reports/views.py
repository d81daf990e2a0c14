"""Which columns of an answer a person's table shows, in which order; CSV and JSON always carry all of them."""

from __future__ import annotations

from typing import Final

import pandas as pd

VIEWS: Final[dict[str, tuple[str, ...]]] = {
    "lives": (
        *("family", "component", "position", "unit", "number", "entry_age", "lower_age", "upper_age"),
        *("opened_by", "closed_by", "part", "site", "duty", "bench", "end"),
    ),
    "fit": ("family", "component", "distribution", "b10", "b10_lower", "b10_upper", "events", "lives", "notes"),
    "life": (
        *("family", "component", "distribution", "scale", "shape", "b10", "b10_lower", "b10_upper"),
        *("median", "median_lower", "median_upper", "events", "lives", "exposure", "shrinkage", "reason", "notes"),
    ),
    "wear": (
        *("component", "point", "safety", "chance_bad", "chance_lower", "chance_upper", "events", "lives"),
        *("reading_q10", "reading_q50", "reading_q90", "low_limit", "high_limit", "reading_unit", "part", "quantity"),
        *("complaint_share", "complaint_count"),
    ),
    "points": (
        *("family", "point", "model", "checked", "fails", "readings", "wear_10000", "wear_lower", "wear_upper"),
        *("age_10", "age_10_lower", "age_10_upper", "age_50", "age_50_lower", "age_50_upper"),
        *("age_90", "age_90_lower", "age_90_upper", "oldest_read"),
        *("b10", "b10_lower", "b10_upper", "fails_by_readings", "disagrees", "reason"),
    ),
    "inspections": (
        *("family", "component", "point", "safety", "checked", "failed", "share", "share_lower", "share_upper"),
        *("expected_checked", "expected_failed", "left_out", "offered"),
    ),
    "repeats": (
        *("kind", "name", "family", "component", "observed", "expected", "ratio", "ratio_lower", "ratio_upper"),
        *("comebacks", "comebacks_expected", "q_value", "since", "since_lower", "since_upper", "until"),
        "flagged",
    ),
    "order": (
        *("part", "site", "order_now", "order_cost", "on_hand", "on_order", "lead_time_days", "lead_time_mean"),
        *("lead_time_q95", "reorder_point", "order_up_to", "part_fill", "held_jobs_avoided", "reason"),
    ),
}


def view(rows: pd.DataFrame, command: str) -> pd.DataFrame:
    """The columns of `rows` that a person's table shows for a command; all of them where nothing is said.

    Lines to order today come first. A column that is empty in every row is left out: it would push others away.
    """
    wanted = VIEWS.get(command)
    if wanted is None:
        return rows
    if command == "order":
        urgent = ["now", "held_jobs_avoided"]
        rows = rows.assign(now=rows["order_now"] > 0).sort_values(urgent, ascending=False, kind="stable")
    present = [name for name in wanted if name in rows]
    if command == "wear" and "from" in rows and (rows["from"] != "life").any():
        # those chances stand on looks, not on lives
        place = present.index("events")
        present[place:place] = ["from", "failed", "checked"]
    if "complaint_share" in present and rows["complaint_share"].isna().all():
        present.remove("complaint_count")
    empty = rows[present].isna() | (rows[present].astype("str").fillna("") == "")
    return rows[[name for name in present if not empty[name].all() or name in ("part", "upper_age")]]
