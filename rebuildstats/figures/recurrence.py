"""How failures (or their cost) pile up per unit as its mileage adds up: mean cumulative functions with their bands."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from rebuildstats.figures.palette import DASHES, LIGHT, Look, distance_axis, empty, finish, number, span
from rebuildstats.figures.rows import floats

MOST_STEPS = 400


def per_unit(
    curves: Sequence[tuple[str, pd.DataFrame]],
    *,
    what: str,
    distance: str,
    at: float | None = None,
    look: Look = LIGHT,
) -> go.Figure:
    """Mean cumulative functions by unit mileage, each with its 90 % band.

    curves: a name and the frame of `MeanCumulative.frame()` (age, at_risk, mean, lower, upper) each; the first stands
    out, the others are dashed. what: the vertical axis. at: a mileage to mark.
    """
    drawn = [(name, frame[frame["at_risk"] > 0]) for name, frame in curves if len(frame)]
    if not drawn:
        return empty("No failure of a unit of known mileage is on record.", look)
    figure = go.Figure()
    for i, (name, whole) in enumerate(drawn):
        # a curve of thousands of steps looks the same with some hundred, and the page stays quick
        frame = whole.iloc[np.unique(np.linspace(0, len(whole) - 1, MOST_STEPS).round().astype(int))]
        age, mean, lower, upper = (floats(frame[c]) for c in ("age", "mean", "lower", "upper"))
        colour = look.alarm if i == 0 else look.calm
        if i == 0:
            figure.add_scatter(
                x=np.concatenate([age, age[::-1]]),
                y=np.concatenate([upper, lower[::-1]]),
                fill="toself",
                mode="none",
                fillcolor=look.grid,
                opacity=0.5,
                hoverinfo="skip",
                name=f"90 % band of {name}",
            )
        figure.add_scatter(
            x=age,
            y=mean,
            mode="lines",
            line={"color": colour, "width": 2.5, "shape": "hv", "dash": DASHES[i % len(DASHES)]},
            name=name,
            hovertext=[
                f"<b>{name}</b><br>{number(a)} {distance}: {number(m, 2)} a unit<br>90 % interval "
                f"{span(lo, hi, _two)}<br>{number(r)} units watched there"
                for a, m, lo, hi, r in zip(age, mean, lower, upper, floats(frame["at_risk"]), strict=True)
            ],
            hoverinfo="text",
        )
    finish(figure, look, x=distance_axis("mileage of the unit", distance), y=what)
    if at is not None:
        figure.add_vline(x=at, line={"color": look.ink, "dash": "dot"})
    figure.update_yaxes(rangemode="tozero")
    return figure


def _two(value: object) -> str:
    return number(value, 2)
