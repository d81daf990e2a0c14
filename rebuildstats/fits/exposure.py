"""What should have failed, when and in whose hands: the cumulative hazard of every life laid out over time.

For a life observed from entry to exit the failures to expect are H(exit) - H(entry) of the component's fitted life,
for the life's own duty but for no make, site or bench in particular: those are what is asked about. Along the
calendar the distance of a life is spread evenly over the days its unit was in a vehicle, so that each time bin gets
its share of hazard under the vehicle of that day.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from rebuildstats.fits.rows import numbers, sums, texts

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Codes:
    """A text column as numbers: code (-1: missing) and the name of each."""

    code: Ints
    names: list[str]


def coded(column: Any) -> Codes:
    values = texts(column)
    names, codes = np.unique(values[values != ""].astype(str), return_inverse=True)
    full = np.full(len(values), -1, dtype=np.int64)
    full[values != ""] = codes
    return Codes(full, [str(n) for n in names])


@dataclass(frozen=True, slots=True)
class Exposure:
    """Lives as exposure. One row per life:

    component: Codes of family and component together, joined by a tab; begun: began at a teardown; failed: ended by a
    failure in service; entry_hazard, end_hazard: cumulative hazard of the fitted life at both ends; opened, closed:
    time bins; early: failed within the comeback window; early_end_hazard: where the window ends. One row per piece of
    life and time bin: piece_life, piece_bin, piece_vehicle, piece_site and piece_duty (of that vehicle), piece_band
    (of age), piece_early (within the comeback window), piece_from and piece_to (cumulative hazard), piece_run
    (distance); the failures of the lives in the same terms: fail_life, fail_bin, fail_vehicle, fail_site, fail_duty,
    fail_band.
    """

    component: Codes
    begun: Flags
    duty: list[str]
    piece_duty: Ints
    fail_duty: Ints
    part: Codes
    bench: Codes
    site: Codes
    vehicles: list[str]
    piece_site: Ints
    fail_site: Ints
    failed: Flags
    entry_hazard: Array
    end_hazard: Array
    opened: Ints
    closed: Ints
    early: Flags
    early_end_hazard: Array
    piece_life: Ints
    piece_bin: Ints
    piece_vehicle: Ints
    piece_band: Ints
    piece_early: Flags
    piece_from: Array
    piece_to: Array
    piece_run: Array
    fail_life: Ints
    fail_bin: Ints
    fail_vehicle: Ints
    fail_band: Ints
    closed_by: npt.NDArray[np.object_]
    opened_by: npt.NDArray[np.object_]
    entry_age: Array
    end_age: Array
    bins: int
    first_day: np.datetime64
    days_per_bin: int

    def date(self, day_bin: int) -> pd.Timestamp:
        """First day of a time bin."""
        return pd.Timestamp(self.first_day + np.timedelta64(int(day_bin) * self.days_per_bin, "D"))


def cumulative_hazard(lives: pd.DataFrame, life_fits: Any, life: Ints, ages: list[Array]) -> list[Array]:
    """H at each of `ages`, aligned with `life` (rows of `lives`), by the component's fit for the life's duty and
    history.

    A component that can't be fitted gets the shape of wear (square of age); its level is found from its own failures
    later.
    """
    out = [np.zeros(len(life)) for _ in ages]
    if not len(life):
        return out
    label = coded(lives["family"].astype(str) + "\t" + lives["component"].astype(str)).code
    duty = coded(lives["duty"]).code
    first = np.asarray(lives["first_life"].fillna(False).astype(bool))
    every = (label * (int(duty.max()) + 2) + duty + 1) * 2 + first
    known, group = np.unique(every, return_index=True, return_inverse=True)[1:]  # a life stands for its group
    top = np.ones(len(known))
    for a in ages:
        np.maximum.at(top, group[life], a)
    curves = _hazard_curves(lives.iloc[known], label[known], first[known], life_fits, top)
    order = np.argsort(group[life], kind="stable")
    edges = np.searchsorted(group[life][order], np.arange(len(known) + 1))
    for g, curve in enumerate(curves):
        rows = order[edges[g] : edges[g + 1]]
        for target, a in zip(out, ages, strict=True):
            target[rows] = np.interp(a[rows], _GRID * top[g], curve)
    return out


_GRID = np.concatenate([[0.0], np.geomspace(1e-3, 1.0, 240)])


def _hazard_curves(lives: pd.DataFrame, label: Ints, first: Flags, life_fits: Any, top: Array) -> Array:
    """H of each of `lives` over _GRID times its `top`, (lives, grid); those of one component (`label`) lie together."""
    curves = np.tile(_GRID**2, (len(lives), 1))
    duty = lives["duty"].to_numpy(dtype=object)
    for own in np.split(np.arange(len(lives)), np.flatnonzero(np.diff(label)) + 1):
        one = lives.iloc[own[0]]
        model = life_fits.get(str(one["family"]), str(one["component"]))
        if model is None:
            continue
        covariates = pd.DataFrame({"duty": duty[own], "first_life": first[own]}, dtype=object)
        spread = covariates.loc[np.repeat(covariates.index, len(_GRID))].reset_index(drop=True)
        age = (top[own, None] * _GRID).ravel()
        survival = 1.0 - np.asarray(model.chance(age, spread), dtype=float).reshape(len(own), -1)
        told = np.isfinite(survival).all(axis=1)
        # a survival a rounding above 1 would make a hazard below 0
        hazard = np.maximum(-np.log(np.maximum(survival[told], 1e-12)), 0.0)
        curves[own[told]] = np.maximum.accumulate(hazard, axis=1)
    return curves


MOST_PIECES = 3_000_000


def _step(days: float, lives: int) -> int:
    """Days of a time bin: 15, or as many as keep the pieces of a large fleet within memory."""
    return next((s for s in (15, 30, 45, 60) if days / s + lives <= MOST_PIECES), 90)


def lay_out_exposure(
    lives: pd.DataFrame,
    fitments: pd.DataFrame | None,
    life_fits: Any,
    as_of: pd.Timestamp,
    *,
    vehicles: pd.DataFrame | None = None,
    usage: pd.DataFrame | None = None,
    window_distance: float = 12_000.0,
    window_days: float = 365.0,
) -> Exposure:
    """Lay out `lives` (the record of that name) over time.

    fitments: unit, vehicle, fitted_on, removed_on; vehicles: vehicle, site, duty: without them a life's own site and
    duty stand for all of it. usage: vehicle, read_on, distance: how the distance of a life is shared among its
    vehicles (else by days).
    """
    frame = lives.reset_index(drop=True)
    entry = np.nan_to_num(numbers(frame["entry_age"]))
    lower, upper = numbers(frame["lower_age"]), numbers(frame["upper_age"])
    event = np.isfinite(upper)
    shown = texts(frame["shows"]) == "in_service"
    exact = event & (upper == lower)
    failed = exact | (event & shown)
    # found bad at a teardown is no failure in service: such a life was under risk of one to where it was last known
    # good
    leave = np.where(failed, upper, lower)
    leave = np.maximum(np.nan_to_num(leave), entry)
    now = np.datetime64(as_of, "D")
    closed_on = frame["closed_on"].to_numpy(dtype="datetime64[D]")
    opened_on = frame["opened_on"].to_numpy(dtype="datetime64[D]")
    first_day = np.nanmin(opened_on) if (~np.isnat(opened_on)).any() else now
    opened_on = np.where(np.isnat(opened_on), first_day, opened_on)
    closed_on = np.maximum(np.where(np.isnat(closed_on), now, closed_on), opened_on)
    step = _step(float((closed_on - opened_on).astype(np.int64).sum()), len(frame))
    bins = int((now - first_day).astype(int)) // step + 1

    def to_bin(days: Any) -> Ints:
        whole = (days - first_day).astype("timedelta64[D]").astype(np.int64) // step
        return np.asarray(np.clip(whole, 0, bins - 1), dtype=np.int64)

    begun = texts(frame["opened_by"]) != ""
    duration = np.maximum((closed_on - opened_on).astype(np.int64), 1).astype(float)
    by_days = entry + (leave - entry) * np.minimum(window_days / duration, 1.0)
    early_end = np.minimum(np.minimum(by_days, leave), np.maximum(window_distance, entry))
    early = failed & begun & (leave <= window_distance) & (duration <= window_days)
    pieces = _pieces(frame, fitments, usage, opened_on, closed_on)
    part = entry[pieces["life"]] + (leave - entry)[pieces["life"]] * pieces["from"]
    until = entry[pieces["life"]] + (leave - entry)[pieces["life"]] * pieces["to"]
    everyone = np.arange(len(frame), dtype=np.int64)
    h_entry, h_leave, h_early = cumulative_hazard(frame, life_fits, everyone, [entry, leave, early_end])
    rows, bin_of, share_from, share_to = _by_bin(pieces["start"], pieces["stop"], first_day, step, bins)
    life = pieces["life"][rows]
    a0 = part[rows] + (until - part)[rows] * share_from
    a1 = part[rows] + (until - part)[rows] * share_to
    g0, g1 = cumulative_hazard(frame, life_fits, life, [a0, a1])
    vehicle_names = pieces["names"]
    where = np.flatnonzero(failed)
    at_end = _last_piece(pieces["life"], pieces["stop"], pieces["vehicle"], len(frame))
    site = coded(frame["site"])
    piece_vehicle = pieces["vehicle"][rows]
    site, piece_site, fail_site = _of_vehicle(
        "site", site, vehicles, vehicle_names, piece_vehicle, life, at_end[where], where
    )
    component = coded(frame["family"].astype(str) + "\t" + frame["component"].astype(str))
    opened_bin = to_bin(opened_on)
    duty, piece_duty, fail_duty = _of_vehicle(
        "duty", coded(frame["duty"]), vehicles, vehicle_names, piece_vehicle, life, at_end[where], where
    )
    piece_hazard = np.maximum(g1 - g0, 0.0)
    piece_band, fail_band = _bands(component, life, (a0 + a1) / 2, piece_hazard, where, leave[where])
    return Exposure(
        component=component,
        begun=begun,
        duty=[*duty.names, ""],
        piece_duty=np.where(piece_duty >= 0, piece_duty, len(duty.names)),
        fail_duty=np.where(fail_duty >= 0, fail_duty, len(duty.names)),
        part=coded(frame["part"].where(pd.Series(begun))),
        bench=coded(frame["bench"].where(pd.Series(begun))),
        site=site,
        vehicles=vehicle_names,
        piece_site=piece_site,
        fail_site=fail_site,
        failed=failed,
        entry_hazard=h_entry,
        end_hazard=np.maximum(h_leave, h_entry),
        opened=opened_bin,
        closed=to_bin(closed_on),
        early=early,
        early_end_hazard=np.where(begun, np.maximum(h_early, h_entry), h_entry),
        piece_life=life,
        piece_bin=bin_of,
        piece_vehicle=piece_vehicle,
        piece_band=piece_band,
        piece_early=begun[life]
        & ((a0 + a1) / 2 <= window_distance)
        & (bin_of - opened_bin[life] <= window_days // step),
        piece_from=g0,
        piece_run=a1 - a0,
        piece_to=np.maximum(g1, g0),
        fail_life=where,
        fail_bin=to_bin(closed_on[where]),
        fail_vehicle=at_end[where],
        fail_band=fail_band,
        closed_by=texts(frame["closed_by"]),
        opened_by=texts(frame["opened_by"]),
        entry_age=entry,
        end_age=leave,
        bins=bins,
        first_day=first_day,
        days_per_bin=step,
    )


BANDS = 5


def _bands(
    component: Codes, piece_life: Ints, age: Array, hazard: Array, fail_life: Ints, fail_age: Array
) -> tuple[Ints, Ints]:
    """Bands of age per component that hold equal shares of what it should have failed: codes component x BANDS +
    band."""
    piece_component, fail_component = component.code[piece_life], component.code[fail_life]
    piece_band, fail_band = np.zeros(len(age), dtype=np.int64), np.zeros(len(fail_age), dtype=np.int64)
    order = np.lexsort((age, piece_component))
    edges_of = np.searchsorted(piece_component[order], np.arange(len(component.names) + 1))
    for c in range(len(component.names)):
        rows = order[edges_of[c] : edges_of[c + 1]]
        total = np.cumsum(hazard[rows])
        if not len(rows) or total[-1] <= 0:
            continue
        cuts = age[rows][np.searchsorted(total, total[-1] * np.arange(1, BANDS) / BANDS)]
        piece_band[rows] = np.searchsorted(cuts, age[rows])
        mine = fail_component == c
        fail_band[mine] = np.searchsorted(cuts, fail_age[mine])
    return piece_component * BANDS + piece_band, fail_component * BANDS + fail_band


def _of_vehicle(
    column: str,
    own: Codes,
    vehicles: pd.DataFrame | None,
    names: list[str],
    piece_vehicle: Ints,
    piece_life: Ints,
    fail_vehicle: Ints,
    fail_life: Ints,
) -> tuple[Codes, Ints, Ints]:
    """Codes of a vehicle's site or duty over lives, pieces and failures: of the vehicle where known, else of the
    life."""
    if vehicles is None or not names or column not in vehicles:
        return own, own.code[piece_life], own.code[fail_life]
    of_vehicle = dict(zip(texts(vehicles["vehicle"]), texts(vehicles[column]), strict=True))
    listed = sorted(set(own.names) | {s for s in of_vehicle.values() if s})
    place = {name: i for i, name in enumerate(listed)}
    life_site = np.array([place[n] for n in own.names] + [-1], dtype=np.int64)[own.code]
    table = np.array([place.get(of_vehicle.get(n, ""), -1) for n in names] + [-1], dtype=np.int64)

    def at(vehicle: Ints, life: Ints) -> Ints:
        found = table[vehicle]
        return np.where(found >= 0, found, life_site[life])

    return Codes(life_site, listed), at(piece_vehicle, piece_life), at(fail_vehicle, fail_life)


def _distance_run(cut: pd.DataFrame, usage: pd.DataFrame | None) -> Array:
    """Distance each piece's vehicle ran in it, by straight line between readings; days at the fleet's pace where
    unknown."""
    start, stop = (cut[c].to_numpy("datetime64[D]").astype(np.int64).astype(float) for c in ("start", "stop"))
    days = np.maximum(stop - start, 1.0)
    if usage is None or usage.empty:
        return np.asarray(days)
    out = np.full(len(cut), np.nan)
    read = usage.sort_values(["vehicle", "read_on"])
    day = read["read_on"].to_numpy("datetime64[D]").astype(np.int64).astype(float)
    distance, names = numbers(read["distance"]), texts(read["vehicle"])
    lines = dict(pd.Series(np.arange(len(read))).groupby(names).indices)
    for name, rows in pd.Series(np.arange(len(cut))).groupby(texts(cut["vehicle"])).indices.items():
        line = lines.get(name)
        if line is None or len(line) < 2 or day[line[-1]] <= day[line[0]]:
            continue
        pace = (distance[line[-1]] - distance[line[0]]) / (day[line[-1]] - day[line[0]])

        def at(when: Array, line: Any = line, pace: float = pace) -> Array:
            inside = np.interp(when, day[line], distance[line])
            beyond = np.maximum(when - day[line[-1]], 0.0) - np.maximum(day[line[0]] - when, 0.0)
            return np.asarray(inside + pace * beyond)

        out[rows] = at(stop[rows]) - at(start[rows])
    known = np.isfinite(out) & (out > 0)
    pace_of_fleet = float(out[known].sum() / days[known].sum()) if known.any() else 1.0
    return np.where(known, out, days * max(pace_of_fleet, 1e-6) * np.where(np.isfinite(out), 1e-3, 1.0))


def _pieces(
    frame: pd.DataFrame, fitments: pd.DataFrame | None, usage: pd.DataFrame | None, opened: Any, closed: Any
) -> dict[str, Any]:
    """Lives cut at the fitments of their units: life, vehicle, start, stop (days), from, to (share of the life's
    distance)."""
    count = len(frame)
    base = pd.DataFrame({"life": np.arange(count), "unit": texts(frame["unit"]), "opened": opened, "closed": closed})
    if fitments is None or fitments.empty:
        none = pd.DataFrame({"life": base["life"], "vehicle": "", "start": opened, "stop": closed})
        cut = none
    else:
        spans = fitments[["unit", "vehicle", "fitted_on", "removed_on"]].copy()
        spans["unit"] = texts(spans["unit"])
        joined = base.merge(spans, on="unit", how="inner")
        start = np.maximum(joined["opened"].to_numpy("datetime64[D]"), joined["fitted_on"].to_numpy("datetime64[D]"))
        removed = joined["removed_on"].to_numpy("datetime64[D]")
        ends = joined["closed"].to_numpy("datetime64[D]")
        stop = np.minimum(ends, np.where(np.isnat(removed), ends, removed))
        kept = stop > start
        cut = pd.DataFrame(
            {
                "life": joined["life"][kept],
                "vehicle": texts(joined["vehicle"])[kept],
                "start": start[kept],
                "stop": stop[kept],
            }
        )
        lost = ~base["life"].isin(cut["life"])
        rest = base.loc[lost]
        cut = pd.concat(
            [cut, pd.DataFrame({"life": rest["life"], "vehicle": "", "start": rest["opened"], "stop": rest["closed"]})]
        )
    cut = cut.sort_values(["life", "start"], kind="stable").reset_index(drop=True)
    start, stop = cut["start"].to_numpy("datetime64[D]"), cut["stop"].to_numpy("datetime64[D]")
    days = _distance_run(cut, usage)
    life = cut["life"].to_numpy(dtype=np.int64)
    total = sums(life, days, count)
    run = np.cumsum(days)
    before = run - days
    first = np.full(count, np.inf)
    np.minimum.at(first, life, before)
    codes = coded(cut["vehicle"])
    return {
        "life": life,
        "vehicle": codes.code,
        "names": codes.names,
        "start": start,
        "stop": stop,
        "from": (before - first[life]) / total[life],
        "to": (run - first[life]) / total[life],
    }


def _last_piece(life: Ints, stop: Any, vehicle: Ints, count: int) -> Ints:
    """The vehicle each life ended in."""
    out = np.full(count, -1, dtype=np.int64)
    out[life] = vehicle  # pieces are in order of time: the last one stays
    del stop
    return out


def _by_bin(start: Any, stop: Any, first_day: Any, step: int, bins: int) -> tuple[Ints, Ints, Array, Array]:
    """Pieces cut at the edges of time bins: (piece, bin, share of the piece's days before, share after)."""
    a = (start - first_day).astype("timedelta64[D]").astype(np.int64)
    b = np.maximum((stop - first_day).astype("timedelta64[D]").astype(np.int64), a + 1)
    low, high = a // step, np.minimum((b - 1) // step, bins - 1)
    low = np.minimum(low, high)
    count = high - low + 1
    piece = np.repeat(np.arange(len(a)), count)
    offset = np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count)
    bin_of = low[piece] + offset
    length = (b - a)[piece].astype(float)
    share_from = np.clip((bin_of * step - a[piece]) / length, 0.0, 1.0)
    share_to = np.clip(((bin_of + 1) * step - a[piece]) / length, 0.0, 1.0)
    share_to[offset == np.repeat(count - 1, count)] = 1.0
    return piece, np.maximum(bin_of, 0), share_from, share_to
