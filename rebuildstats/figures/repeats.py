"""What comes back more than it should, as a picture of observed over expected."""

from __future__ import annotations

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from rebuildstats.figures.palette import LIGHT, Look, empty, finish, number, span
from rebuildstats.figures.rows import error_bars, floats, start

KIND_WORDS = {
    "component": "component",
    "part": "make",
    "family": "family",
    "vehicle": "vehicle",
    "site": "site",
    "bench": "procedure at bench",
}

COUNTS = {
    "failures": ("observed", "expected"),
    "comebacks": ("comebacks", "comebacks_expected"),
    "teardowns": ("found", "found_expected"),
}
WHAT = {
    "failures": ("failed in service", "failures in service"),
    "comebacks": ("came back soon", "comebacks soon after fitting"),
    "teardowns": ("were found bad once the unit was open", "found bad once the unit was open"),
}
MOST_TIMES = 20
EDGE = 25  # where the picture draws what is more than that


def repeat_label(row: pd.Series) -> str:
    """`make R-110 in ring (GX)` for one row of the command `repeats`."""
    words = f"{KIND_WORDS.get(str(row['kind']), str(row['kind']))} {row['name']}"
    component = row.get("component")
    if isinstance(component, str) and component and component != row["name"]:
        words += f" · {component}"
    family = row.get("family")
    if isinstance(family, str) and family and family != row["name"]:
        words += f" · {family}"
    return words.replace("_", " ")


def seen_and_expected(row: pd.Series) -> tuple[float, float]:
    """The counts behind a row's flag: failures in service, comebacks, or what was found bad at teardowns."""
    seen, expected = COUNTS.get(str(row.get("by")), COUNTS["failures"])
    return float(row[seen]), float(row[expected])


def times(row: pd.Series) -> str:
    """A row's ratio as short as it can be said: `6.8×`. Past twenty it says no more than that; the counts do."""
    ratio = float(row["ratio"])
    return f">{MOST_TIMES}×" if ratio > MOST_TIMES else f"{number(ratio, 0 if ratio >= 10 else 1)}×"


def fitted_in_spell(row: pd.Series, lives: pd.DataFrame) -> int | None:
    """How many pieces a bench or a make had fitted from `since` to `until`; None where the group is no such one.

    lives: the life records of the row's family and component (bench, part, opened_by, opened_on).
    """
    if row["kind"] not in ("bench", "part") or not _there(row["since"]) or not isinstance(row["component"], str):
        return None
    mine = lives[lives["opened_by"].notna() & lives[str(row["kind"])].eq(row["name"]).fillna(False).astype(bool)]
    mine = mine[mine["opened_on"] >= row["since"]]
    return len(mine if not _there(row["until"]) else mine[mine["opened_on"] < row["until"]])


def counted(row: pd.Series, fitted: int | None = None) -> str:
    """What was counted in a flagged group and what was to be expected, in one sentence without its full stop.

    fitted: of how many pieces, where that is known (`fitted_in_spell`).
    """
    seen, expected = seen_and_expected(row)
    done, events = WHAT.get(str(row.get("by")), WHAT["failures"])
    few = f"hardly one ({number(expected, 2)})" if expected < 0.5 else number(expected, 1)
    if fitted is None or fitted < seen:
        return f"{number(seen)} {events}{_spell(row)}; at the same ages and use {few} would have been usual"
    return f"{number(seen)} of the {number(fitted)} fitted{_spell(row)} {done}; elsewhere {few} would have by that age"


def _spell(row: pd.Series) -> str:
    if not _there(row["since"]):
        return ""
    since = f"{pd.Timestamp(row['since']):%b %Y}"
    return f" from {since} to {pd.Timestamp(row['until']):%b %Y}" if _there(row.get("until")) else f" since {since}"


def observed_over_expected(repeats: pd.DataFrame, *, most: int = 12, look: Look = LIGHT) -> go.Figure:
    """Observed over expected with its 90 % interval; 1 is "as often as the fleet's sound fit says".

    `repeats` has the columns of the command of that name. Flagged groups come first, as filled diamonds in the alarm
    colour; the others are open circles. The axis is logarithmic: twice and half lie equally far from 1; what is over
    twenty times stands at its edge, with the figures in the hover.
    """
    if repeats.empty:
        return empty("No group has enough exposure to compare yet.", look)
    flagged = repeats["flagged"].fillna(False).astype(bool)
    order = (
        repeats.assign(_flag=flagged)
        .sort_values(["_flag", "q_value", "p_value", "ratio"], ascending=[False, True, True, False], kind="stable")
        .head(most)
    )
    is_flagged = order["_flag"].to_numpy()
    figure = start(
        [repeat_label(r) for _, r in order.iterrows()], look, x="observed ÷ expected (log scale)", legend=True
    )
    ratio, lower, upper = (floats(order[c]) for c in ("ratio", "ratio_lower", "ratio_upper"))
    shown = np.clip(ratio, 0.05, EDGE)
    rows = np.arange(len(order))
    hover = [
        f"<b>{repeat_label(r)}</b><br>{number(seen_and_expected(r)[0])} seen, "
        f"{number(seen_and_expected(r)[1], 1)} expected<br>"
        f"ratio {number(r['ratio'], 2)}, 90 % interval {span(r['ratio_lower'], r['ratio_upper'], _two)}<br>"
        f"comebacks {number(r['comebacks'])}, expected {number(r['comebacks_expected'], 1)}<br>"
        f"false discovery rate {number(r['q_value'], 3)}"
        + (f"<br>since {str(r['since'])[:10]}" if _there(r["since"]) else "")
        for _, r in order.iterrows()
    ]
    for mask, name, colour, symbol in (
        (is_flagged, "more than it should", look.alarm, "diamond"),
        (~is_flagged, "within what chance does", look.calm, "circle-open"),
    ):
        if mask.any():
            figure.add_scatter(
                x=shown[mask],
                y=rows[mask],
                mode="markers",
                marker={"symbol": symbol, "size": 13, "color": colour, "line": {"width": 2, "color": colour}},
                error_x=error_bars(
                    shown[mask], np.clip(lower[mask], 0.05, EDGE), np.clip(upper[mask], None, EDGE), look, EDGE
                ),
                hovertext=[hover[i] for i in rows[mask]],
                hoverinfo="text",
                name=name,
            )
    figure.add_vline(x=1, line={"color": look.ink, "width": 1.5, "dash": "dash"})
    figure.update_xaxes(type="log", tickvals=[0.1, 0.25, 0.5, 1, 2, 4, 10, EDGE], ticktext=_times())
    return figure


def _times() -> list[str]:
    return ["⅒", "¼", "½", "1×", "2×", "4×", "10×", "over 20×"]


def _two(value: object) -> str:
    return number(value, 2)


def _there(value: object) -> bool:
    return value is not None and not bool(pd.isna(value))  # type: ignore[call-overload]


def building_up(events: pd.DataFrame, *, what: str, since: object = None, look: Look = LIGHT) -> go.Figure:
    """How one group's events pile up over time beside what was expected.

    `events`: date, observed (cumulative count), expected (cumulative; may be missing). `what` names the event for
    the axis. `since` marks where the surplus began.
    """
    if events.empty:
        return empty("No event of this group is on record.", look)
    figure = go.Figure()
    x = pd.to_datetime(events["date"])
    figure.add_scatter(
        x=x,
        y=floats(events["observed"]),
        mode="lines+markers",
        line={"color": look.alarm, "width": 2.5, "shape": "hv"},
        marker={"symbol": "diamond", "size": 8},
        name="seen",
        hovertext=[f"{d:%d %B %Y}<br>{number(v)} so far" for d, v in zip(x, events["observed"], strict=True)],
        hoverinfo="text",
    )
    if "expected" in events and events["expected"].notna().any():
        figure.add_scatter(
            x=x,
            y=floats(events["expected"]),
            mode="lines",
            line={"color": look.calm, "width": 2.5, "dash": "dash"},
            name="expected",
            hovertext=[f"{d:%d %B %Y}<br>{number(v, 1)} expected" for d, v in zip(x, events["expected"], strict=True)],
            hoverinfo="text",
        )
    finish(figure, look, x="date", y=what)
    if _there(since):
        figure.add_vline(
            x=pd.Timestamp(since).timestamp() * 1000,  # type: ignore[arg-type]
            line={"color": look.ink, "dash": "dot"},
            annotation={"text": "since", "font": {"color": look.ink}},
        )
    figure.update_yaxes(rangemode="tozero", tickformat=",d", nticks=6)
    # a single event has no span of its own; a month around it keeps the axis in days
    margin = max((x.max() - x.min()) * 0.05, pd.Timedelta(days=30))
    figure.update_xaxes(tickformat="%b %Y", tickangle=0, nticks=4, range=[x.min() - margin, x.max() + margin])
    return figure
