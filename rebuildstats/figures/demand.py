"""What will be asked for: a part's fan by month, its methods side by side, the reasons behind it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from rebuildstats.figures.palette import LIGHT, SYMBOLS, Look, empty, finish, number, percent
from rebuildstats.figures.rows import BAR, floats, hatched, start


def fan(
    forecast: pd.DataFrame,
    past: pd.DataFrame | None = None,
    *,
    shelf: float | None = None,
    look: Look = LIGHT,
) -> go.Figure:
    """One part's demand by month: what was issued as bars, what is forecast as a fan.

    `forecast`: the contract's columns for ONE part and method, one row per month (the row `total` is left out).
    `past`: month, pieces. `shelf` draws a line at the pieces on hand.
    """
    ahead = forecast[forecast["month"].astype(str) != "total"] if not forecast.empty else forecast
    has_past = past is not None and not past.empty
    if ahead.empty and not has_past:
        return empty("No demand on record and none forecast for this part.", look)
    figure = go.Figure()
    if past is not None and has_past:
        figure.add_bar(
            x=pd.to_datetime(past["month"]).dt.strftime("%Y-%m-%d"),
            y=floats(past["pieces"]),
            marker=hatched([look.ten[2]] * len(past), ["."] * len(past), look),
            name="issued",
            hovertext=[
                f"{m:%B %Y}<br>{number(v)} pieces issued"
                for m, v in zip(pd.to_datetime(past["month"]), past["pieces"], strict=True)
            ],
            hoverinfo="text",
        )
    if not ahead.empty:
        months = pd.to_datetime(ahead["month"].astype(str))
        x = months.dt.strftime("%Y-%m-%d").tolist()
        for low, high, strength, name in (("q05", "q95", 0.16, "9 of 10"), ("q25", "q75", 0.30, "5 of 10")):
            figure.add_scatter(
                x=x + x[::-1],
                y=np.concatenate([floats(ahead[high]), floats(ahead[low])[::-1]]),
                fill="toself",
                fillcolor=look.veil(0, strength),
                line={"width": 0, "shape": "spline", "smoothing": 0},
                name=name,
                hoverinfo="skip",
            )
        figure.add_scatter(
            x=x,
            y=floats(ahead["mean"]),
            mode="lines+markers",
            line={"color": look.calm, "width": 2.5},
            marker={"size": 7, "symbol": "circle"},
            name="expected",
            hovertext=[
                f"{m:%B %Y}<br>expected {number(r['mean'], 1)} pieces<br>9 of 10 months: {number(r['q05'])} to "
                f"{number(r['q95'])}<br>1 in 100 above {number(r['q99'])}<br>method: {r['method']}"
                for m, (_, r) in zip(months, ahead.iterrows(), strict=True)
            ],
            hoverinfo="text",
        )
    if shelf is not None and np.isfinite(shelf):
        figure.add_hline(
            y=shelf,
            line={"color": look.alarm, "dash": "dash", "width": 1.6},
            annotation={"text": f"on the shelf {number(shelf)}", "font": {"color": look.alarm, "size": 12}},
            annotation_position="top left",
        )
    finish(figure, look, x="month", y="pieces")
    figure.update_yaxes(rangemode="tozero")
    figure.update_xaxes(tickformat="%b\n%Y")
    return figure


def methods(totals: pd.DataFrame, record: pd.DataFrame | None = None, *, look: Look = LIGHT) -> go.Figure:
    """One part's total over the horizon by every method: middle, half and nine-tenths ranges.

    `totals`: the `total` rows of the command `forecast` with `--all-methods` for ONE part. `record`: method, pinball
    (loss on this shop's own past, lower is better) and chosen, from the backtest.
    """
    if totals.empty:
        return empty("No forecast for this part.", look)
    loss: dict[str, float] = {}
    chosen: set[str] = set()
    if record is not None and not record.empty:
        loss = {str(k): float(v) for k, v in record.groupby("method")["pinball"].mean().items()}
        if "chosen" in record:
            chosen = {str(m) for m in record.loc[record["chosen"].fillna(False).astype(bool), "method"]}
    labels = []
    for method in totals["method"].astype(str):
        told = f" — past loss {number(loss[method], 2)}" if method in loss else ""
        labels.append(f"{method}{told}{' ✓ best so far' if method in chosen else ''}")
    figure = start(labels, look, x="pieces over the whole horizon", legend=False)
    for row, (_, r) in enumerate(totals.iterrows()):
        colour = look.ten[row % 10]
        hover = (
            f"<b>{r['method']}</b><br>expected {number(r['mean'], 1)} pieces<br>5 of 10: {number(r['q25'])} to "
            f"{number(r['q75'])}<br>9 of 10: {number(r['q05'])} to {number(r['q95'])}"
        )
        for low, high, width in (("q05", "q95", 3), ("q25", "q75", 9)):
            figure.add_scatter(
                x=[float(r[low]), float(r[high])],
                y=[row, row],
                mode="lines",
                line={"color": colour, "width": width},
                hoverinfo="skip",
            )
        figure.add_scatter(
            x=[float(r["mean"])],
            y=[row],
            mode="markers",
            marker={"symbol": SYMBOLS[row % 10], "size": 13, "color": colour, "line": {"color": look.ink, "width": 1}},
            hovertext=[hover],
            hoverinfo="text",
        )
    figure.update_xaxes(rangemode="tozero", tickformat=",")
    return figure


def reasons(trace: pd.DataFrame, *, most: int = 12, look: Look = LIGHT) -> go.Figure:
    """Where one part's expected pieces come from: unit by unit, the largest first.

    `trace`: unit, component, chance_teardown, chance_replaced, pieces, reason (of the forecast's trace; they sum to
    the mean). What is beyond the first `most` is gathered in one last bar.
    """
    if trace.empty:
        return empty("No unit in service is expected to need this part in that time.", look)
    by_unit = trace.groupby(trace["unit"].fillna("over the counter"), dropna=False).agg(
        pieces=("pieces", "sum"), chance=("chance_teardown", "max"), lines=("pieces", "size"), why=("reason", "first")
    )
    by_unit = by_unit.sort_values("pieces", ascending=False)
    head, tail = by_unit.head(most), by_unit.iloc[most:]
    labels = [str(u) for u in head.index]
    pieces = list(head["pieces"])
    hover = [
        f"<b>{u}</b><br>{number(r['pieces'], 2)} pieces to expect<br>chance of a teardown {percent(r['chance'])}<br>"
        f"{r['why'] if isinstance(r['why'], str) else ''} ({number(r['lines'])} positions)"
        for u, r in head.iterrows()
    ]
    if not tail.empty:
        labels.append(f"{len(tail)} others together")
        pieces.append(float(tail["pieces"].sum()))
        hover.append(f"{len(tail)} others<br>{number(tail['pieces'].sum(), 2)} pieces to expect")
    figure = start(labels, look, x="expected pieces", legend=False)
    figure.add_bar(
        x=pieces,
        y=list(range(len(labels))),
        orientation="h",
        width=BAR,
        marker={"color": [look.calm] * len(head) + [look.faint] * (len(labels) - len(head))},
        hovertext=hover,
        hoverinfo="text",
    )
    figure.update_xaxes(rangemode="tozero")
    return figure
