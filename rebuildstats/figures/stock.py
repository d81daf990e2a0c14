"""Money against held jobs."""

from __future__ import annotations

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from rebuildstats.figures.palette import LIGHT, Look, empty, finish, number, percent, span
from rebuildstats.figures.rows import BAR, error_bars, floats, hatched, start


def exchange_curve(
    curve: pd.DataFrame,
    *,
    marks: pd.DataFrame | None = None,
    wanted: float | None = None,
    look: Look = LIGHT,
) -> go.Figure:
    """The money on the shelf against the share of jobs that don't wait, the best plan at every sum.

    `curve`: money, job_fill (0..1; `job_fill_lower`, `job_fill_upper`, `held_jobs` a year where there), in order of
    money. `marks`: label, money, job_fill (and the same) — where the shop stands: today's shelf, its habit, this plan.
    `wanted` draws the level asked for.
    """
    if curve.empty:
        return empty("No teardown is expected that needs a part: nothing to weigh.", look)
    figure = go.Figure()
    money, fill = floats(curve["money"]), floats(curve["job_fill"])
    if {"job_fill_lower", "job_fill_upper"} <= set(curve.columns):
        figure.add_scatter(
            x=np.concatenate([money, money[::-1]]),
            y=np.concatenate([floats(curve["job_fill_upper"]), floats(curve["job_fill_lower"])[::-1]]),
            fill="toself",
            fillcolor=look.veil(0, 0.16),
            line={"width": 0},
            hoverinfo="skip",
            name="90 % interval",
        )
    figure.add_scatter(
        x=money,
        y=fill,
        mode="lines",
        line={"color": look.calm, "width": 3},
        name="the best that money buys",
        hovertext=[f"{number(r['money'])} of money on the shelf{_held(r)}" for _, r in curve.iterrows()],
        hoverinfo="text",
    )
    symbols = ("x", "diamond", "star", "square", "triangle-up")
    for i, (_, mark) in enumerate((marks if marks is not None else pd.DataFrame()).iterrows()):
        if not (np.isfinite(mark["money"]) and np.isfinite(mark["job_fill"])):
            continue
        figure.add_scatter(
            x=[mark["money"]],
            y=[mark["job_fill"]],
            mode="markers",
            marker={
                "size": 15,
                "symbol": symbols[i % 5],
                "color": look.ten[1 + i % 9],
                "line": {"color": look.page, "width": 1},
            },
            name=str(mark["label"]),
            hovertext=[f"<b>{mark['label']}</b><br>{number(mark['money'])} of money{_held(mark)}{_better(mark)}"],
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
    figure.update_xaxes(tickformat=",", rangemode="tozero", nticks=6)
    return figure


def _held(row: pd.Series) -> str:
    words = f"<br>{percent(row['job_fill'])} of jobs don’t wait"
    if "job_fill_lower" in row.index:
        words += f", 90 % interval {span(row['job_fill_lower'], row['job_fill_upper'], percent)}"
    if "held_jobs" in row.index:
        words += f"<br>{number(row['held_jobs'], 1)} jobs a year are held"
    return words


def _better(mark: pd.Series) -> str:
    if "same_money_fill" not in mark.index or not np.isfinite(mark["same_money_fill"]):
        return ""
    return f"<br>the same money, spent best: {percent(mark['same_money_fill'])}"


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


def short_bars(short: pd.DataFrame, *, most: int = 10, look: Look = LIGHT) -> go.Figure:
    """Parts that may run out before an order placed today arrives, by their chance with its 90 % interval.

    `short`: part, chance_short, chance_lower, chance_upper, on_hand, on_order, pieces_short, jobs_held, arrives_on,
    runs_out_on.
    """
    if short.empty:
        return empty("Nothing runs short before it can arrive.", look)
    lines = short.sort_values("chance_short", ascending=False).head(most)
    chance, lower, upper = (floats(lines[c]) for c in ("chance_short", "chance_lower", "chance_upper"))
    figure = start(
        [f"{r['part']} · {r['site']}" for _, r in lines.iterrows()],
        look,
        x="chance of running out before an order placed today arrives",
        legend=False,
    )
    figure.add_bar(
        x=chance,
        y=np.arange(len(lines)),
        orientation="h",
        width=BAR,
        marker=hatched(
            [look.alarm if c >= 0.5 else look.calm for c in chance], ["/" if c >= 0.5 else "" for c in chance], look
        ),
        error_x=error_bars(chance, lower, upper, look, cap=1.0),
        hovertext=[
            f"<b>{r['part']}</b> at {r['site']}<br>chance of running out {percent(r['chance_short'])}, "
            f"90 % interval {span(r['chance_lower'], r['chance_upper'], percent)}<br>"
            f"on hand {number(r['on_hand'])}, on order {number(r['on_order'])}<br>"
            f"{number(r['pieces_short'], 1)} pieces short and {number(r['jobs_held'], 1)} jobs held on average<br>"
            f"an order placed today arrives {_day(r['arrives_on'])}; runs out {_day(r['runs_out_on'])}"
            for _, r in lines.iterrows()
        ],
        hoverinfo="text",
    )
    figure.update_xaxes(range=[0, 1.04], tickformat=".0%")
    return figure


def _day(value: object) -> str:
    return "not before" if pd.isna(value) else f"{pd.Timestamp(value):%d %b %Y}"  # type: ignore[call-overload,arg-type]
