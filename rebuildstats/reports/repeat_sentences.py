"""Sentences for what comes back: what it looks like, how sure, since when, and where to look first."""

from __future__ import annotations

from typing import Any

import pandas as pd

LOOKS = {
    "early_life": "It fails soon after fitting: look at how it is fitted, or at the piece itself, before its wear.",
    "make": "One make fails more than the others in the same place at the same age: hold it beside another make.",
    "vehicle_use": "It follows one vehicle through its units: look at how that vehicle is used, loaded and cooled.",
    "site": "It follows one site: look at what its vehicles share (roads, loads, oil, washing, storage).",
    "procedure": "It follows the work done at one bench: look at its tools, gauges and procedure, not at the person.",
    "missing_renewal": (
        "Most of these began at a rebuild whose sheet doesn't record the renewal: was it done, with all small parts?"
    ),
    "batch": "Pieces fitted from then on fail more than those before: a batch, a change of supply or of procedure.",
    "wear_out": "The whole family fails more than its ages explain: a change of use, of oil or of loads.",
}
KINDS = {
    "component": "Component",
    "part": "Part",
    "family": "Family",
    "vehicle": "Vehicle",
    "site": "Site",
    "bench": "Work at bench",
}


def repeat_sentence(row: Any) -> str:
    """One flagged row of the command `repeats`, as `Series` or mapping, in words with its counts and interval.

    A row that isn't flagged gets the plain statement that it is within what its exposure explains.
    """
    name = f"{KINDS.get(str(row['kind']), str(row['kind']))} {row['name']}"
    place = _place(row)
    if not row["flagged"]:
        expected = _number(row["expected"])
        return f"{name}{place}: {int(row['observed'])} failures where {expected} were to be expected; nothing to chase."
    counts = (
        f"{int(row['observed'])} failures in service where {_number(row['expected'])} were to be expected "
        f"({_number(row['ratio'])} times, 90 % interval {_number(row['ratio_lower'])} to {_number(row['ratio_upper'])})"
    )
    if row["by"] == "teardowns":
        counts = (
            f"{int(row['found'])} found bad at teardowns where {_number(row['found_expected'])} were to be expected "
            f"({_number(row['ratio'])} times, 90 % interval {_number(row['ratio_lower'])} to "
            f"{_number(row['ratio_upper'])}); it does not show in service"
        )
    if row["by"] == "comebacks":
        expected = _number(row["comebacks_expected"])
        counts = f"{int(row['comebacks'])} comebacks where {expected} were to be expected, {counts}"
    when = "" if pd.isna(row["since"]) else f", since about {pd.Timestamp(row['since']):%Y-%m-%d}{_dated(row)}"
    if not pd.isna(row["until"]):
        when += f" until about {pd.Timestamp(row['until']):%Y-%m-%d}"
    jobs = [job for job in str(row["jobs"]).split(", ") if job]
    shown = ", ".join(jobs[:6]) + (f" and {len(jobs) - 6} more" if len(jobs) > 6 else "")
    behind = f" Teardowns behind it: {shown}." if jobs else ""
    return f"{name}{place}: {counts}{when}. {LOOKS.get(str(row['looks_like']), '')}{behind}"


def _dated(row: Any) -> str:
    """How surely the start is dated: its 90 % limits, where they were worked out."""
    limits = row.get("since_lower"), row.get("since_upper")
    if any(pd.isna(limit) for limit in limits):
        return ""
    first, last = (f"{pd.Timestamp(limit):%Y-%m-%d}" for limit in limits)
    return f" (90 % sure between {first} and {last})"


def _place(row: Any) -> str:
    component, family = (str(row[c]) if isinstance(row[c], str) else "" for c in ("component", "family"))
    words = [w for w in (component if component != row["name"] else "", family if family != row["name"] else "") if w]
    return f" ({' of '.join(words)})" if words else ""


def _number(value: Any) -> str:
    number = float(value)
    if number != number:
        return "an unknown number"
    if number == float("inf"):
        return "any number"
    return f"{number:.0f}" if number >= 10 else f"{number:.1f}" if number >= 0.95 else f"{number:.2f}"
