"""The forecast's own record: loss and coverage of every method on the shop's past."""

from __future__ import annotations

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from rebuildstats.figures.palette import LIGHT, Look, empty, number, percent
from rebuildstats.figures.rows import BAR, floats, hatched, start


def by_method(backtest: pd.DataFrame) -> pd.DataFrame:
    """The backtest's rows gathered per method: method, pinball (sum), coverage_90 (mean), forecasts, parts."""
    if backtest.empty:
        return pd.DataFrame(columns=["method", "pinball", "coverage_90", "forecasts", "parts"])
    grouped = backtest.groupby("method", as_index=False).agg(
        pinball=("pinball", "sum"),
        coverage_90=("coverage_90", "mean"),
        forecasts=("pinball", "size"),
        parts=("part", "nunique"),
    )
    return grouped.sort_values("pinball", ignore_index=True)


def not_trusted(backtest: pd.DataFrame, least: float = 0.7) -> pd.DataFrame:
    """Parts whose chosen method held its 90 % ranges in less than `least` of the past, with why."""
    columns = ["part", "method", "coverage_90", "forecasts", "why"]
    if backtest.empty:
        return pd.DataFrame(columns=columns)
    chosen = backtest[backtest["chosen"].fillna(False).astype(bool)]
    per_part = chosen.groupby("part", as_index=False).agg(
        method=("method", "first"), coverage_90=("coverage_90", "mean"), forecasts=("pinball", "size")
    )
    bad = per_part[per_part["coverage_90"] < least].sort_values("coverage_90", ignore_index=True)
    return bad.assign(why=[f"its 90 % ranges held {percent(c)} of the time" for c in bad["coverage_90"]])[columns]


def losses(backtest: pd.DataFrame, *, look: Look = LIGHT) -> go.Figure:
    """Each method's pinball loss over all parts and origins, the least first (the contract's `backtest` columns)."""
    table = by_method(backtest)
    if table.empty:
        return empty("The history is too short to try the forecast on its own past.", look)
    figure = start(
        [str(m) for m in table["method"]], look, x="pinball loss, all parts (pieces; shorter is better)", legend=False
    )
    colours = [look.calm if i == 0 else look.faint for i in range(len(table))]
    figure.add_bar(
        x=floats(table["pinball"]),
        y=np.arange(len(table)),
        orientation="h",
        width=BAR,
        marker=hatched(colours, [""] + ["/"] * (len(table) - 1), look),
        hovertext=[
            f"<b>{r['method']}</b><br>loss {number(r['pinball'], 1)}<br>{number(r['forecasts'])} forecasts of "
            f"{number(r['parts'])} parts<br>its 90 % ranges held {percent(r['coverage_90'])} of the time"
            for _, r in table.iterrows()
        ],
        hoverinfo="text",
    )
    figure.update_xaxes(rangemode="tozero", tickformat=",")
    return figure


def coverage(backtest: pd.DataFrame, *, look: Look = LIGHT) -> go.Figure:
    """How often each method's 90 % ranges held what then came; the line at 90 % is the promise."""
    table = by_method(backtest)
    table = table[table["coverage_90"].notna()]
    if table.empty:
        return empty("The history is too short to count how often the ranges held.", look)
    figure = start(
        [str(m) for m in table["method"]], look, x="share of past months inside the 90 % range", legend=False
    )
    share = floats(table["coverage_90"])
    trials = floats(table["forecasts"])
    # Forecasts of one origin hang together, so an interval from their count would be too short.
    figure.add_scatter(
        x=share,
        y=np.arange(len(table)),
        mode="markers",
        marker={
            "size": 14,
            "symbol": ["diamond" if s < 0.8 else "circle" for s in share],
            "color": [look.alarm if s < 0.8 else look.calm for s in share],
        },
        hovertext=[
            f"<b>{m}</b><br>held {percent(s)} of the time<br>{number(n)} forecasts"
            for m, s, n in zip(table["method"], share, trials, strict=True)
        ],
        hoverinfo="text",
    )
    figure.add_vline(x=0.9, line={"color": look.ink, "dash": "dash", "width": 1.5})
    figure.update_xaxes(range=[min(0.45, float(share.min()) - 0.05), 1.02], tickformat=".0%")
    return figure


def evidence(life: pd.DataFrame, *, most: int = 20, look: Look = LIGHT) -> go.Figure:
    """How many failures stand behind each fitted life, fewest first; what rests on few is hatched.

    `life`: the columns of the command `life`.
    """
    if life.empty:
        return empty("No life is on record yet.", look)
    frame = life.sort_values(["events", "lives"]).head(most)
    many = frame["family"].nunique() > 1
    labels = [f"{r['component']} · {r['family']}" if many else str(r["component"]) for _, r in frame.iterrows()]
    figure = start(labels, look, x="failures on record", legend=False)
    events = floats(frame["events"])
    figure.add_bar(
        x=events,
        y=np.arange(len(frame)),
        orientation="h",
        width=BAR,
        marker=hatched(
            [look.alarm if e < 5 else look.calm for e in events], ["/" if e < 5 else "" for e in events], look
        ),
        hovertext=[
            f"<b>{label}</b><br>{number(r['events'])} failures in {number(r['lives'])} lives<br>"
            f"exposure {number(r['exposure'])}<br>leans on its group: {percent(r['shrinkage'])}"
            for label, (_, r) in zip(labels, frame.iterrows(), strict=True)
        ],
        hoverinfo="text",
    )
    figure.update_xaxes(rangemode="tozero", tickformat=",")
    return figure
