"""The ten colours, their marks, and what every figure shares: fonts, margins, axes, words for numbers.

The colours were chosen by search, not by eye: in OKLab every pair of one look stays at least 0.06 apart for normal
sight and for simulated protanopia, deuteranopia and tritanopia (Machado, Oliveira & Fernandes 2009, IEEE TVCG
15:1291), and every colour keeps 3:1 against its page (WCAG 2.2, 1.4.11). `tests/figures/test_palette.py` holds both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd
import plotly.graph_objects as go

INF = math.inf

DISTANCE_WORDS = {"mi": "miles", "km": "kilometres", "h": "hours"}


@dataclass(frozen=True, slots=True)
class Look:
    """The colours of one kind of page. `ten` is in the order of use; `calm` is the first, `alarm` the second."""

    name: str
    page: str
    ink: str
    faint: str
    grid: str
    hover: str
    ten: tuple[str, ...]

    @property
    def calm(self) -> str:
        """What is as it should be, or the answer itself."""
        return self.ten[0]

    @property
    def alarm(self) -> str:
        """What wants a decision."""
        return self.ten[1]

    def veil(self, index: int, strength: float) -> str:
        """Colour `index` as an rgba string of opacity `strength`, for bands behind lines."""
        red, green, blue = (int(self.ten[index % 10][at : at + 2], 16) for at in (1, 3, 5))
        return f"rgba({red},{green},{blue},{strength})"


LIGHT = Look(
    name="light",
    page="#F3F5F6",
    ink="#1B2228",
    faint="#55616B",
    grid="#D3DADF",
    hover="#FFFFFF",
    ten=(
        "#0B5A8A",
        "#C4480A",
        "#009687",
        "#871E2D",
        "#9F70F0",
        "#000096",
        "#8145CC",
        "#4B0000",
        "#30104F",
        "#0A0F14",
    ),
)
DARK = Look(
    name="dark",
    page="#14181C",
    ink="#EDF1F3",
    faint="#A3B0BA",
    grid="#333C44",
    hover="#232A31",
    ten=(
        "#5DB2E8",
        "#FF8A3D",
        "#C3FFC3",
        "#D05CD0",
        "#FFD84A",
        "#2F9E7A",
        "#8769FF",
        "#E03A2A",
        "#B99AA8",
        "#69E1FF",
    ),
)

SYMBOLS = (
    "circle",
    "diamond",
    "square",
    "triangle-up",
    "x",
    "triangle-down",
    "cross",
    "star",
    "pentagon",
    "hexagon",
)
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot", "5px,2px", "2px,6px", "9px,3px,2px,3px", "12px")
PATTERNS = ("", "/", ".", "x", "\\", "-", "|", "+", "/", "x")


def look(name: str | None) -> Look:
    """The look called `name`; anything but `dark` is light."""
    return DARK if name == "dark" else LIGHT


def distance_axis(what: str, distance: str) -> str:
    """An axis title: `age since renewal (mi)`."""
    return f"{what} ({distance})"


def number(value: Any, digits: int = 0) -> str:
    """A number for a hover or a label: thousands separated, `inf` as "no bound", missing as a dash."""
    if value is None or pd.isna(value):
        return "–"
    if math.isinf(float(value)):
        return "no bound"
    return f"{float(value):,.{digits}f}"


def percent(value: Any) -> str:
    """A share as a percentage without false digits: `<1 %`, `7 %`, `>99 %`."""
    if value is None or pd.isna(value):
        return "–"
    share = abs(max(float(value), 0.0)) * 100  # no "-0 %" out of rounding
    if 0 < share < 1:
        return "<1 %"
    if 99 < share < 100:
        return ">99 %"
    return f"{share:.0f} %"


def span(lower: Any, upper: Any, say: Any = number) -> str:
    """`12,000 to 19,000`; an open upper end is said in words."""
    if upper is not None and not pd.isna(upper) and math.isinf(float(upper)):
        return f"at least {say(lower)}"
    return f"{say(lower)} to {say(upper)}"


def finish(
    figure: go.Figure,
    look: Look,
    *,
    x: str,
    y: str,
    height: int = 360,
    legend: bool = True,
) -> go.Figure:
    """Give `figure` the shared layout. `x` and `y` are axis titles with their units ("" for a list of names)."""
    axis: dict[str, Any] = {
        "gridcolor": look.grid,
        "linecolor": look.faint,
        "zeroline": False,
        "ticks": "outside",
        "tickcolor": look.grid,
        "tickfont": {"color": look.ink, "size": 13},
        "automargin": True,
    }
    title = {"font": {"color": look.faint, "size": 13}}
    figure.update_xaxes(**axis)
    figure.update_yaxes(**axis)
    figure.update_layout(
        xaxis_title={"text": x, **title},
        yaxis_title={"text": y, **title},
        height=height,
        margin={"l": 8, "r": 12, "t": 34 if legend else 12, "b": 8},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        colorway=list(look.ten),
        font={"color": look.ink, "size": 13, "family": "Source Sans, Source Sans Pro, system-ui, sans-serif"},
        hoverlabel={"bgcolor": look.hover, "bordercolor": look.faint, "font": {"color": look.ink, "size": 13}},
        showlegend=legend,
        legend={
            "orientation": "h",
            "yanchor": "bottom",
            "y": 1.0,
            "x": 0,
            "font": {"color": look.ink, "size": 12},
            "bgcolor": "rgba(0,0,0,0)",
        },
        # a finger that scrolls the page must not drag the picture
        dragmode=False,
        bargap=0.35,
    )
    return figure


def empty(words: str, look: Look = LIGHT, height: int = 160) -> go.Figure:
    """A figure that says in words why there is nothing to draw."""
    figure = go.Figure()
    figure.add_annotation(
        text=words, showarrow=False, xref="paper", yref="paper", x=0.5, y=0.5, font={"color": look.faint, "size": 15}
    )
    finish(figure, look, x="", y="", height=height, legend=False)
    figure.update_xaxes(visible=False)
    figure.update_yaxes(visible=False)
    return figure


def wrapped(name: str, width: int = 22) -> str:
    """A name broken into lines for a narrow screen."""
    lines: list[str] = [""]
    for word in str(name).replace("_", " ").split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > width:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    return "<br>".join(lines)


def rows_height(rows: int, each: int = 34, least: int = 150) -> int:
    """The height in pixels of a figure with one line per row."""
    return max(least, 74 + each * rows)
