"""How long things last: chances by mileage, probability plots, makes side by side."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from scipy.special import logit, ndtri

from rebuildstats.figures.palette import (
    DASHES,
    LIGHT,
    SYMBOLS,
    Look,
    distance_axis,
    empty,
    finish,
    number,
    percent,
    span,
)
from rebuildstats.figures.rows import error_bars, floats, start
from rebuildstats.fits.turnbull import turnbull, turnbull_limits

#: Chances drawn as ticks on a probability axis.
TICKS = (0.001, 0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.99, 0.999)


def chance_curve(fit: Any, ages: np.ndarray, *, draws: int = 200, seed: int = 0, level: float = 0.9) -> pd.DataFrame:
    """A fitted life read off at `ages` (store's distance): age, chance, chance_lower, chance_upper, events, lives.

    `fit` is any life model (`.chance(age)`, `.draws(n, seed).log_survival(age)`, `.events`, `.lives`); the interval is
    the central `level` of its parameter draws. One that can't give draws yields an empty frame.
    """
    ages = np.asarray(ages, dtype=float)
    columns = ["age", "chance", "chance_lower", "chance_upper", "events", "lives"]
    try:
        chance = np.asarray(fit.chance(ages), dtype=float)
        survival = np.exp(np.asarray(fit.draws(draws, seed).log_survival(ages), dtype=float))
    except (AttributeError, ValueError):
        return pd.DataFrame(columns=columns)
    tail = (1 - level) / 2
    lower, upper = np.quantile(1 - survival, [tail, 1 - tail], axis=0)
    return pd.DataFrame(
        {
            "age": ages,
            "chance": chance,
            "chance_lower": np.minimum(lower, chance),
            "chance_upper": np.maximum(upper, chance),
            "events": fit.events,
            "lives": fit.lives,
        }
    )


def counted_steps(lives: pd.DataFrame) -> pd.DataFrame:
    """The plain estimate behind a fit (Turnbull's) at the end of each interval that holds failures: age, chance,
    chance_lower, chance_upper (two-sided 90 %, by profile likelihood), events, lives (of all).

    `lives`: the contract's columns, of one component.
    """
    columns = ["age", "chance", "chance_lower", "chance_upper", "events", "lives"]
    if lives.empty:
        return pd.DataFrame(columns=columns)
    ages = [floats(lives[c]) for c in ("entry_age", "lower_age", "upper_age")]
    steps = turnbull(*ages)
    plain = steps.frame()
    some = plain[np.isfinite(plain["right"]) & (plain["mass"] > 0)]
    if some.empty:
        return pd.DataFrame(columns=columns)
    limits = turnbull_limits(*ages).sort_values("survival")
    survival = some["survival"].to_numpy()
    # limits are reckoned at a dozen of the steps; those between lie between
    low, high = (np.interp(survival, limits["survival"], limits[f"survival_{side}"]) for side in ("lower", "upper"))
    rows = {"age": some["right"].to_numpy(), "chance": 1 - survival}
    rows |= {"chance_lower": 1 - np.maximum(high, survival), "chance_upper": 1 - np.minimum(low, survival)}
    return pd.DataFrame(rows | {"events": steps.events, "lives": steps.lives}, columns=columns)


def chance_by_mileage(
    curves: pd.DataFrame,
    *,
    distance: str,
    at_age: float | None = None,
    look: Look = LIGHT,
) -> go.Figure:
    """The chance of having failed by an age, one line and band per `label`.

    `curves`: label, age, chance, chance_lower, chance_upper, events, lives (as of `chance_curve`). `at_age` marks the
    age asked about.
    """
    if curves.empty:
        return empty("No life can be fitted yet: no failure and no shared prior.", look)
    figure = go.Figure()
    labels = list(dict.fromkeys(curves["label"]))
    for i, label in enumerate(labels):
        one = curves[curves["label"] == label]
        age, chance = floats(one["age"]), floats(one["chance"])
        lower, upper = floats(one["chance_lower"]), floats(one["chance_upper"])
        if len(labels) <= 4:
            figure.add_scatter(
                x=np.concatenate([age, age[::-1]]),
                y=np.concatenate([upper, lower[::-1]]),
                fill="toself",
                fillcolor=look.veil(i, 0.14),
                line={"width": 0},
                hoverinfo="skip",
                showlegend=False,
                legendgroup=label,
            )
        figure.add_scatter(
            x=age,
            y=chance,
            mode="lines",
            line={"color": look.ten[i % 10], "width": 2.5, "dash": DASHES[i % 10]},
            name=str(label),
            legendgroup=label,
            hovertext=[
                f"<b>{label}</b><br>by {number(a)} {distance}: {percent(c)}<br>90 % interval {span(lo, hi, percent)}"
                f"<br>from {number(e)} failures in {number(n)} lives"
                for a, c, lo, hi, e, n in zip(age, chance, lower, upper, one["events"], one["lives"], strict=True)
            ],
            hoverinfo="text",
        )
    if at_age is not None and np.isfinite(at_age):
        figure.add_vline(x=at_age, line={"color": look.ink, "width": 1.6})
    finish(figure, look, x=distance_axis("age since renewal", distance), y="chance of having failed by then")
    figure.update_yaxes(tickformat=".0%", range=[0, 1.02])
    figure.update_xaxes(tickformat=",", rangemode="tozero")
    return figure


def probability_plot(
    curve: pd.DataFrame,
    steps: pd.DataFrame,
    *,
    distribution: str,
    distance: str,
    look: Look = LIGHT,
) -> go.Figure:
    """A fitted life on the paper on which its distribution is a straight line, with its band and the plain estimate.

    `curve`: as of `chance_curve`. `steps`: as of `counted_steps`. Age is on a log
    axis; the chance axis is that of `distribution` (`weibull` and `exponential`: complementary log-log; `lognormal`:
    probit; `loglogistic`: logit).
    """
    paper = _paper(distribution)
    some = curve[(floats(curve["age"]) > 0) & (floats(curve["chance"]) > 0)] if not curve.empty else curve
    if some.empty and steps.empty:
        return empty("Nothing to draw yet: no failure so far.", look)
    figure = go.Figure()
    if not some.empty:
        age, chance = floats(some["age"]), floats(some["chance"])
        lower, upper = floats(some["chance_lower"]), floats(some["chance_upper"])
        figure.add_scatter(
            x=np.concatenate([age, age[::-1]]),
            y=np.concatenate([paper(upper), paper(lower)[::-1]]),
            fill="toself",
            fillcolor=look.veil(0, 0.18),
            line={"width": 0},
            name="90 % band",
            hoverinfo="skip",
        )
        figure.add_scatter(
            x=age,
            y=paper(chance),
            mode="lines",
            line={"color": look.calm, "width": 2.5},
            name=f"fitted {distribution}",
            hovertext=[
                f"by {number(a)} {distance}: {percent(c)}<br>90 % interval {span(lo, hi, percent)}<br>"
                f"from {number(e)} failures in {number(n)} lives"
                for a, c, lo, hi, e, n in zip(age, chance, lower, upper, some["events"], some["lives"], strict=True)
            ],
            hoverinfo="text",
        )
    if not steps.empty:
        figure.add_scatter(
            x=floats(steps["age"]),
            y=paper(floats(steps["chance"])),
            mode="lines+markers",
            line={"color": look.alarm, "width": 1.4, "shape": "hv"},
            marker={"symbol": "diamond-open", "size": 7, "color": look.alarm},
            name="as counted, no formula",
            hovertext=[
                f"by {number(r['age'])} {distance}: {percent(r['chance'])}, as counted<br>90 % interval "
                f"{span(r['chance_lower'], r['chance_upper'], percent)}<br>"
                f"from {number(r['events'])} failures in {number(r['lives'])} lives"
                for _, r in steps.iterrows()
            ],
            hoverinfo="text",
        )
    finish(
        figure,
        look,
        x=distance_axis("age since renewal, log scale", distance),
        y=f"chance of having failed, {_paper_name(distribution)}",
        height=400,
    )
    ticks = _spread(figure, paper)
    figure.update_yaxes(tickvals=paper(np.array(ticks)), ticktext=[_tick(t) for t in ticks])
    figure.update_xaxes(type="log", tickvals=_log_ticks(figure), tickformat=",")
    return figure


def _log_ticks(figure: go.Figure) -> list[float]:
    drawn = np.concatenate([np.asarray(t.x, dtype=float) for t in figure.data])
    drawn = drawn[np.isfinite(drawn) & (drawn > 0)]
    if not drawn.size:
        return []
    low, high = int(np.floor(np.log10(drawn.min()))), int(np.ceil(np.log10(drawn.max())))
    return [m * 10.0**p for p in range(low, high + 1) for m in (1, 2, 5)]


def _spread(figure: go.Figure, paper: Any) -> list[float]:
    """The chances to write on the axis: those in view, none so close to the one before that their names overlap."""
    drawn = np.concatenate([np.asarray(t.y, dtype=float) for t in figure.data])
    drawn = drawn[np.isfinite(drawn)]
    if not drawn.size:
        return list(TICKS)
    low, high = float(drawn.min()), float(drawn.max())
    margin, chosen, last = (high - low) * 0.05, [], -np.inf
    # from the middle outwards would favour 50 %; from below keeps the early failures, which is where decisions are made
    for chance in TICKS:
        value = float(paper(np.array([chance]))[0])
        if low - margin <= value <= high + margin and value - last >= (high - low) / 14:
            chosen.append(chance)
            last = value
    return chosen or list(TICKS)


def _tick(chance: float) -> str:
    return f"{chance * 100:g} %"


def _paper_name(distribution: str) -> str:
    return {"lognormal": "normal scale", "loglogistic": "logit scale"}.get(distribution, "Weibull scale")


def _paper(distribution: str) -> Any:
    def clipped(chance: np.ndarray) -> np.ndarray:
        # the paper has no 0 and no 1; what lies beyond its edge is left out rather than drawn in a wrong place
        chance = np.asarray(chance, dtype=float)
        return np.where((chance > 1e-6) & (chance < 1 - 1e-6), chance, np.nan)

    if distribution == "lognormal":
        return lambda chance: ndtri(clipped(chance))
    if distribution == "loglogistic":
        return lambda chance: logit(clipped(chance))
    return lambda chance: np.log(-np.log1p(-clipped(chance)))


def side_by_side(
    groups: pd.DataFrame,
    *,
    distance: str,
    what: str = "B10 life",
    value: str = "b10",
    digits: int = 0,
    look: Look = LIGHT,
) -> go.Figure:
    """One life (or cost) per make, site or duty, as a mark with its 90 % interval on one axis.

    `groups`: label, `value`, `value`_lower, `value`_upper (in the unit that `distance` names; an open end is inf),
    events, lives. `what` is the value's name in words; `digits` after the point in its hover.
    """
    if groups.empty:
        return empty("Only one make is on record: nothing to set side by side.", look)
    centre, lower, upper = (floats(groups[c]) for c in (value, f"{value}_lower", f"{value}_upper"))
    finite = np.concatenate([v[np.isfinite(v)] for v in (centre, lower, upper)])
    cap = float(finite.max()) * 1.15 if finite.size else 1.0
    figure = start(
        [str(v) for v in groups["label"]], look, x=distance_axis(f"{what}, 90 % interval", distance), legend=False
    )
    rows = np.arange(len(groups))
    say = partial(number, digits=digits)
    shown = np.where(np.isfinite(centre), centre, lower)
    figure.add_scatter(
        x=shown,
        y=rows,
        mode="markers",
        marker={
            "size": 14,
            "color": [look.ten[i % 10] if np.isfinite(centre[i]) else "rgba(0,0,0,0)" for i in rows],
            "symbol": [SYMBOLS[i % 10] for i in rows],
            "line": {"color": look.ink, "width": 1},
        },
        error_x=error_bars(shown, lower, upper, look, cap=cap),
        hovertext=[
            f"<b>{r['label']}</b><br>{what}: {number(r[value], digits)} {distance}<br>"
            f"90 % interval {span(r[f'{value}_lower'], r[f'{value}_upper'], say)} {distance}<br>"
            f"from {number(r['events'])} failures in {number(r['lives'])} lives"
            for _, r in groups.iterrows()
        ],
        hoverinfo="text",
        name=what,
    )
    for row, end in zip(rows, upper, strict=True):
        if np.isinf(end):
            figure.add_annotation(
                x=cap,
                y=row,
                text="→ no upper bound",
                showarrow=False,
                xanchor="right",
                yshift=-14,
                font={"color": look.faint, "size": 11},
            )
    figure.update_xaxes(tickformat=",", range=[0, cap * 1.04])
    return figure


def b10_rows(
    life: pd.DataFrame, *, distance: str, names: Sequence[str] | None = None, most: int = 15, look: Look = LIGHT
) -> go.Figure:
    """The B10 lives of a family's components, shortest first: the columns of the command `life`.

    A component without an estimate stands with its lower bound and an arrow.
    """
    if life.empty:
        return empty("No life is on record yet.", look)
    labels = list(names) if names is not None else [str(c) for c in life["component"]]
    frame = life.assign(label=labels)
    order = frame["b10"].fillna(frame["b10_lower"]).sort_values().index
    return side_by_side(frame.loc[order].head(most), distance=distance, what="B10 life", value="b10", look=look)
