"""Sentences on how sure a fitted life is, which make is worth its price, and what drives failure rates."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from rebuildstats.render import digits, percent

_APART = 1.5


def rival_words(rows: pd.DataFrame, distance: str, *, top: int = 5) -> list[str]:
    """Where sound rivals say different things of B10, the widest apart first."""
    if rows.empty:
        return ["No component has a fitted life yet: nothing to compare."]
    lines = []
    for (family, component), all_of_it in rows.groupby(["family", "component"], sort=False, dropna=False):
        serious = all_of_it[all_of_it["settled"] & ((all_of_it["share"] >= 0.05) | all_of_it["chosen"])]
        if len(serious) < 2:
            continue
        ordered = serious.sort_values("b10", kind="stable").to_dict("records")
        low, high = ordered[0], ordered[-1]
        if high["b10"] / max(low["b10"], 1e-12) >= _APART:
            said = f"{digits(low['b10'])} {distance} by the {low['distribution']}"
            other = f"{digits(high['b10'])} by the {high['distribution']}"
            line = f"{family} {component}: the data can't tell well which holds; B10 is {said}, {other}."
            lines.append((high["b10"] / low["b10"], line))
    lines.sort(key=lambda one: -one[0])
    if not lines:
        return ["Wherever two distributions are in earnest running, they agree on B10 within a factor of 1.5."]
    return [line for _, line in lines[:top]]


def doubt_words(rows: pd.DataFrame, distance: str, *, top: int = 5) -> list[str]:
    """Curves that don't fit, components that fail young, and fits that a few wrong verdicts would move."""
    if rows.empty:
        return ["No component with a failure has a fitted life yet: nothing to doubt."]
    lines = [
        f"{row['family']} {row['component']} ({digits(row['events'])} failures): {row['statement']}."
        for row in rows[rows["fit_p_value"] < 0.01].sort_values("fit_p_value").head(top).to_dict("records")
    ]
    lines += [early_sentence(row) for row in early(rows).head(top).to_dict("records")]
    moved = rows.assign(least=rows["b10_if_missed_fails"] / rows["b10"], most=rows["b10_if_false_fails"] / rows["b10"])
    moved = moved[(moved["least"] < 0.8) | (moved["most"] > 1.25)].sort_values("least")
    lines += [
        f"{row['family']} {row['component']}: were 2 % of the verdicts wrong, B10 of {digits(row['b10'])} {distance} "
        f"would be {digits(row['b10_if_missed_fails'])} (failed ones passed) or {digits(row['b10_if_false_fails'])} "
        f"(good ones failed)."
        for row in moved.head(top).to_dict("records")
    ]
    if not lines:
        return [f"Of {len(rows)} fitted components none is refuted, fails young, or hangs on a few verdicts."]
    return lines


def early(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows of a doubt table whose components fail young, the surest first."""
    return rows[rows["early_signal"]].sort_values("early_p_value", kind="stable")


def early_sentence(row: dict[Any, Any]) -> str:
    """One component that fails when young: look at fitting and parts."""
    return (
        f"{row['family']} {row['component']}: {digits(round(row['early_observed'], 1))} failures in the first tenth of "
        f"life where wear alone gives {digits(round(row['early_expected'], 1))} (p = {row['early_p_value']:.2g}, "
        f"{digits(row['events'])} failures in all): look at fitting and parts before wear."
    )


def make_words(rows: pd.DataFrame, distance: str) -> list[str]:
    """Per component, which make lasts longer and whether it is worth its price."""
    if rows.empty:
        return [
            "No component has two makes with three failures each: nothing to set side by side yet. A make is known "
            "where `findings` name the part fitted."
        ]
    compared = rows[rows["part"] != rows["against"]]
    lines = [make_sentence(row, distance) for row in compared.to_dict("records")]
    return [*lines, "Costs are the part's price alone; a longer life also saves the labour of changing it."]


def make_sentence(row: dict[Any, Any], distance: str) -> str:
    """One make against the one that ran the most distance."""
    longer = "can't be told from"
    if row["ratio_lower"] > 1:
        longer = "lasts longer than"
    elif row["ratio_upper"] < 1:
        longer = "lasts less long than"
    said = (
        f"{row['family']} {row['component']}: {row['part']} {longer} {row['against']}: {_span(row, 'ratio')} times "
        f"its life, from {digits(row['events'])} failures in {digits(row['lives'])} lives"
    )
    if math.isnan(row["cost_ratio"]):
        return f"{said}. Its price against the other's is not known."
    verdict = "whether it is worth its price can't be told yet"
    if row["cost_ratio_upper"] < 1:
        verdict = "it is worth its price"
    elif row["cost_ratio_lower"] > 1:
        verdict = "it is not worth its price"
    cost = f"{_money(row['cost_per_10000'])} ({_money(row['cost_lower'])} to {_money(row['cost_upper'])})"
    times = f"{_span(row, 'cost_ratio')} times as much as the other"
    return f"{said}. It costs {cost} per 10,000 {distance}, {times}: {verdict}."


def rate_words(regression: Any) -> list[str]:
    """What duty, site and family do to the failure rate, and whether the counts scatter more than chance."""
    if regression is None:
        return ["No failure yet, or nothing to compare: rates have bounds, but no duty, site or family to set apart."]
    more = f"The counts scatter more than chance (p = {regression.dispersion_p:.2g})"
    spread = {
        "negative_binomial": f"{more}: negative binomial, alpha {digits(regression.dispersion)}",
        "quasi_poisson": f"{more}: variance {regression.dispersion:.1f} times the mean, intervals widened by it",
    }.get(regression.model, f"The counts scatter no more than chance (p = {regression.dispersion_p:.2g}): Poisson")
    lines = [f"{spread}, from {digits(regression.events)} failures."]
    effects = regression.effects
    for term, levels in effects.groupby("term", sort=False):
        base = levels.iloc[0]["level"]
        for row in levels.iloc[1:].to_dict("records"):
            sure = "" if row["ratio_lower"] > 1 or row["ratio_upper"] < 1 else ", which may be chance"
            lines.append(
                f"{term} {row['level']}: {_span(row, 'ratio')} times the rate of {term} {base}, "
                f"{digits(row['events'])} failures{sure}."
            )
    return lines


def point_words(rows: pd.DataFrame, handled: pd.DataFrame, distance: str, *, top: int = 5) -> list[str]:
    """Points whose readings and fails, or readings and fitted life, disagree; readings converted or set aside."""
    apart = rows[rows["disagrees"]]
    lines = [f"{row['family']} {row['point']}: {_apart(row, distance)}." for row in apart.head(top).to_dict("records")]
    if len(apart) > top:
        lines.append(f"... and {len(apart) - top} more points that disagree.")
    if len(handled):
        gone = handled["set_aside"] != ""
        lines += _listed(handled[~gone], "converted_from", "read in another unit and converted", "value")
        lines += _listed(handled[gone], "set_aside", "set aside, not deleted; correct them in `findings`", None)
    return lines or ["Readings, fails and fitted lives agree at every point; no reading was converted or set aside."]


def _apart(row: dict[Any, Any], distance: str) -> str:
    if row["reason"].startswith("its fails"):
        counts = f"{digits(row['fails'])} fails in {digits(row['checked'])} checks"
        return f"{counts}, its {digits(row['readings'])} readings foretell {digits(round(row['fails_by_readings'], 1))}"
    limit = f"{digits(row['age_10'])} {distance} ({digits(row['age_10_lower'])} to {digits(row['age_10_upper'])})"
    life = f"{digits(row['b10'])} ({digits(row['b10_lower'])} to {digits(row['b10_upper'])})"
    return f"one in ten readings beyond the limit by {limit}, but the fitted life says {life}"


def _listed(rows: pd.DataFrame, why: str, done: str, taken: str | None, *, top: int = 50) -> list[str]:
    """How many readings were treated in one way, then each: where, what was read, why, as what it counts."""
    if rows.empty:
        return []
    lines = [f"{len(rows)} reading{'' if len(rows) == 1 else 's'} {done}:"]
    for row in rows.head(top).to_dict("records"):
        counts = f", counts as {digits(row[taken])}" if taken else ""
        lines.append(
            f"- {row['family']} {row['point']}, unit {row['unit']} in {row['job']}: {digits(row['reading'])} "
            f"({row[why]}){counts}"
        )
    return [*lines, f"- and {len(rows) - top} more"] if len(rows) > top else lines


def disagreement_words(rows: pd.DataFrame, *, top: int = 3) -> list[str]:
    """Of a `wear` table, the points whose own chance lies apart from their component's."""
    apart = rows[rows["disagrees"].fillna(False).astype(bool)] if len(rows) else rows
    return [
        f"{row['component']} · {row['point']}: its own checks say {percent(row['point_chance'])} "
        f"({percent(row['point_lower'])} to {percent(row['point_upper'])}, {digits(row['failed'])} fails of "
        f"{digits(row['checked'])}), the fitted life {percent(row['chance_bad'])}: look at both."
        for row in apart.head(top).to_dict("records")
    ]


def _span(row: dict[Any, Any], name: str) -> str:
    return f"{row[name]:.2f} ({row[f'{name}_lower']:.2f} to {row[f'{name}_upper']:.2f})"


def _money(value: float) -> str:
    return "unknown" if math.isnan(value) else f"{value:,.2f}"
