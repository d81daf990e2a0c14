"""Parts demand ahead as a distribution: the installed base through teardowns, counter sales and loose parts by
series."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from rebuildstats.demand.blame import complaint_ratios
from rebuildstats.demand.compound import mean_of_cells, pmf_of_cells
from rebuildstats.demand.corrections import toward_recent
from rebuildstats.demand.failures import with_rate_of_the_unknown
from rebuildstats.demand.first_sight import with_ages_at_first_sight
from rebuildstats.demand.fleet import first_seen, fleets_today, rate_of_last_resort, vehicles_leaving
from rebuildstats.demand.futures import Loose, sample_futures
from rebuildstats.demand.hazards import tabulate
from rebuildstats.demand.installed import (
    Base,
    Wanted,
    build_bases,
    component_hazards,
    family_models,
    oldest,
    past_stays,
    teardown_drift,
    wanted_by_window,
)
from rebuildstats.demand.parts import final_parts, shelf_of_sites, uses_today
from rebuildstats.demand.past import PartRatios, Past, expected_at_teardowns, part_ratios, past_of_fleet
from rebuildstats.demand.piece import Piece, earliest, parts_of_piece, whole_fleet
from rebuildstats.demand.replacements import ReplacementModel, replacement_models
from rebuildstats.demand.series import METHODS, demand_class, discounted, forecast_series
from rebuildstats.demand.sums import Array, add, cut, mean_of, quantiles_of, sd_of
from rebuildstats.demand.teardowns import (
    Calendar,
    TeardownModel,
    calendar,
    hazards_by_days,
    repair_hazards,
    scheduled_hazards,
)
from rebuildstats.demand.trace import COLUMNS as TRACE
from rebuildstats.demand.trace import trace_rows, whole_trace
from rebuildstats.demand.usage import Usage, usage_of_fleet
from rebuildstats.errors import NothingToComputeError, UsageError
from rebuildstats.fits.complaints import complaint_causes
from rebuildstats.fits.exchange import Ask, Steps, alone

if TYPE_CHECKING:
    from rebuildstats.history.known import History
    from rebuildstats.life_records.records import Records

TOTAL = "total"
OWN = "installed base"
COLUMNS = ["part", "month", "method", "mean", "sd", "q05", "q25", "q50", "q75", "q90", "q95", "q99", "weight_recent"]
DRAWS = 200
_SPARE_MONTHS = 6  # the calendar reaches this far beyond the months asked for, so that lead times fit in


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """What other pieces of a fleet want of a part: by window (its shares as bytes), one `Wanted` per piece; free: the
    least share of a family's teardowns to come that are not booked."""

    wanted: Mapping[bytes, list[Wanted]]
    free: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """Every part's demand by month and in total.

    parts: part names, those replaced by another left out. months: the calendar months asked for. bases: the installed
    base by family. method_of: part -> method in force. weight_of: part -> weight of its own recent level in the
    forecast. elsewhere: what other pieces of a fleet want of a part. The rest is what pmf, window, trace and futures
    read.
    """

    parts: list[str]
    months: pd.PeriodIndex
    draws: int
    seed: int
    bases: dict[str, Base]
    uses: pd.DataFrame
    when: Calendar
    usage: Usage
    models: dict[str, TeardownModel]
    past: Past
    ratios: PartRatios
    ratio_draws: Array
    method_of: dict[str, str]
    class_of: dict[str, str]
    shelf_of: dict[str, str]
    weight_of: dict[str, float]
    elsewhere: Mapping[str, Elsewhere]
    _kept: dict[tuple[str, str, bytes, str | None], Array] = field(default_factory=dict, repr=False)
    _by_month: dict[tuple[str, str | None], list[Wanted]] = field(default_factory=dict, repr=False)  # of one part

    def pmf(self, part: str, month: str | pd.Period, method: str | None = None) -> Array:
        """Distribution of a part's pieces in one month (a Period or '2026-04'; 'total' for the whole horizon).

        method: one of the series methods or 'installed base'; the one in force by default. Raises UsageError for a part
        or month that is not forecast.
        """
        return self._window_pmf(part, self._share(month), None, method)

    def frame(self, total: bool = False, all_methods: bool = False) -> pd.DataFrame:
        """Contract columns: part, month (first day; `total`), method, mean, sd, quantiles; zeros included; then
        weight_recent, 0-1: how far the installed base was moved to the part's own recent level."""
        rows = []
        asked: list[pd.Period | str] = [*self.months, *([TOTAL] if total else [])]
        for part in self.parts:
            methods: list[str | None] = [None]
            if all_methods:
                methods += [m for m in (OWN, *METHODS) if m != self.method_of[part]]
            for method in methods:
                if method == OWN and not len(self._uses_of(part)):
                    continue
                for month in asked:
                    pmf = self.pmf(part, month, method)
                    name = month if isinstance(month, str) else str(month.start_time.date())
                    named = method or self.method_of[part]
                    weight = self.weight_of.get(part, 0.0) if named == OWN else 0.0
                    rows.append((part, name, named, mean_of(pmf), sd_of(pmf), *quantiles_of(pmf), weight))
        return pd.DataFrame(rows, columns=COLUMNS)

    def window(self, days_from: float, days_to: float) -> dict[tuple[str, str], Array]:
        """Distribution of the pieces wanted of each part at each shelf between two days after the as-of day.

        Raises UsageError when the window reaches beyond the calendar.
        """
        if not 0 <= days_from < days_to or days_to > self.when.edges[-1]:
            raise UsageError(f"A window must lie within {self.when.edges[-1]:.0f} days after the as-of day.")
        share = self.when.share(days_from, days_to)
        return {(p, s): self._window_pmf(p, share, s, None) for p in self.parts for s in self.shelves}

    def trace(self, part: str, month: str | pd.Period) -> pd.DataFrame:
        """The units, positions and reasons behind one forecast (columns of `trace.COLUMNS`); pieces add up to its mean.

        What needs no teardown (counter sales, a part without a life model) is one row without a unit.
        """
        share = self._share(month)
        whole = mean_of(self.pmf(part, month))
        if self.method_of.get(part) in METHODS:
            return whole_trace(pd.DataFrame(columns=TRACE), 0.0, whole, f"series: {self.method_of[part]}")
        loose = self._loose_pmf(part, share, None)
        counter = min(mean_of(loose), whole)
        rows = trace_rows(self.bases, self._uses_of(part), share, self.when)
        if not len(rows):
            counter = whole
        return whole_trace(rows, whole - counter, counter, "over the counter, without a teardown")

    def futures(self, n: int, days: float, seed: int) -> pd.DataFrame:
        """n whole futures over the next `days` days (columns of `futures.COLUMNS`): which teardowns come and what each
        takes together, and sales without one. Raises UsageError beyond the calendar."""
        if not 0 < days <= self.when.edges[-1]:
            raise UsageError(f"Futures reach at most {self.when.edges[-1]:.0f} days after the as-of day.")
        share = self.when.share(0.0, days)
        ratios = {p: self.ratio_draws[:, i] for i, p in enumerate(self.ratios.parts)}
        loose = []
        for part in self.parts:
            lot = self._lot(part)
            for shelf in self.shelves:
                if self.method_of[part] in METHODS:
                    pmf = self._window_pmf(part, share, shelf, None)
                else:
                    pmf = self._loose_pmf(part, share, shelf)
                loose.append(Loose(part, shelf, pmf, lot))
        return sample_futures(self.bases, self.uses, ratios, loose, self.when, n=n, days=days, seed=seed)

    def likely(self, days: float = 61.0) -> pd.DataFrame:
        """Every unit's chance of a teardown within `days` days: unit, family, vehicle, site, shelf, chance, booked,
        reason; the likeliest first."""
        share = self.when.share(0.0, days)
        frames = []
        for family, base in sorted(self.bases.items()):
            c, fleet = base.chances, base.fleet
            by_kind = np.stack([c.failure @ share, c.scheduled @ share, c.repair @ share])
            frames.append(
                pd.DataFrame(
                    {
                        "unit": fleet.units,
                        "family": family,
                        "vehicle": fleet.vehicles,
                        "site": fleet.sites,
                        "shelf": fleet.shelves,
                        "chance": 1.0 - (1.0 - np.minimum(by_kind[:2].sum(axis=0), 1.0)) * np.exp(-by_kind[2]),
                        "booked": c.booked @ share >= 0.999,
                        "reason": np.array(["failure", "scheduled", "repair"])[by_kind.argmax(axis=0)],
                    }
                )
            )
        columns = ["unit", "family", "vehicle", "site", "shelf", "chance", "booked", "reason"]
        if not frames:
            return pd.DataFrame(columns=columns)
        return pd.concat(frames, ignore_index=True).sort_values("chance", ascending=False, ignore_index=True)

    def booked(self, days: float = 61.0) -> pd.DataFrame:
        """The units among `likely` whose teardown is booked."""
        rows = self.likely(days)
        return rows[rows["booked"]].reset_index(drop=True)

    @property
    def shelves(self) -> list[str]:
        """Every shelf that serves anything."""
        return sorted(set(self.shelf_of.values()))

    def _share(self, month: str | pd.Period) -> Array:
        periods = self.when.months
        inside = np.isin(periods, self.months)
        inside[0] = False
        if isinstance(month, str) and month == TOTAL:
            return inside.astype(float)
        at = periods.get_loc(pd.Period(month, "M")) if pd.Period(month, "M") in periods else 0
        if not inside[at]:
            raise UsageError(f"{month} is not among the months forecast ({self.months[0]} to {self.months[-1]}).")
        share = np.zeros(len(periods))
        share[at] = 1.0
        return share

    def _lot(self, part: str) -> float:
        """Pieces usually taken at once."""
        return self.past.lots[part]

    def _uses_of(self, part: str) -> pd.DataFrame:
        return self.uses[self.uses["part"] == part]

    def _window_pmf(self, part: str, share: Array, shelf: str | None, method: str | None) -> Array:
        if part not in self.method_of:
            raise UsageError(
                f"There is no forecast for part {part!r}; a replaced part's demand stands under its successor."
            )
        method = method or self.method_of[part]
        span = self._span(share)
        key = (part, method, np.float64(span).tobytes() if method in METHODS else share.tobytes(), shelf)
        if key not in self._kept:
            if method in METHODS:
                pmf = forecast_series(self._series(part, shelf), method).pmf(span)
            else:
                wanted = self._wanted(part, share, shelf)
                pmf = pmf_of_cells(wanted.cells, wanted.moved * self.ratio_draws[:, self.ratios.parts.index(part)])
                pmf = add(pmf, self._loose_pmf(part, share, shelf))
            self._kept[key] = cut(pmf)
        return self._kept[key]

    def _wanted(self, part: str, share: Array, shelf: str | None = None) -> Wanted:
        """What the installed base wants of a part in a window."""
        wanted = self._at_home(part, share, shelf)
        for other in self.elsewhere[part].wanted[share.tobytes()] if part in self.elsewhere else ():
            wanted = wanted + other
        return wanted

    def _at_home(self, part: str, share: Array, shelf: str | None) -> Wanted:
        """The same without other pieces of the fleet. A month is worked out together with all the others, which are
        asked for next; anything else by itself."""
        month = int(share.argmax())
        if share.sum() != 1.0 or share[month] != 1.0 or not 1 <= month <= len(self.months):
            return wanted_by_window(self.bases, self._uses_of(part), share[None, :], shelf)[0]
        found = self._by_month.get((part, shelf))
        if found is None:
            shares = np.stack([self._share(each) for each in self.months])
            found = wanted_by_window(self.bases, self._uses_of(part), shares, shelf)
            self._by_month.clear()  # another thread may do so at any time
            self._by_month[part, shelf] = found
        return found[month - 1]

    def _free(self, part: str, share: Array) -> float:
        """The least share of the teardowns to come that no booking fixes, of the families that use a part."""
        families = self._uses_of(part)["family"].astype(str).unique()
        return min((_free_share(self.bases[f], share) for f in families if f in self.bases), default=1.0)

    def _span(self, share: Array) -> float:
        """Months in a window; whole calendar months count as one each."""
        if np.all((share == 0) | (share == 1)) and share[0] == 0:
            return float(share.sum())
        return float(share @ np.diff(self.when.edges)) / 30.4375

    def _loose_pmf(self, part: str, share: Array, shelf: str | None) -> Array:
        """What is sold without a teardown."""
        loose = self._counter(part, shelf)
        if not loose.any():
            return np.ones(1)
        return discounted(loose, self.past.counter_kept).pmf(self._span(share))

    def _series(self, part: str, shelf: str | None) -> Array:
        return self._at_shelf(self.past.series, part, shelf)

    def _counter(self, part: str, shelf: str | None) -> Array:
        return self._at_shelf(self.past.counter, part, shelf)

    def _at_shelf(self, series: pd.DataFrame, part: str, shelf: str | None) -> Array:
        values = series.loc[part].to_numpy(dtype=float)
        if shelf is None or len(self.shelves) == 1:
            return values
        own = self.past.pieces[self.past.pieces["part"] == part]
        default = self.shelf_of.get("", "")
        at = own["site"].map(lambda s: self.shelf_of.get(s, default) if isinstance(s, str) else default)
        taken = float(own.loc[at == shelf, "quantity"].sum())
        whole = float(own["quantity"].sum())
        return values * (max(0.0, taken) / whole if whole > 0 else 1.0 / len(self.shelves))


def forecast_parts(
    records: Records,
    history: History,
    life_fits: Any,
    unit_fits: Any,
    *,
    months: int = 12,
    draws: int = DRAWS,
    seed: int = 0,
) -> Forecast:
    """Demand for every part over the coming calendar months (installed-base forecasting: Van der Auweraer & Boute 2019,
    IJPE 213:138; Zhu, van Jaarsveld & Dekker 2020, RESS 193:106600; parameter uncertainty: Hong, Meeker & McCalley
    2009).

    records, history: as known on history.as_of. life_fits, unit_fits: `fits.life` results. months: calendar months, the
    first beginning after the as-of day. draws: parameter draws. Raises UsageError for fewer than one month,
    NothingToComputeError where there is neither a part nor a use of one.
    """
    if months < 1:
        raise UsageError("Ask for at least one month.")
    if not len(history.parts):
        raise NothingToComputeError("There are no parts yet: load `parts` and `part_uses` to forecast in pieces.")
    whole = whole_fleet(history)
    return alone(
        forecast_of_piece(records, history, life_fits, unit_fits, whole, months=months, draws=draws, seed=seed)
    )


def forecast_of_piece(
    records: Records,
    history: History,
    life_fits: Any,
    unit_fits: Any,
    piece: Piece,
    *,
    months: int,
    draws: int,
    seed: int,
) -> Steps[Forecast]:
    """The same for a piece of a fleet: the parts that it answers for (`piece.PartsOfPiece`).

    records, fits: of its families. history: what all families share is whole in it (components, parts and their uses,
    bookings), the rest of its families.
    """
    as_of = pd.Timestamp(history.as_of)
    mine = history.components[history.components["family"].isin(piece.places.keys())]
    seen = first_seen(history)
    fallback = yield from rate_of_last_resort(history, records)
    line = records.usage[["vehicle", "read_on", "distance"]]
    usage = yield from usage_of_fleet(line, piece.vehicles, as_of, fallback)
    leaving = yield from vehicles_leaving(history, piece.vehicles)
    when = calendar(as_of, months + _SPARE_MONTHS, usage.season, leaving)
    shelf_of = shelf_of_sites(history)
    uses = uses_today(history, records)
    uses = uses[uses["family"].isin(piece.places.keys())]
    final = final_parts(history.parts)
    parts = sorted({p for p in final if final[p] == p})
    own = yield from parts_of_piece(parts, set(uses["part"]))
    past = yield from past_of_fleet(history, records, uses, parts, own)
    fleets = fleets_today(history, records, usage, shelf_of)
    tops = oldest(list(fleets.values()), float(when.edges[-1]), records.lives, records.units)
    (least,) = yield from earliest([-records.lives["lower_age"].max()])
    for family in mine["family"].astype(str).unique():
        tops.setdefault(family, float(np.nan_to_num(-least, nan=1.0)) * 1.2 or 1.0)
    by_days = not np.isfinite(usage.fleet_per_day)
    if by_days:
        # no distance anywhere: time itself is what is run, a day a day
        usage = replace(usage, fleet_per_day=1.0, own_sd=0.02, fleet_sd=0.02)
        fleets = {f: replace(fleet, per_day=np.ones(len(fleet.units))) for f, fleet in fleets.items()}
        tops = dict.fromkeys(tops, float(when.edges[-1]))
    hazards = component_hazards(history.components, life_fits, records.lives, tops, draws, seed + 1)
    if not by_days:
        records = with_ages_at_first_sight(records, mine, hazards, tops)
        fleets = fleets_today(history, records, usage, shelf_of)
    pasts = past_stays(records, mine, seen, as_of)
    for family, past_stay in pasts.items():
        found = records.outcomes[records.outcomes["family"] == family]
        hazards |= with_rate_of_the_unknown(hazards, family, past_stay, found)
    replacing = replacement_models(records.outcomes, mine, hazards)
    unit_hazards = {
        f: tabulate(unit_fits.get(f, None), top, draws, seed + 2, _run(records, f)) for f, top in tops.items()
    }
    repairs = repair_hazards(records.teardowns, records.unit_lives, tops, piece.places, draws=draws, seed=seed + 5)
    scheduled = yield from scheduled_hazards(records.unit_lives, tops, piece.places, draws=draws, seed=seed + 6)
    if by_days:
        (first,) = yield from earliest([records.teardowns["opened_on"].min()])
        unit_hazards, scheduled, repairs = hazards_by_days(
            records.teardowns, history.units, tops, piece.places, as_of, first=first, draws=draws, seed=seed + 7
        )
    models = family_models(records, replacing, pasts, unit_hazards, repairs, scheduled)
    drift = yield from teardown_drift(models, pasts, records, seen, as_of, draws=draws, seed=seed + 3)
    bases = build_bases(
        {f: fleet for f, fleet in fleets.items() if f in replacing},
        models, replacing, drift, when, usage, history.planned, _heard(history, records), piece.places, seed=seed + 3,
    )  # fmt: skip
    expected = expected_at_teardowns(records, replacing, hazards, uses)
    ratios, ratio_draws = yield from part_ratios(
        past, expected, records, parts, own, _doubtful(uses, replacing), as_of, draws=draws, seed=seed + 4
    )
    method_of = {p: OWN if p in own.modelled else _best_series(past.series.loc[p].to_numpy(float)) for p in own.own}
    forecast = Forecast(
        own.own, when.months[1 : months + 1], draws, seed, bases, uses, when, usage, models, past, ratios, ratio_draws,
        method_of, {p: demand_class(past.series.loc[p].to_numpy(float)) for p in own.own}, shelf_of, {}, {},
    )  # fmt: skip
    elsewhere = yield Ask(_elsewhere_each, (own.own, _told(forecast, own.shared)))
    return _combined(replace(forecast, elsewhere=elsewhere))


def _doubtful(uses: pd.DataFrame, models: Mapping[str, ReplacementModel]) -> set[str]:
    """The parts with a use that is not renewed at every rebuild."""
    used = zip(uses["part"].astype(str), uses["family"].astype(str), uses["component"].astype(str), strict=True)
    return {part for part, f, c in used if not (c in models[f].components and models[f].components[c].always)}


def _told(forecast: Forecast, shared: frozenset[str]) -> dict[str, Elsewhere]:
    """What the piece wants of the parts that other pieces use as well, by month and over the whole horizon."""
    windows = [forecast._share(month) for month in (*forecast.months, TOTAL)] if shared else []
    told = {}
    for part in sorted(shared):
        wanted = {share.tobytes(): [forecast._wanted(part, share)] for share in windows}
        told[part] = Elsewhere(wanted, forecast._free(part, forecast._share(TOTAL)))
    return told


def _elsewhere_each(owns: list[tuple[list[str], dict[str, Elsewhere]]]) -> list[dict[str, Elsewhere]]:
    """For each piece, what the others want of the parts that it answers for."""
    out: list[dict[str, Elsewhere]] = []
    for i, (own, _) in enumerate(owns):
        mine: dict[str, Elsewhere] = {}
        for part in own:
            others = [told[part] for j, (_, told) in enumerate(owns) if j != i and part in told]
            if others:
                wanted = {key: [w for other in others for w in other.wanted[key]] for key in others[0].wanted}
                mine[part] = Elsewhere(wanted, min(other.free for other in others))
        out.append(mine)
    return out


def _heard(history: History, records: Records) -> dict[tuple[str, str], dict[str, float]]:
    """What the complaints of booked jobs say of their causes, from the teardowns that had them; nothing without any."""
    if history.planned["complaint"].notna().any():
        return complaint_ratios(complaint_causes(records.outcomes, records.teardowns))
    return {}


def _combined(forecast: Forecast) -> Forecast:
    """The installed base's forecast moved towards each part's own recent level of what teardowns took."""
    horizon = forecast._share(TOTAL)
    pulled, weights = forecast.ratio_draws.copy(), {}
    for i, part in enumerate(forecast.ratios.parts):
        if forecast.method_of.get(part) != OWN:
            continue
        free = forecast._free(part, horizon)
        if part in forecast.elsewhere:
            free = min(free, forecast.elsewhere[part].free)
        wanted = forecast._wanted(part, horizon)
        moved = wanted.moved * forecast.ratio_draws[:, i]
        level = mean_of_cells(wanted.cells, moved) / len(forecast.months)
        pull = toward_recent(level, forecast.past.usual(part), forecast._lot(part), free)
        pulled[:, i] *= pull.factor
        weights[part] = pull.weight
    return replace(forecast, ratio_draws=pulled, weight_of=weights, _kept={})


def _free_share(base: Base, share: Array) -> float:
    """Share of the teardowns to come that are not booked."""
    c = base.chances
    every = float((c.failure @ share + c.scheduled @ share + c.repair @ share).sum())
    return 1.0 if every <= 0.0 else max(0.0, 1.0 - float((c.booked @ share).sum()) / every)


def _run(records: Records, family: str) -> float:
    own = records.unit_lives[records.unit_lives["family"] == family]
    return float((own["lower_age"] - own["entry_age"]).sum())


def _best_series(series: Array, methods: Sequence[str] = METHODS) -> str:
    """The series method with the least absolute error of the mean over the part's own past years, one month ahead."""
    if series.size < 18 or not series.any():
        return "tsb" if not series.size or series.any() else "moving average"
    losses = {}
    for method in methods:
        errors = [(forecast_series(series[:end], method).level - series[end]) ** 2 for end in range(12, series.size, 2)]
        losses[method] = float(np.mean(errors))
    return min(losses, key=lambda m: losses[m])
