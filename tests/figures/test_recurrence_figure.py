"""The picture of what recurs: steps, band, counts and units of distance in it, and what is said without data."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rebuildstats.figures.palette import DARK, LIGHT
from rebuildstats.figures.recurrence import MOST_STEPS, per_unit
from rebuildstats.fits.recurrence import mean_cumulative


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=lambda look: look.name)
def test_steps_with_their_band(look):
    # three systems (Meeker & Escobar 1998, ch. 16; data from memory): means 1/3, 2/3, 4/3, 11/6
    events = pd.DataFrame({"unit": list("AACCC"), "age": [5, 8, 1, 8, 16]})
    units = pd.DataFrame({"unit": list("ABC"), "end": [12.0, 16.0, 20.0]})
    frame = mean_cumulative(events, units).frame()
    figure = per_unit([("pump", frame), ("others", frame)], what="failures a unit", distance="km", at=10, look=look)
    band, first, second = figure.data
    assert list(first.y) == pytest.approx([1 / 3, 2 / 3, 4 / 3, 11 / 6])
    assert first.line.shape == "hv"
    assert (first.line.dash, second.line.dash) == ("solid", "dash")  # not by colour alone
    assert list(band.y[:4]) == pytest.approx(list(frame["upper"]))
    assert "16 km: 1.83 a unit" in first.hovertext[-1]
    assert "2 units watched there" in first.hovertext[-1]
    assert "(km)" in figure.layout.xaxis.title.text
    assert figure.layout.yaxis.title.text == "failures a unit"


def test_a_long_curve_is_drawn_short_and_nothing_is_said_in_words():
    frame = pd.DataFrame({"age": np.arange(5000.0), "at_risk": 9, "mean": 1.0, "lower": 0.5, "upper": 2.0})
    figure = per_unit([("a", frame)], what="failures", distance="mi")
    assert len(figure.data[1].x) <= MOST_STEPS
    nothing = per_unit([("a", frame.iloc[:0])], what="failures", distance="mi")
    assert "No failure" in nothing.layout.annotations[0].text
