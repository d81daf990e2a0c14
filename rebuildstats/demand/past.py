"""What each part took in the past: the series by month, and pieces seen against pieces expected at the teardowns
made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from rebuildstats.demand.corrections import Ratios, follow
from rebuildstats.demand.hazards import Hazard
from rebuildstats.demand.parts import by_month, implied_pieces, issued_pieces
from rebuildstats.demand.replacements import ReplacementModel, chance_by_row, expected_cause_shares, kind_of
from rebuildstats.demand.sums import Array

if TYPE_CHECKING:
    from rebuildstats.history.known import History
    from rebuildstats.life_records.records import Records

_SETTLED_DAYS = 45  # pieces of a job still open after this many days have been issued, as a rule
RATIO_MONTHS = 60


@dataclass(frozen=True, slots=True)
class Past:
    """pieces: every piece (part, on, job, site, quantity), credits negative. series: part x whole month, zeros
    included; counter: the same for what no forecast by teardowns covers (no job, or no use); campaigns: for what
    campaigns took on top of what they brought forward. from_findings: no issued_parts, so the pieces are those that the
    findings imply. jobs_on_slips: the slips name their jobs."""

    pieces: pd.DataFrame
    series: pd.DataFrame
    counter: pd.DataFrame
    campaigns: pd.DataFrame
    from_findings: bool
    jobs_on_slips: bool

    def usual(self, part: str) -> Array:
        """A part's pieces by month at the teardowns that the fleet makes of itself, by a campaign only those that would
        have come by now without it: no campaign tells of a year without one."""
        beside = self.counter.loc[part] + self.campaigns.loc[part]
        return np.asarray(self.series.loc[part] - beside, dtype=float)


def whole_months(first: pd.Timestamp, as_of: pd.Timestamp) -> pd.PeriodIndex:
    """Calendar months from the first date's to the last that is over on the as-of day."""
    last = as_of.to_period("M")
    if as_of.normalize() < last.end_time.normalize():
        last = last - 1
    return pd.period_range(first.to_period("M"), max(last, first.to_period("M")), freq="M")


def past_demand(history: History, records: Records, uses: pd.DataFrame, parts: Sequence[str]) -> Past:
    """The past by the contract: pieces issued less credits, in the month of issue; without issued_parts the pieces that
    the findings imply, in the month of the teardown."""
    as_of = pd.Timestamp(history.as_of)
    from_findings = not len(history.issued_parts)
    pieces = implied_pieces(history, records, uses) if from_findings else issued_pieces(history)
    pieces = pieces[["part", "on", "job", "site", "quantity"]]
    starts = [pieces["on"].min(), records.teardowns["opened_on"].min()]
    # the series begins where pieces were first written down, not where the first unit was seen
    start = starts[0] if pd.notna(starts[0]) else starts[1]
    if pd.isna(start):
        start = as_of
    months = whole_months(pd.Timestamp(start), as_of)
    named = bool(pieces["job"].notna().any())
    modelled = set(uses["part"])
    loose = ~pieces["part"].isin(modelled)
    if named:
        loose |= pieces["job"].isna()
    on_top = pieces["job"].map(_on_top(records, as_of)).where(~loose)
    called = pieces.assign(quantity=pieces["quantity"] * on_top)[on_top.notna()]
    every, counter, campaigns = (by_month(p, parts, months) for p in (pieces, pieces[loose], called))
    return Past(pieces, every, counter, campaigns, from_findings, named)


def _on_top(records: Records, as_of: pd.Timestamp) -> dict[str, float]:
    """Campaign teardown -> the chance that its unit would not have been opened by now without it, at its family's usual
    rate."""
    jobs = records.teardowns
    found: dict[str, float] = {}
    units = records.units.groupby("family").size()
    for family, own in jobs.groupby("family"):
        called = own[own["reason"] == "campaign"]
        watched = max((as_of - own["opened_on"].min()).days, 365) * max(int(units.get(family, 1)), 1)
        rate = (len(own) - len(called)) / watched
        since = (as_of - called["opened_on"]).dt.days.to_numpy(dtype=float)
        found |= dict(zip(called["job"].astype(str), np.exp(-rate * since), strict=True))
    return found


@dataclass(frozen=True, slots=True)
class PartRatios:
    """Pieces taken over pieces expected at the same teardowns, by part; `size`: pieces that come together, by which
    counts are divided to be like independent ones."""

    parts: list[str]
    ratios: Ratios
    size: Array
    observed: Array
    expected: Array


def expected_at_teardowns(
    records: Records,
    models: Mapping[str, ReplacementModel],
    hazards: Mapping[tuple[str, str], Hazard],
    uses: pd.DataFrame,
) -> pd.DataFrame:
    """Pieces the replacement model expects at the teardowns made: part, job, opened_on, quantity."""
    outcomes = records.outcomes
    rows = outcomes.assign(kind=kind_of(outcomes)).reset_index(drop=True)
    chance = np.zeros(len(rows))
    for family, model in models.items():
        of_family = (rows["family"] == family).to_numpy()
        own = rows[of_family]
        own = own.assign(_expected=expected_cause_shares(own, model, hazards))
        value = np.zeros(len(own))
        for name, at in own.groupby("component").indices.items():
            if str(name) in model.components:
                value[at] = chance_by_row(model.components[str(name)], own.iloc[at])
        chance[of_family] = _with_inside(own, model, value)
    rows = rows.assign(chance=chance)
    kept = rows[["family", "component", "job", "opened_on", "chance"]]
    by_job = kept.groupby(["family", "component", "job", "opened_on"], as_index=False, sort=False)["chance"].sum()
    joined = by_job.merge(uses, on=["family", "component"], how="inner")
    joined["quantity"] = joined["chance"] * joined["quantity"] * joined["share"]
    summed: pd.DataFrame = joined.groupby(["part", "job", "opened_on"])["quantity"].sum().reset_index()
    return summed


def _with_inside(rows: pd.DataFrame, model: ReplacementModel, chance: Array) -> Array:
    """An assembly is replaced when it or anything supplied within it is."""
    out = chance.copy()
    name, job = rows["component"].to_numpy(), rows["job"].to_numpy()
    for assembly, inner in model.inside.items():
        if assembly not in model.components:
            continue
        part = np.isin(name, inner)
        log_spared = pd.Series(np.log1p(-np.minimum(chance[part], 1 - 1e-12))).groupby(job[part]).sum()
        own = name == assembly
        n = max(1, model.components[assembly].n)
        spared = np.exp(log_spared.reindex(job[own]).fillna(0.0).to_numpy() / n)
        out[own] = 1.0 - (1.0 - chance[own]) * spared
    return out


def part_ratios(
    past: Past, expected: pd.DataFrame, records: Records, parts: Sequence[str], as_of: pd.Timestamp
) -> PartRatios:
    """Follow each part's ratio of pieces taken to pieces expected over the months of the teardowns.

    Only jobs that are closed, or were opened long enough ago for their pieces to have been issued. Where slips name no
    jobs, all pieces of a part that has a use are set against the teardowns by month.
    """
    names = list(parts)
    jobs = records.teardowns.set_index("job")[["opened_on", "closed_on"]]
    settled = jobs["closed_on"].notna() | (jobs["opened_on"] < as_of - pd.Timedelta(days=_SETTLED_DAYS))
    done = jobs.index[settled]
    start = past.pieces["on"].min()
    if not len(expected) or pd.isna(start):
        empty = np.zeros((len(names), 0))
        return PartRatios(names, follow(empty, empty), np.ones(len(names)), empty.sum(axis=1), empty.sum(axis=1))
    e = expected[expected["job"].isin(done) & (expected["opened_on"] >= pd.Timestamp(start).to_period("M").start_time)]
    o = past.pieces
    if past.jobs_on_slips:
        o = o[o["job"].isin(set(e["job"]))].copy()
        o["on"] = jobs["opened_on"].reindex(o["job"]).to_numpy()
    else:
        o = o[o["on"] <= as_of]
    span = pd.period_range(end=as_of.to_period("M"), periods=RATIO_MONTHS, freq="M")
    observed = by_month(o, names, span).to_numpy().clip(min=0.0)
    wanted = by_month(e.rename(columns={"opened_on": "on"}), names, span).to_numpy()
    size = _together(o, names)
    ratios = follow(observed / size[:, None], wanted / size[:, None])
    return PartRatios(names, ratios, size, observed.sum(axis=1), wanted.sum(axis=1))


def _together(pieces: pd.DataFrame, parts: Sequence[str]) -> Array:
    """Pieces that come together per part: sum of squares over sum, by job (or slip); at least 1."""
    if not len(pieces):
        return np.ones(len(parts))
    key = pieces["job"].astype("object").where(pieces["job"].notna(), pieces["on"].astype(str))
    per = pieces.assign(key=key).groupby(["part", "key"])["quantity"].sum()
    per = per[per > 0]
    size = (per**2).groupby("part").sum() / per.groupby("part").sum()
    return np.asarray(size.reindex(list(parts)).fillna(1.0).clip(lower=1.0), dtype=float)
