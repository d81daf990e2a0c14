"""What jobs took in hours, money and waiting, in words that say how many of them it is known for."""

from __future__ import annotations

from datetime import date

import pandas as pd

from rebuildstats.render import digits

_YEAR_DAYS = 365


def spent_words(jobs: pd.DataFrame) -> str:
    """Labour hours and outside cost of jobs: each sum with how many jobs it is written down for; where it is for none,
    the figure that is missing. jobs: columns labour_hours, outside_cost.
    """
    return "; ".join(
        _sum_words(jobs[column], told, column)
        for column, told in (("labour_hours", "labour hours"), ("outside_cost", "outside cost"))
    )


def _sum_words(values: pd.Series, told: str, column: str) -> str:
    known, of = int(values.notna().sum()), len(values)
    if not known:
        return f"{told} not known: {column} is empty for all {of:,}"
    among = f"all {of:,}" if known == of else f"{known:,} of {of:,}, {column} is empty for the others"
    return f"{digits(float(values.sum()))} {told} (written down for {among})"


def held_words(teardowns: pd.DataFrame, as_of: date) -> str:
    """How many jobs of the last year waited for a part and how long; counts where the dates are missing.

    teardowns: columns opened_on, waiting_for, waiting_from, waiting_until.
    """
    ago = (pd.Timestamp(as_of) - teardowns["opened_on"]).dt.days
    year = teardowns[ago < _YEAR_DAYS]
    waited = year[year["waiting_for"].notna() | year["waiting_from"].notna()]
    if waited.empty:
        never = teardowns["waiting_for"].isna().all() and teardowns["waiting_from"].isna().all()
        if never:
            return (
                "How often jobs waited for a part is not known: waiting_for, waiting_from and waiting_until are empty."
            )
        return f"None of the {len(year):,} jobs of the last year is written down as having waited for a part."
    days = (waited["waiting_until"] - waited["waiting_from"]).dt.days.dropna()
    said = f"{len(waited):,} of the {len(year):,} jobs of the last year waited for a part"
    if days.empty:
        return f"{said}; how long is not known: waiting_from or waiting_until is empty for all of them."
    missing = len(waited) - len(days)
    rest = f", waiting_from or waiting_until is empty for {missing:,}" if missing else ""
    return f"{said}: {digits(float(days.sum()))} days in all over {len(days):,} of them{rest}."
