"""The forecast's own record: loss and coverage of every method on the shop's past."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from scipy import stats

from rebuildstats.figures.palette import LIGHT, Look, empty, number, percent, span
from rebuildstats.figures.rows import BAR, error_bars, floats, hatched, start

PEER = "moving average"
"""What every method is held against."""


def by_method(backtest: pd.DataFrame) -> pd.DataFrame:
    """The backtest's rows gathered per method, the least loss first.

    method, pinball (sum), times (of the moving average's loss, see `times_peer`) with times_lower and times_upper,
    coverage_90 (mean) with coverage_lower and coverage_upper, forecasts, parts.
    """
    columns = ["method", "pinball", "times", "times_lower", "times_upper"]
    columns += ["coverage_90", "coverage_lower", "coverage_upper", "forecasts", "parts"]
    if backtest.empty:
        return pd.DataFrame(columns=columns)
    grouped = backtest.groupby("method", as_index=False).agg(
        pinball=("pinball", "sum"),
        coverage_90=("coverage_90", "mean"),
        forecasts=("pinball", "size"),
        parts=("part", "nunique"),
    )
    grouped = grouped.merge(times_peer(backtest), on="method")
    return _with_interval(grouped, backtest, "method").sort_values("pinball", ignore_index=True)[columns]


def times_peer(backtest: pd.DataFrame) -> pd.DataFrame:
    """Each method's loss over the moving average's, where both forecast: method, times, times_lower, times_upper.

    The ratio of two sums, two-sided 90 % on the log scale; what a part's forecasts have in common counts once
    (linearised ratio with parts as clusters: Cochran 1977, Sampling Techniques, 3rd ed., ch. 6 and 9A). With fewer than
    two parts nothing bounds it.
    """
    wide = backtest.pivot_table(index=["part", "origin"], columns="method", values="pinball")
    rows = []
    for method in wide.columns:
        row = {"method": method, "times": np.nan, "times_lower": 0.0, "times_upper": np.inf}
        if PEER in wide:
            both = pd.DataFrame({"mine": wide[method], "peer": wide[PEER]}).dropna()
            row |= _ratio(both.groupby(level="part").sum())
        rows.append(row)
    return pd.DataFrame(rows)


def _ratio(sums: pd.DataFrame) -> dict[str, float]:
    """Of the sums by part, `mine` over `peer`, with its interval; where nothing can be said, nothing is returned."""
    mine, peer, parts = float(sums["mine"].sum()), float(sums["peer"].sum()), len(sums)
    if not (mine > 0 and peer > 0):
        return {}
    ratio = mine / peer
    if parts < 2:
        return {"times": ratio}
    off = sums["mine"] - ratio * sums["peer"]
    error = np.sqrt(parts / (parts - 1) * float((off**2).sum())) / mine
    reach = float(np.exp(stats.t.ppf(0.95, parts - 1) * error))
    return {"times": ratio, "times_lower": ratio / reach, "times_upper": ratio * reach}


def _with_interval(table: pd.DataFrame, backtest: pd.DataFrame, by: str) -> pd.DataFrame:
    """coverage_lower, coverage_upper: two-sided 90 % for the share of times that the range held.

    Forecasts of one part hang together, and so do those of one origin: only so many independent looks are counted as
    the spread between parts says (design effect of cluster sampling: Kish 1965, Survey Sampling, ch. 5), and the
    interval is Wilson's (1927, JASA 22:209) for that many.
    """
    lower, upper = [], []
    for name, share in zip(table[by], table["coverage_90"], strict=True):
        held = backtest.loc[backtest[by] == name, ["part", "coverage_90"]].dropna()
        low, high = wilson(float(share), independent_looks(held["coverage_90"], held["part"]))
        lower.append(low)
        upper.append(high)
    return table.assign(coverage_lower=lower, coverage_upper=upper)


def independent_looks(held: pd.Series, groups: pd.Series) -> float:
    """How many independent looks these shares are worth, `groups` hanging together: n over Kish's design effect.

    The variance of the mean between groups over that of as many independent looks; never more than there are.
    """
    n, share = len(held), float(held.mean()) if len(held) else np.nan
    plain = share * (1 - share) / n if n else np.nan
    if n < 2 or not plain > 0:
        return float(groups.nunique()) if n else 0.0
    sums = (held - share).groupby(groups).sum()
    parts = len(sums)
    clustered = float((sums**2).sum()) / n**2 * (parts / (parts - 1) if parts > 1 else 1.0)
    return n / max(clustered / plain, 1.0) if parts > 1 else 1.0


def closest(table: pd.DataFrame) -> str:
    """How the method that came closest did beside the moving average, in words. table: as from `by_method`."""
    best = table.iloc[0]
    over = f"over {number(best['forecasts'])} forecasts of {number(best['parts'])} parts"
    said = f"“{best['method']}” has come closest of {len(table)} methods"
    less, least, most = 1 - best["times"], 1 - best["times_upper"], 1 - best["times_lower"]
    if best["method"] == PEER or pd.isna(less):
        return f"{said}, {over}."
    if math.isinf(least):
        return f"{said}, {over}; too few parts to say by how much."
    clear = "" if least > 0 else ", which may be chance"
    return f"{said}: {_less(less)} off than a {PEER} (90 % interval {_less(least)} to {_less(most)}){clear}, {over}."


def _less(share: float) -> str:
    return f"{percent(share)} less" if share >= 0 else f"{percent(-share)} more"


def wilson(share: float, looks: float, z: float = 1.6448536269514722) -> tuple[float, float]:
    """Wilson's interval of a share out of so many looks (z: 90 % two-sided by default); nothing seen: 0 to 1."""
    if not looks > 0 or not np.isfinite(share):
        return 0.0, 1.0
    middle = share + z * z / (2 * looks)
    reach = z * np.sqrt(share * (1 - share) / looks + z * z / (4 * looks * looks))
    whole = 1 + z * z / looks
    return float(max((middle - reach) / whole, 0.0)), float(min((middle + reach) / whole, 1.0))


def not_trusted(backtest: pd.DataFrame, least: float = 0.7) -> pd.DataFrame:
    """Parts whose chosen method held its 90 % ranges in less than `least` of the past: why, how sure."""
    columns = ["part", "method", "coverage_90", "coverage_lower", "coverage_upper", "forecasts", "why"]
    if backtest.empty:
        return pd.DataFrame(columns=columns)
    chosen = backtest[backtest["chosen"].fillna(False).astype(bool)]
    per_part = chosen.groupby("part", as_index=False).agg(
        method=("method", "first"), coverage_90=("coverage_90", "mean"), forecasts=("pinball", "size")
    )
    bad = per_part[per_part["coverage_90"] < least].sort_values("coverage_90", ignore_index=True)
    ends = [wilson(float(c), float(n)) for c, n in zip(bad["coverage_90"], bad["forecasts"], strict=True)]
    why = [
        f"its 90 % ranges held {percent(c)} of the time in {number(n)} forecasts (90 % interval {span(*end, percent)})"
        for c, n, end in zip(bad["coverage_90"], bad["forecasts"], ends, strict=True)
    ]
    return bad.assign(coverage_lower=[e[0] for e in ends], coverage_upper=[e[1] for e in ends], why=why)[columns]


def losses(backtest: pd.DataFrame, *, look: Look = LIGHT) -> go.Figure:
    """Each method's pinball loss over the moving average's, the least first, with its interval (the contract's
    `backtest` columns); the line at 1 is the moving average.
    """
    table = by_method(backtest)
    table = table[table["times"].notna()]
    if table.empty:
        return empty("The history is too short to try the forecast on its own past.", look)
    figure = start([str(m) for m in table["method"]], look, x=f"how far off, {PEER} = 1 (less is better)", legend=False)
    times = floats(table["times"])
    clear = floats(table["times_upper"]) < 1
    figure.add_scatter(
        x=times,
        y=np.arange(len(table)),
        mode="markers",
        error_x=error_bars(times, floats(table["times_lower"]), floats(table["times_upper"]), look),
        marker={
            "size": 14,
            "symbol": ["circle" if c else "diamond" for c in clear],
            "color": [look.calm if c else look.faint for c in clear],
        },
        hovertext=[
            f"<b>{r['method']}</b><br>{number(r['times'], 2)} times as far off as a {PEER}<br>90 % interval "
            f"{span(r['times_lower'], r['times_upper'], lambda v: number(v, 2))}<br>{number(r['forecasts'])} forecasts "
            f"of {number(r['parts'])} parts; loss {number(r['pinball'], 1)} pieces"
            for _, r in table.iterrows()
        ],
        hoverinfo="text",
    )
    figure.add_vline(x=1, line={"color": look.ink, "dash": "dash", "width": 1.5})
    seen = np.concatenate([times, [1.0], floats(table[["times_lower", "times_upper"]].to_numpy().ravel())])
    seen = seen[np.isfinite(seen) & (seen > 0)]
    room = 0.12 * max(seen.max() - seen.min(), 0.1)
    figure.update_xaxes(range=[max(seen.min() - room, 0.0), seen.max() + room], tickformat=".2~f")
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
    figure.add_scatter(
        x=share,
        y=np.arange(len(table)),
        mode="markers",
        error_x=error_bars(share, floats(table["coverage_lower"]), floats(table["coverage_upper"]), look, cap=1.0),
        marker={
            "size": 14,
            "symbol": ["diamond" if s < 0.8 else "circle" for s in share],
            "color": [look.alarm if s < 0.8 else look.calm for s in share],
        },
        hovertext=[
            f"<b>{m}</b><br>held {percent(s)} of the time, 90 % interval {span(low, high, percent)}<br>"
            f"{number(n)} forecasts of {number(parts)} parts"
            for m, s, low, high, n, parts in zip(
                table["method"],
                share,
                table["coverage_lower"],
                table["coverage_upper"],
                trials,
                table["parts"],
                strict=True,
            )
        ],
        hoverinfo="text",
    )
    figure.add_vline(x=0.9, line={"color": look.ink, "dash": "dash", "width": 1.5})
    figure.update_xaxes(range=[min(0.45, float(table["coverage_lower"].min()) - 0.03), 1.02], tickformat=".0%")
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
