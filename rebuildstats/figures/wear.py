"""What wears: chances at a mileage, readings against age, which inspections fail."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from rebuildstats.figures.palette import LIGHT, Look, distance_axis, empty, finish, number, percent, span
from rebuildstats.figures.rows import BAR, error_bars, floats, hatched, start


def _title(row: pd.Series) -> str:
    point = row.get("point")
    component = str(row["component"])
    return component if point is None or pd.isna(point) or not str(point) else f"{component} · {point}"


def chance_bars(
    wear: pd.DataFrame,
    *,
    safety: Sequence[str] = (),
    names: dict[str, str] | None = None,
    most: int = 12,
    look: Look = LIGHT,
) -> go.Figure:
    """The chance that each component or point is found bad, with its 90 % interval, likeliest first.

    `wear` has the columns of the command `wear` (`chance_bad`, `chance_lower`, `chance_upper` in 0..1; `events` where
    there). A point whose chance can't be said yet is a hatched range from its lower to its upper bound. Components in
    `safety` carry a warning sign and the alarm colour. `names` gives a point's or component's written name.
    """
    if wear.empty:
        return empty("No inspection point of this family has a finding yet.", look)
    first = wear.drop_duplicates(["component", "point"]) if "point" in wear else wear.drop_duplicates("component")
    order = first["chance_bad"].fillna(first["chance_lower"]).sort_values(ascending=False).index
    top = first.loc[order].head(most)
    chance, lower, upper = (floats(top[c]) for c in ("chance_bad", "chance_lower", "chance_upper"))
    words = names or {}
    labels = []
    for _, row in top.iterrows():
        key = row.get("point") if isinstance(row.get("point"), str) and row.get("point") else row["component"]
        mark = "⚠ " if row["component"] in set(safety) else ""
        labels.append(mark + words.get(str(key), _title(row)))
    known = np.isfinite(chance)
    figure = start(labels, look, x="chance of being found bad at a teardown then", legend=False)
    rows = np.arange(len(top))
    hover = [
        f"<b>{label}</b><br>found bad: {percent(c)}<br>90 % interval {span(lo, hi, percent)}{_counts(row)}"
        for label, c, lo, hi, (_, row) in zip(labels, chance, lower, upper, top.iterrows(), strict=True)
    ]
    colour = [look.alarm if name in set(safety) else look.calm for name in top["component"]]
    if known.any():
        at = rows[known]
        figure.add_bar(
            x=chance[known],
            y=at,
            orientation="h",
            width=BAR,
            marker=hatched([colour[i] for i in at], ["/" if colour[i] == look.alarm else "" for i in at], look),
            error_x=error_bars(chance[known], lower[known], upper[known], look, cap=1.0),
            hovertext=[hover[i] for i in at],
            hoverinfo="text",
            name="chance",
        )
    if (~known).any():
        at = rows[~known]
        figure.add_bar(
            x=np.nan_to_num(upper[~known], nan=1.0) - np.nan_to_num(lower[~known]),
            base=np.nan_to_num(lower[~known]),
            y=at,
            orientation="h",
            width=BAR,
            marker={
                "color": "rgba(0,0,0,0)",
                "line": {"color": look.faint, "width": 1.2},
                "pattern": {"shape": "\\", "bgcolor": "rgba(0,0,0,0)", "fgcolor": look.faint, "size": 6},
            },
            hovertext=[hover[i] + "<br>no estimate yet, only the bounds" for i in at],
            hoverinfo="text",
            name="bounds only",
        )
    for at_row, c, hi in zip(rows.tolist(), chance, upper, strict=True):
        end = np.nanmax([hi if np.isfinite(hi) else 0, c if np.isfinite(c) else 0])
        figure.add_annotation(
            x=min(float(end), 1.0),
            y=at_row,
            xanchor="left",
            xshift=8,
            showarrow=False,
            text=f"<b>{percent(c)}</b>" if np.isfinite(c) else "can’t say yet",
            font={"color": look.ink, "size": 14},
        )
    ends = np.concatenate([chance[known], upper[np.isfinite(upper)], [0.2]])
    figure.update_xaxes(range=[0, 1.16 * min(1.0, float(ends.max()) * 1.1)], tickformat=".0%", nticks=6)
    return figure


def _counts(row: pd.Series) -> str:
    told = [f"{number(row[c])} {word}" for c, word in COUNTS.items() if c in row.index and not pd.isna(row[c])]
    return "<br>from " + ", ".join(told) if told else ""


COUNTS = {"events": "failures", "failed": "fails", "checked": "checks", "lives": "lives", "readings": "readings"}


def readings_by_age(
    readings: pd.DataFrame,
    bands: pd.DataFrame | None,
    *,
    distance: str,
    reading_unit: str,
    low_limit: float | None = None,
    high_limit: float | None = None,
    crossings: pd.DataFrame | None = None,
    at_age: float | None = None,
    look: Look = LIGHT,
) -> go.Figure:
    """Gauge readings against the component's age, the fitted 10-50-90 % band, and the limit.

    `readings`: age, reading, verdict (`ok`, `fail`, missing), and unit, job where there. `bands`: age, q10, q50, q90 in
    the reading's unit, readings (how many stand behind it; None: nothing fitted yet). `crossings`: as of `limit_ages`.
    `at_age` marks the age asked about.
    """
    if readings.empty and (bands is None or bands.empty):
        return empty("No gauge reading of this point at a known age yet.", look)
    figure = go.Figure()
    if bands is not None and not bands.empty:
        age = floats(bands["age"])
        q10, q50, q90 = (floats(bands[c]) for c in ("q10", "q50", "q90"))
        figure.add_scatter(
            x=np.concatenate([age, age[::-1]]),
            y=np.concatenate([q90, q10[::-1]]),
            fill="toself",
            fillcolor=look.veil(0, 0.18),
            line={"width": 0},
            hoverinfo="skip",
            name="8 of 10 readings lie here",
        )
        figure.add_scatter(
            x=age,
            y=q50,
            mode="lines",
            line={"color": look.calm, "width": 2.5},
            name="middle reading",
            hovertext=[
                f"at {number(a)} {distance}<br>middle {number(m, 3)} {reading_unit}<br>"
                f"8 of 10 between {number(lo, 3)} and {number(hi, 3)}<br>from {number(n)} readings"
                for a, lo, m, hi, n in zip(age, q10, q50, q90, bands["readings"], strict=True)
            ],
            hoverinfo="text",
        )
    verdict = readings["verdict"].fillna("") if "verdict" in readings else pd.Series("", index=readings.index)
    for word, mask, colour, symbol in (
        ("passed", verdict.ne("fail"), look.ten[2], "circle-open"),
        ("failed", verdict.eq("fail"), look.alarm, "x"),
    ):
        some = readings[mask]
        if some.empty:
            continue
        who = some["unit"] if "unit" in some else pd.Series("", index=some.index)
        figure.add_scatter(
            x=floats(some["age"]),
            y=floats(some["reading"]),
            mode="markers",
            marker={"color": colour, "symbol": symbol, "size": 9, "line": {"width": 1.6, "color": colour}},
            name=f"{word} ({len(some)})",
            hovertext=[
                f"{u}<br>{number(r, 3)} {reading_unit} at {number(a)} {distance}<br>{word}{there}"
                for u, r, a, there in zip(
                    who, some["reading"], some["age"], _expected_there(bands, floats(some["age"])), strict=True
                )
            ],
            hoverinfo="text",
        )
    for value, where in ((low_limit, "low limit"), (high_limit, "high limit")):
        if value is not None and np.isfinite(value):
            figure.add_hline(
                y=value,
                line={"color": look.alarm, "width": 2, "dash": "dash"},
                annotation={
                    "text": f"{where} {value:g} {reading_unit}",
                    "font": {"color": look.alarm, "size": 12},
                    "bgcolor": look.page,
                },
                annotation_position="top left",
            )
    ends = [floats(readings["age"])] if len(readings) else []
    if bands is not None and not bands.empty:
        ends.append(floats(bands["age"]))
    oldest = float(np.nanmax(np.concatenate(ends)))
    if crossings is not None:
        limits = [float(value) for value in (low_limit, high_limit) if value is not None and np.isfinite(value)]
        end = float(bands["q50"].iloc[-1]) if bands is not None and not bands.empty else np.nan
        # of two limits the one that wear comes nearest to
        nearest = min(limits, key=lambda value: abs(value - end), default=None)
        _cross(figure, crossings, nearest, oldest, distance, look)
    if at_age is not None and np.isfinite(at_age):
        figure.add_vline(
            x=at_age,
            line={"color": look.ink, "width": 1.6},
            annotation={"text": "asked about", "font": {"color": look.ink, "size": 12}},
            annotation_position="top left",
        )
    finish(
        figure,
        look,
        x=distance_axis("age since renewal", distance),
        y=f"reading ({reading_unit})" if reading_unit else "reading",
        height=380,
    )
    figure.update_xaxes(tickformat=",", rangemode="tozero")
    return figure


def _expected_there(bands: pd.DataFrame | None, ages: np.ndarray) -> list[str]:
    """For each reading's hover, between what 8 of 10 lie at its age; nothing where no band is fitted."""
    if bands is None or bands.empty:
        return [""] * len(ages)
    low, high = (np.interp(ages, floats(bands["age"]), floats(bands[name])) for name in ("q10", "q90"))
    count = number(bands["readings"].iloc[0])
    return [
        f"<br>8 of 10 lie between {number(lo, 3)} and {number(hi, 3)} there, from {count} readings"
        for lo, hi in zip(low, high, strict=True)
    ]


def _cross(
    figure: go.Figure, crossings: pd.DataFrame, limit: float | None, oldest: float, distance: str, look: Look
) -> None:
    """The ages at which shares of the positions are beyond the limit, with their intervals, on the limit's line; what
    lies beyond the oldest age drawn is left out."""
    crossings = crossings[floats(crossings["age"]) <= oldest]
    if crossings.empty or limit is None:
        return
    age, lower, upper = (floats(crossings[name]) for name in ("age", "age_lower", "age_upper"))
    for share, then in zip(crossings["share"], age, strict=True):
        figure.add_vline(
            x=then,
            line={"color": look.faint, "width": 1, "dash": "dot"},
            annotation={"text": f"{percent(share)} beyond", "font": {"color": look.faint, "size": 11}},
            annotation_position="bottom left",
        )
    figure.add_scatter(
        x=age,
        y=np.full(len(age), limit),
        mode="markers",
        marker={"symbol": "diamond", "size": 10, "color": look.alarm, "line": {"color": look.page, "width": 1}},
        error_x=error_bars(age, lower, np.minimum(upper, oldest), look),
        name="beyond the limit by",
        hovertext=[
            f"{percent(r['share'])} beyond the limit by {number(r['age'])} {distance}<br>"
            f"90 % interval {span(r['age_lower'], r['age_upper'])} {distance}<br>from {number(r['readings'])} readings"
            for _, r in crossings.iterrows()
        ],
        hoverinfo="text",
    )


def reading_bands(fit: Any, ages: np.ndarray) -> pd.DataFrame | None:
    """The reading to expect at `ages` by a `fits.points.PointFit`: age, q10, q50, q90, readings; None without one."""
    if fit is None or fit.gauge is None:
        return None
    low, middle, high = fit.reading(ages, [0.1, 0.5, 0.9])
    return pd.DataFrame({"age": ages, "q10": low, "q50": middle, "q90": high, "readings": fit.gauge.readings})


def limit_ages(fit: Any) -> pd.DataFrame:
    """When 10, 50 and 90 % of the positions are over the limit, by a point's fit: share, age, age_lower, age_upper
    (two-sided 90 %), readings; no row where readings don't say."""
    columns = ["share", "age", "age_lower", "age_upper", "readings"]
    if fit is None or fit.gauge is None or not fit.by_gauge:
        return pd.DataFrame(columns=columns)
    rows = [(share, *fit.gauge.age_at_limit(share), fit.gauge.readings) for share in (0.1, 0.5, 0.9)]
    return pd.DataFrame(rows, columns=columns)


def fail_shares(
    inspections: pd.DataFrame,
    *,
    names: dict[str, str] | None = None,
    most: int = 12,
    look: Look = LIGHT,
) -> go.Figure:
    """The share of inspections that fail per point, with its interval, and the share to expect in the coming months.

    `inspections` has the columns of the command of that name. Bars: failed of checked so far. Diamonds: expected
    failed of expected checked.
    """
    if inspections.empty:
        return empty("No inspection has been written down yet.", look)
    top = inspections.sort_values(["share", "checked"], ascending=False, na_position="last").head(most)
    words = names or {}
    labels = [words.get(str(r.get("point")), _title(r)) for _, r in top.iterrows()]
    if top["family"].nunique() > 1:
        labels = [f"{label} — {family}" for label, family in zip(labels, top["family"], strict=True)]
    figure = start(labels, look, x="share of inspections that fail", legend=True)
    share, lower, upper = (floats(top[c]) for c in ("share", "share_lower", "share_upper"))
    figure.add_bar(
        x=share,
        y=np.arange(len(top)),
        orientation="h",
        width=BAR,
        marker={"color": look.calm},
        error_x=error_bars(share, lower, upper, look, cap=1.0),
        name="so far, with 90 % interval",
        hovertext=[
            f"<b>{label}</b><br>{number(r['failed'])} of {number(r['checked'])} checks failed: {percent(r['share'])}"
            f"<br>90 % interval {span(r['share_lower'], r['share_upper'], percent)}"
            for label, (_, r) in zip(labels, top.iterrows(), strict=True)
        ],
        hoverinfo="text",
    )
    checked, failed = floats(top["expected_checked"]), floats(top["expected_failed"])
    with np.errstate(divide="ignore", invalid="ignore"):
        ahead = np.where(checked > 0, failed / checked, np.nan)
    if np.isfinite(ahead).any():
        figure.add_scatter(
            x=ahead,
            y=np.arange(len(top)),
            mode="markers",
            marker={
                "color": look.alarm,
                "symbol": "diamond",
                "size": 11,
                "line": {"color": look.page, "width": 1},
            },
            name="to expect in the coming months",
            hovertext=[
                f"<b>{label}</b><br>{number(f, 1)} fails to expect in {number(c, 1)} checks: {percent(a)}<br>"
                f"90 % interval {span(lo, hi, partial(number, digits=1))} fails<br>from {number(n)} checks so far"
                for label, f, c, a, lo, hi, n in zip(
                    labels,
                    failed,
                    checked,
                    ahead,
                    top["expected_lower"],
                    top["expected_upper"],
                    top["checked"],
                    strict=True,
                )
            ],
            hoverinfo="text",
        )
    figure.update_xaxes(range=[0, 1.02], tickformat=".0%", tickvals=[0, 0.25, 0.5, 0.75, 1])
    return figure
