"""Money against held jobs."""

from __future__ import annotations

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from rebuildstats.figures.palette import LIGHT, Look, empty, finish, number, percent
from rebuildstats.figures.rows import BAR, floats, start


def exchange_curve(
    curve: pd.DataFrame,
    *,
    marks: pd.DataFrame | None = None,
    wanted: float | None = None,
    look: Look = LIGHT,
) -> go.Figure:
    """The money on the shelf against the share of jobs that don't wait, best plan at every level.

    `curve`: money, job_fill (0..1), in order of money. `marks`: label, money, job_fill — where the shop stands (today's
    shelf, its ordering habit, the plan chosen). `wanted` draws the level asked for.
    """
    if curve.empty:
        return empty("No teardown is expected before an order can arrive: nothing to weigh.", look)
    figure = go.Figure()
    money, fill = floats(curve["money"]), floats(curve["job_fill"])
    figure.add_scatter(
        x=money,
        y=fill,
        mode="lines",
        line={"color": look.calm, "width": 3},
        fill="tozeroy",
        fillcolor=look.veil(0, 0.10),
        name="the best that money buys",
        hovertext=[
            f"{number(m)} of money on the shelf<br>{percent(f)} of jobs don’t wait<br>"
            f"{number((1 - f) * 100, 1)} of 100 held"
            for m, f in zip(money, fill, strict=True)
        ],
        hoverinfo="text",
    )
    symbols = ("x", "diamond", "star", "square", "triangle-up")
    if marks is not None:
        for i, (_, mark) in enumerate(marks.iterrows()):
            if not (np.isfinite(mark["money"]) and np.isfinite(mark["job_fill"])):
                continue
            colour = look.ten[1 + i % 9]
            figure.add_scatter(
                x=[mark["money"]],
                y=[mark["job_fill"]],
                mode="markers",
                marker={
                    "size": 15,
                    "symbol": symbols[i % 5],
                    "color": colour,
                    "line": {"color": look.page, "width": 1},
                },
                name=str(mark["label"]),
                hovertext=[
                    f"<b>{mark['label']}</b><br>{number(mark['money'])} of money<br>"
                    f"{percent(mark['job_fill'])} of jobs don’t wait"
                ],
                hoverinfo="text",
            )
    if wanted is not None:
        figure.add_hline(
            y=wanted,
            line={"color": look.faint, "dash": "dot"},
            annotation={"text": f"wanted {percent(wanted)}", "font": {"color": look.faint, "size": 12}},
            annotation_position="top left",
        )
    finish(figure, look, x="money on the shelf (store’s currency)", y="jobs that don’t wait", height=400)
    figure.update_yaxes(tickformat=".0%", range=[0, 1.04])
    figure.update_xaxes(tickformat=",", rangemode="tozero")
    return figure


def order_bars(order: pd.DataFrame, *, most: int = 12, look: Look = LIGHT) -> go.Figure:
    """The lines to order today by what they avoid: held jobs per line, the cost in the hover.

    `order`: the contract's columns; only lines with `order_now` > 0 are drawn.
    """
    lines = order[floats(order["order_now"]) > 0] if not order.empty else order
    if lines.empty:
        return empty("Nothing to order today.", look)
    lines = lines.sort_values(["held_jobs_avoided", "order_cost"], ascending=False, na_position="last").head(most)
    figure = start([str(p) for p in lines["part"]], look, x="held jobs avoided by this line", legend=False)
    figure.add_bar(
        x=floats(lines["held_jobs_avoided"]),
        y=np.arange(len(lines)),
        orientation="h",
        width=BAR,
        marker={"color": look.calm},
        hovertext=[
            f"<b>{r['part']}</b><br>order {number(r['order_now'])} at {number(r['unit_cost'], 2)}: "
            f"{number(r['order_cost'], 2)}<br>"
            f"{number(r['held_jobs_avoided'], 2)} held jobs avoided<br>"
            f"wanted in the lead time: {number(r['lead_time_mean'], 1)} pieces, "
            f"1 in 20 above {number(r['lead_time_q95'])}"
            for _, r in lines.iterrows()
        ],
        hoverinfo="text",
    )
    figure.update_xaxes(rangemode="tozero")
    return figure


def runway(order: pd.DataFrame, *, most: int = 10, look: Look = LIGHT) -> go.Figure:
    """Parts that may run short before an order can arrive: the shelf against what the lead time will ask.

    `order`: the contract's columns for the parts to show. A thick bar from the expected to the 95 % demand of the lead
    time, a mark at what is on hand and on order.
    """
    if order.empty:
        return empty("Nothing runs short before it can arrive.", look)
    lines = order.head(most)
    figure = start([str(p) for p in lines["part"]], look, x="pieces in the lead time", legend=True)
    rows = np.arange(len(lines))
    mean, high = floats(lines["lead_time_mean"]), floats(lines["lead_time_q95"])
    have = floats(lines["on_hand"]) + np.nan_to_num(floats(lines["on_order"]))
    figure.add_bar(
        x=np.maximum(high, mean),
        y=rows,
        orientation="h",
        width=BAR,
        marker={"color": look.veil(0, 0.30), "line": {"color": look.calm, "width": 1}},
        name="wanted, up to 1 in 20",
        hovertext=[
            f"<b>{r['part']}</b><br>"
            f"wanted in {number(r['lead_time_days'])} days: {number(r['lead_time_mean'], 1)} pieces, "
            f"1 in 20 above {number(r['lead_time_q95'])}<br>"
            f"on hand {number(r['on_hand'])}, on order {number(r['on_order'])}"
            for _, r in lines.iterrows()
        ],
        hoverinfo="text",
    )
    figure.add_scatter(
        x=mean,
        y=rows,
        mode="markers",
        marker={"symbol": "line-ns", "size": 16, "line": {"color": look.calm, "width": 3}},
        name="expected",
        hoverinfo="skip",
    )
    figure.add_scatter(
        x=have,
        y=rows,
        mode="markers",
        marker={"symbol": "diamond", "size": 13, "color": look.alarm, "line": {"color": look.page, "width": 1}},
        name="on hand and on order",
        hoverinfo="skip",
    )
    figure.update_xaxes(rangemode="tozero")
    return figure
