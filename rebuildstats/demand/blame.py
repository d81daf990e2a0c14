"""What a booked unit's complaint says of its cause: some components become likelier than their age makes them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from rebuildstats.demand.fleet import Fleet
from rebuildstats.demand.sums import Array

_BELIEF = 2.0  # teardowns' worth of belief that a component is complained of like all the others


def complaint_ratios(causes: pd.DataFrame) -> dict[tuple[str, str], dict[str, float]]:
    """(family, complaint) -> component -> how many times as often as usual this complaint is heard when that component
    is the cause: Bayes' factor of the complaint, smoothed towards 1.

    causes: the rows of `fits.complaints.complaint_causes`, of which those over all mileages are used; the component ''
    (no cause found) takes part as one.
    """
    rows = causes[(causes["mileage_from"] == 0.0) & np.isinf(causes["mileage_to"].astype(float))]
    out: dict[tuple[str, str], dict[str, float]] = {}
    for family, own in rows.groupby("family"):
        heard = own.groupby("complaint")["count"].sum()
        caused = own.groupby("component")["count"].sum()
        for complaint, part in own.groupby("complaint"):
            usual = float(heard[complaint] / heard.sum())
            counts = part.set_index("component")["count"].reindex(caused.index).fillna(0.0)
            factor = (counts + _BELIEF * usual) / (caused + _BELIEF) / usual
            out[str(family), str(complaint)] = {str(c): float(f) for c, f in factor.items()}
    return out


def blamed(
    ratios: Mapping[tuple[str, str], Mapping[str, float]], planned: pd.DataFrame, fleet: Fleet
) -> dict[str, Array]:
    """component -> (units,) factor of its hazard as the cause at the booked teardown; 1 where no complaint is known or
    it was never heard before. planned: rows with unit and complaint, in any case."""
    place = {u: i for i, u in enumerate(fleet.units)}
    out: dict[str, Array] = {}
    for unit, complaint in zip(planned["unit"], planned["complaint"], strict=True):
        if not isinstance(unit, str) or not isinstance(complaint, str) or unit not in place:
            continue
        for component, factor in ratios.get((fleet.family, complaint.strip().lower()), {}).items():
            out.setdefault(component, np.ones(len(fleet.units)))[place[unit]] = factor
    return out
