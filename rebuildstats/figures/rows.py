"""Lists drawn as pictures: one row per name, the name above its bar so that a phone's width is left for the bar."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from rebuildstats.figures.palette import Look, finish, rows_height, wrapped

ROW = 48
BAR = 0.34


def start(names: Sequence[str], look: Look, *, x: str, legend: bool) -> go.Figure:
    """An empty row figure: names from top to bottom, an x axis titled `x`."""
    figure = go.Figure()
    # all at once: plotly reads the whole list again for each one that is added to it
    figure.update_layout(
        annotations=[
            {
                "x": 0,
                "xref": "paper",
                "xanchor": "left",
                "y": row,
                "yshift": 17,
                "text": wrapped(name, 60),
                "showarrow": False,
                "font": {"color": look.ink, "size": 13},
                "bgcolor": look.page,  # no line of the picture runs through the words
                "borderpad": 0,
            }
            for row, name in enumerate(names)
        ]
    )
    finish(figure, look, x=x, y="", height=rows_height(len(names), ROW) + (40 if legend else 0), legend=legend)
    figure.update_yaxes(
        tickvals=list(range(len(names))),
        showticklabels=False,
        ticks="",
        showgrid=False,
        range=[len(names) - 0.55, -0.75],
        showline=False,
        title_text="",
    )
    figure.update_xaxes(showline=False)
    return figure


def error_bars(
    values: np.ndarray, lower: np.ndarray, upper: np.ndarray, look: Look, cap: float | None = None
) -> dict[str, object]:
    """Plotly's asymmetric x error bars from interval ends; an open end is drawn to `cap`."""
    high = np.where(np.isfinite(upper), upper, values if cap is None else cap)
    return {
        "type": "data",
        "symmetric": False,
        "array": np.clip(np.nan_to_num(high - values), 0, None),
        "arrayminus": np.clip(np.nan_to_num(values - lower), 0, None),
        "color": look.ink,
        "thickness": 1.6,
        "width": 5,
    }


def hatched(colours: Sequence[str], shapes: Sequence[str], look: Look) -> dict[str, object]:
    """A bar's marker: its colour, and a hatching of it in the page's colour ("" for none).

    Both colours of the hatching are given: which of them plotly takes from the bar by itself differs by its fill mode.
    """
    return {
        "color": list(colours),
        "pattern": {
            "shape": list(shapes),
            "fillmode": "replace",
            "bgcolor": list(colours),
            "fgcolor": look.page,
            "size": 7,
            "solidity": 0.25,
        },
    }


def floats(column: object) -> np.ndarray:
    """A frame's column as a float array with NaN for missing, free to write to."""
    return np.asarray(pd.to_numeric(pd.Series(column), errors="coerce").astype("float64").to_numpy(copy=True))
