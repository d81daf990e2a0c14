"""Any forecast opened: the units, positions and reasons whose expected pieces add up to its mean."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from rebuildstats.demand.fleet import Positions
from rebuildstats.demand.installed import KINDS, USE, Base, replaced_by_kind, share_of_part
from rebuildstats.demand.replacements import ReplacementModel
from rebuildstats.demand.sums import Array
from rebuildstats.demand.teardowns import Calendar

COLUMNS = [
    "unit", "family", "vehicle", "component", "position", "chance_teardown", "chance_replaced", "quantity", "ratio",
    "pieces", "reason",
]  # fmt: skip
_WORDS = {
    "failure": "comes in for failure",
    "scheduled": "comes in by schedule",
    "again": "comes back after a rebuild in the horizon",
    "repair": "is repaired",
}


def trace_rows(bases: Mapping[str, Base], uses: pd.DataFrame, share: Array, when: Calendar) -> pd.DataFrame:
    """Expected pieces of one part by unit and position before any correction: COLUMNS, `ratio` 1.

    uses: the part's rows; share: (K,) of each interval. chance_teardown: expected teardowns of the unit in the window;
    chance_replaced: that the position takes the part at one of them; pieces = the two x quantity x ratio. reason: the
    kind of teardown that weighs most, and the ages it comes from.
    """
    frames = []
    for family, rows in uses.groupby("family", sort=True):
        base = bases.get(str(family))
        if base is None or not base.fleet.units:
            continue
        run = np.nan_to_num(base.fleet.per_day)[:, None] * np.minimum(
            when.middle[None, :], base.fleet.days_left[:, None]
        )
        by_kind = replaced_by_kind(base.model, base.fleet, run, base.chances, base.said)
        w = {k: base.kind(k)[0] * share[None, :] for k in KINDS}
        teardowns = np.sum([w[k].sum(axis=1) for k in KINDS], axis=0)
        main = np.stack([w[k].sum(axis=1) for k in KINDS]).argmax(axis=0)
        due = base.chances.booked @ share > 0.5
        for name, part, quantity, stated, keeps in rows[USE].itertuples(index=False, name=None):
            if name not in base.model.components or name not in by_kind["failure"]:
                continue
            positions = base.fleet.positions[name]
            taken = np.sum([(w[k][:, None, :] * by_kind[k][name]).sum(axis=2) for k in KINDS], axis=0)
            taken = taken * share_of_part(positions, part, stated, keeps)[:, None]
            unit, place = np.nonzero(taken > 1e-12)
            whole = teardowns[unit]
            frames.append(
                pd.DataFrame(
                    {
                        "unit": [base.fleet.units[i] for i in unit],
                        "family": str(family),
                        "vehicle": [base.fleet.vehicles[i] or None for i in unit],
                        "component": name,
                        "position": place + 1,
                        "chance_teardown": whole,
                        "chance_replaced": taken[unit, place] / whole,
                        "quantity": float(quantity),
                        "ratio": 1.0,
                        "pieces": taken[unit, place] * float(quantity),
                        "reason": [
                            _reason(
                                KINDS[main[i]], bool(due[i]), base.fleet.age[i], positions, (int(i), int(j)), base.model
                            )
                            for i, j in zip(unit, place, strict=True)
                        ],
                    }
                )
            )
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=COLUMNS)


def _reason(
    kind: str, booked: bool, unit_age: float, own: Positions, place: tuple[int, int], model: ReplacementModel
) -> str:
    come = "is booked" if booked else _WORDS[kind]
    at = "age unknown" if np.isnan(unit_age) else f"{unit_age:,.0f} since rebuild"
    age = own.age[place]
    if model.components[own.component].always and kind != "repair":
        return f"{come} ({at}); renewed at every rebuild"
    if np.isnan(age):
        return f"{come} ({at}); its age unknown"
    if np.isnan(own.lower[place]):
        return f"{come} ({at}); itself {age:,.0f} old"
    between = f"{own.lower[place]:,.0f} to {own.upper[place]:,.0f}"
    return (
        f"{come} ({at}); itself some {age:,.0f} old ({between}) by what such ones did since, its age at first sight "
        "unknown"
    )


def whole_trace(rows: pd.DataFrame, own_mean: float, loose_mean: float, loose_reason: str) -> pd.DataFrame:
    """The trace of one forecast: `rows` brought to the mean of the corrected distribution, and a row for what no
    teardown explains. Pieces add up to own_mean + loose_mean."""
    rows = rows.copy()
    total = float(rows["pieces"].sum())
    if total > 0:
        rows["ratio"] = own_mean / total
        rows["pieces"] = rows["pieces"] * rows["ratio"]
    if loose_mean > 0 or not len(rows):
        extra = {
            "unit": None, "family": None, "vehicle": None, "component": None, "position": np.nan,
            "chance_teardown": np.nan, "chance_replaced": np.nan, "quantity": np.nan, "ratio": 1.0,
            "pieces": loose_mean, "reason": loose_reason,
        }  # fmt: skip
        last = pd.DataFrame([extra], columns=COLUMNS)
        rows = pd.concat([rows, last], ignore_index=True) if len(rows) else last
    text = ["unit", "family", "vehicle", "component", "reason"]
    return rows[COLUMNS].astype(dict.fromkeys(text, "str")).sort_values("pieces", ascending=False, ignore_index=True)
