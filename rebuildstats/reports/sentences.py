"""Words for people: each desk's answer in sentences, made from the frames of the results.

Every function takes frames with the contract's columns and returns a list of lines without line breaks. Numbers keep
their interval and their count: a sentence that hides either would claim more than the history can say.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date
from typing import Any

import pandas as pd

from rebuildstats.history.days import AsKnown
from rebuildstats.render import digits, percent
from rebuildstats.reports.repeat_sentences import repeat_sentence

CLOSING = "the maker's limit, local codes and a licensed technician's judgement come before this forecast"
NO_CAUTIONS = "no caution is recorded for this family's points: the maker's instructions say what to beware of"
LIFE_NEXT = (
    "How sure: `rebuildstats doubts` (fit, early life, verdicts), `rebuildstats rivals` (other distributions). Makes "
    "of a part side by side: `rebuildstats makes`."
)
DISTANCE_WORDS = {"mi": "miles", "km": "kilometres", "h": "hours"}


def distance_text(value: float, unit: str) -> str:
    """140000, 'mi' -> '140,000 miles'."""
    return f"{digits(value)} {DISTANCE_WORDS.get(unit, unit)}"


def cautions(points: pd.DataFrame, family: str) -> list[str]:
    """The warnings of a family's points, each once, in the order of the points, with the points they stand at.

    points: the history's `points` table (family, point, component, caution).
    """
    mine = points[(points["family"] == family) & points["caution"].notna()]
    where: dict[str, list[str]] = {}
    for component, point, caution in zip(mine["component"], mine["point"], mine["caution"], strict=True):
        where.setdefault(str(caution), []).append(f"{component}: {point}")
    return [f"CAUTION: {text} ({', '.join(places)})" for text, places in where.items()]


def counter(order: pd.DataFrame, parts: pd.DataFrame, *, top: int = 5) -> list[str]:
    """What to order today: lines, pieces and money, and the first lines with their reasons.

    order: columns of the contract's `order`. parts: the history's `parts` table, for the names.
    """
    if order.empty:
        return ["Nothing to say about ordering: no part is known. Load `parts` and `part_uses`."]
    now = order[order["order_now"] > 0]
    if now.empty:
        return [f"Nothing to order today: every one of {_count(len(order), 'shelf line')} is covered."]
    money = float(now["order_cost"].sum(skipna=True))
    unpriced = int(now["order_cost"].isna().sum())
    pieces = digits(float(now["order_now"].sum()))
    head = f"Order {_count(len(now), 'line')} today, {pieces} pieces, {digits(money)} in money"
    head += f" ({unpriced} of them without a price)." if unpriced else "."
    names = dict(zip(parts["part"], parts["name"], strict=True))
    lines = [head]
    worst = now.sort_values(["held_jobs_avoided", "order_cost"], ascending=False, kind="stable").head(top)
    for row in worst.to_dict("records"):
        part = _named(row["part"], names)
        lines.append(f"{digits(row['order_now'])} x {part} for {row['site']}: {_sentence(row['reason'])}")
    if len(now) > len(worst):
        lines.append(f"... and {_count(len(now) - len(worst), 'more line')}.")
    return lines


def office(repeats: pd.DataFrame, inspections: pd.DataFrame, *, top: int = 5) -> list[str]:
    """What keeps coming back, and which inspections most often fail."""
    lines: list[str] = []
    flagged = repeats[repeats["flagged"].astype(bool)] if len(repeats) else repeats
    if flagged.empty:
        lines.append(f"Nothing comes back more than it should among {_count(len(repeats), 'group')} looked at.")
    else:
        lines.append(f"{_count(len(flagged), 'group')} of {len(repeats)} looked at come back more than they should:")
        worst = flagged.sort_values(["q_value", "ratio"], ascending=[True, False], kind="stable").head(top)
        lines.extend(repeat_sentence(row) for row in worst.to_dict("records"))
    often = inspections[inspections["failed"] > 0] if len(inspections) else inspections
    if often.empty:
        lines.append("No inspection has failed yet.")
        return lines
    lines.append("Inspections that most often fail:")
    worst = often.sort_values(["share", "checked"], ascending=False, kind="stable").head(top)
    lines.extend(_inspection(row) for row in worst.to_dict("records"))
    return lines


def bench(wear: pd.DataFrame, subject: str, *, top: int = 6) -> list[str]:
    """What usually wears in one unit (or a family at a mileage): chances, readings to expect, parts to pull.

    wear: columns of the contract's `wear`. subject: 'unit X (family Y) at 140,000 miles'.
    """
    if wear.empty:
        return [f"{subject}: nothing is known of its components yet."]
    lines = [f"{subject}: what usually wears"]
    order = wear.sort_values("chance_bad", ascending=False, kind="stable", na_position="last")
    lines.extend(_wear_row(row) for row in order.drop_duplicates("component").head(top).to_dict("records"))
    pull = parts_to_pull(wear)
    if pull:
        lines.append("Pull: " + ", ".join(f"{digits(quantity)} x {part}" for part, quantity in pull[:12]))
    return lines


def unit_to_look_at(units: pd.DataFrame) -> dict[Any, Any]:
    """The unit in service that has run longest since its last rebuild: the likeliest to come to the bench next.

    units: `Records.units`. Where no age is known, any unit; its age is then 0.
    """
    running = units[units["in_service"] & units["age"].notna()]
    chosen = running if len(running) else units.assign(age=units["age"].fillna(0.0))
    row: dict[Any, Any] = chosen.sort_values(["age", "unit"], ascending=[False, True]).iloc[0].to_dict()
    return row


def unit_words(unit: dict[Any, Any], distance: str) -> str:
    """'unit P-17 (family P, vehicle T3), 140,000 miles since its last rebuild'."""
    where = "on the shelf" if _empty(unit["vehicle"]) else f"vehicle {unit['vehicle']}"
    run = distance_text(float(unit["age"]), distance)
    return f"unit {unit['unit']} (family {unit['family']}, {where}), {run} since its last rebuild"


def unit_facts(unit: dict[Any, Any], distance: str) -> tuple[tuple[str, str], ...]:
    """What the head of a unit's sheet says of it, as far as it is known: label and value."""
    shown = (
        ("Vehicle", unit["vehicle"]),
        ("Site", unit["site"]),
        ("Mileage", None if _empty(unit["mileage"]) else distance_text(float(unit["mileage"]), distance)),
        ("Last opened", None if _empty(unit["last_opened_on"]) else str(unit["last_opened_on"])[:10]),
        ("Rebuilds", unit["rebuilds"]),
    )
    return tuple((label, str(value)) for label, value in shown if not _empty(value))


def history_size(counts: pd.DataFrame, as_of: Any) -> list[str]:
    """What a history holds, from the counts of its load, and its last day."""
    rows = dict(zip(counts["table"], counts["new"] + counts["changed"] + counts["same"], strict=True))
    shown = ", ".join(f"{int(rows[name]):,} {name}" for name in ("units", "teardowns", "findings") if name in rows)
    return [f"{shown}, up to {str(as_of)[:10]}."]


def next_steps(store: Any, sheet: Any) -> list[str]:
    """How to go on after the demo."""
    return [
        f"The unit's inspection sheet, to print and fill in: {sheet}",
        f"The same with pictures, in the browser: rebuildstats --store {store} dashboard",
        f"Any question at the terminal: rebuildstats --store {store} --help",
        "Your own history: rebuildstats init --distance mi, then rebuildstats load FOLDER (the README says how).",
    ]


def parts_to_pull(wear: pd.DataFrame, *, at_least: float = 0.5) -> list[tuple[str, float]]:
    """(part, pieces) for every component more likely than not to be found bad, each part once.

    at_least: the chance from which a part is worth fetching before the unit is open.
    """
    likely = wear[(wear["chance_bad"] >= at_least) & wear["part"].notna()]
    each = likely.drop_duplicates(["component", "part"])
    pieces = each.groupby("part", sort=False)["quantity"].sum()
    return [(str(part), float(quantity)) for part, quantity in pieces.items()]


def order_notes(
    goal: str, reached: tuple[float, float, float, int], money: float, not_reached: Sequence[str]
) -> list[str]:
    """What an order's levels promise; reached: job fill rate, its 90 % interval, sampled jobs; money: held in all."""
    rate, lower, upper, jobs = reached
    lines = [
        f"For a {goal}: these levels hold {digits(money)} in money; {percent(rate)} of jobs would find every part "
        f"on the shelf (90 % interval {percent(lower)} to {percent(upper)}, {jobs:,} jobs sampled)."
    ]
    if not_reached:
        lines.append(f"The money does not reach parts of safety components: {', '.join(not_reached)}.")
    return lines


def load_sum(counts: pd.DataFrame) -> str:
    """read = new + changed + same + rejected + held + blank, with the numbers."""
    total = counts[["read", "new", "changed", "same", "rejected", "held", "blank"]].sum()
    parts = " + ".join(f"{name} {total[name]:.0f}" for name in ("new", "changed", "same", "rejected", "held", "blank"))
    return f"read {total['read']:.0f} = {parts}"


def reject_reasons(rejects: pd.DataFrame, *, top: int = 8) -> list[str]:
    """The reasons why rows did not go in, the commonest first, each with its count and its first example."""
    lines = []
    grouped = rejects.groupby(["table", "reason"], sort=False)
    for (table, reason), rows in sorted(grouped, key=lambda item: -len(item[1]))[:top]:
        first = rows.iloc[0]
        where = f"{first['file']}" + ("" if _empty(first["line"]) else f" line {first['line']}")
        value = "" if _empty(first["value"]) else f", {first['column']} = {str(first['value'])[:40]!r}"
        if not _empty(first.get("looks_like")):
            value += f", which looks like {str(first['looks_like'])[:40]!r}"
        if reason == "stored_findings_stand_against":
            value += f": {first['waits_for']}; correct or withdraw those first"
        lines.append(f"{table}: {str(reason).replace('_', ' ')}: {_count(len(rows), 'row')}, first {where}{value}")
    return lines


def as_of_words(as_of: date) -> str:
    """In which of the two senses a day of the past is meant."""
    if isinstance(as_of, AsKnown):
        return (
            f"As of {as_of}, as it was known: what this store held at the end of that day, corrections since left out."
        )
    return (
        f"As of {as_of}, as it was true: all that is known by now of what is dated to that day, corrections included."
    )


def looked_back_words(*, as_known: bool) -> str:
    """In which sense a backtest looked at the days of the past."""
    if as_known:
        return "Every past day was looked at as it was known: what this store held then, corrections since left out."
    return (
        "Every past day was looked at as it was true: all that is known by now of what is dated to it, corrections "
        "included; `--as-of known:DATE` looks at it as it was known then."
    )


def interval_text(lower: Any, upper: Any, form: Any = digits) -> str:
    """'110 to 190', with an open end said in words."""
    low, high = float(lower), float(upper)
    if math.isinf(high):
        return f"at least {form(low)}"
    return f"{form(low)} to {form(high)}"


def method_words(row: dict[Any, Any]) -> str:
    """How one method did over all parts and origins: a row of `Backtest.by_method`."""
    gain = float(row["gain"])
    better = (
        ""
        if math.isnan(gain)
        else f"; {percent(abs(gain))} {'less' if gain >= 0 else 'more'} loss than the best series method"
    )
    return (
        f"{row['method']}: loss {digits(row['pinball'])} over {row['forecasts']:,} forecasts, 90 % bands held "
        f"{percent(row['coverage_90'])} of the months{better}"
    )


def fitted_words(renewed: Sequence[str]) -> str:
    """What a fit had to do: 'components', 'units', or nothing."""
    if not renewed:
        return "Nothing has changed since the last fit."
    return f"Fitted anew: the lives of {' and '.join(renewed)}."


def complaint_notes(complaint: str | None, teardowns: pd.DataFrame, family: str) -> list[str]:
    """What to say of a complaint that no teardown of the family ever had; nothing where it is known or not asked."""
    if complaint is None:
        return []
    heard = sorted(teardowns.loc[teardowns["family"] == family, "complaint"].dropna().unique())
    if complaint.casefold() in {word.casefold() for word in heard}:
        return []
    return [
        f"No teardown of {family} had the complaint `{complaint}`, so the order is by chance alone: "
        f"{nearest(complaint, heard)}"
    ]


def nearest(name: str, known: Sequence[str]) -> str:
    """A half-sentence that helps after a name nobody knows: the nearest ones, else the first few."""
    from difflib import get_close_matches

    if not known:
        return "there is none yet"
    close = get_close_matches(name, list(known), n=3, cutoff=0.6)
    if not close:
        folded = {entry.casefold(): entry for entry in known}
        close = [folded[match] for match in get_close_matches(name.casefold(), list(folded), n=3, cutoff=0.6)]
    if close:
        return "did you mean " + " or ".join(f"`{match}`" for match in close) + "?"
    shown = ", ".join(f"`{entry}`" for entry in list(known)[:8])
    return f"there are {shown}" + (f" and {len(known) - 8} more" if len(known) > 8 else "")


def _inspection(row: dict[Any, Any]) -> str:
    return (
        f"{row['family']} {row['component']}, {_point(row['point'])}: {percent(row['share'])} of "
        f"{digits(row['checked'])} checked "
        f"(90 % interval {percent(row['share_lower'])} to {percent(row['share_upper'])})"
    )


def _wear_row(row: dict[Any, Any]) -> str:
    if _empty(row["chance_bad"]):
        bound = "" if _empty(row["chance_upper"]) else f"; at most {percent(row['chance_upper'])}"
        text = f"{row['component']}: too few seen to say{bound}"
    else:
        text = (
            f"{row['component']}: {percent(row['chance_bad'])} "
            f"(90 % interval {percent(row['chance_lower'])} to {percent(row['chance_upper'])}{_seen(row)})"
        )
    if not _empty(row["reading_q50"]):
        text += f"; {_point(row['point'])}: expect {digits(row['reading_q10'])} to {digits(row['reading_q90'])}"
        text += _limits(row["low_limit"], row["high_limit"])
    return text


def _seen(row: dict[Any, Any]) -> str:
    """What was counted behind a chance, where the table says so: failures in lives, or fails in looks."""
    if row.get("from") in ("readings", "verdicts") and not _empty(row.get("checked")):
        return f", {digits(row['failed'])} fails of {digits(row['checked'])} checks"
    if _empty(row.get("events")) or _empty(row.get("lives")):
        return ""
    return f", {digits(row['events'])} failed of {digits(row['lives'])} lives seen"


def _limits(low: Any, high: Any) -> str:
    if not _empty(low) and not _empty(high):
        return f" (limits {digits(low)} to {digits(high)})"
    if not _empty(high):
        return f" (limit: at most {digits(high)})"
    if not _empty(low):
        return f" (limit: at least {digits(low)})"
    return ""


def _named(part: str, names: dict[Any, Any]) -> str:
    name = names.get(part)
    return str(part) if _empty(name) else f"{part} ({name})"


def _point(point: Any) -> str:
    return "no named point" if _empty(point) or point == "" else str(point)


def _sentence(text: Any) -> str:
    return "" if _empty(text) else str(text)


def _count(number: int, word: str) -> str:
    return f"{number:,} {word}{'' if number == 1 else 's'}"


def _empty(value: Any) -> bool:
    return value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and math.isnan(value))
