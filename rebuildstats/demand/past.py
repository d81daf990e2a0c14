"""What each part took in the past: the series by month, and pieces seen against pieces expected at the teardowns
made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from rebuildstats.demand.corrections import Ratios, follow
from rebuildstats.demand.hazards import Hazard
from rebuildstats.demand.parts import by_month, implied_pieces, issued_pieces
from rebuildstats.demand.piece import PartsOfPiece, dense, earliest, parts_of_piece, sparse
from rebuildstats.demand.replacements import (
    ReplacementModel,
    cause_shares_by_job,
    chance_by_row,
    expected_cause_shares,
    kind_of,
)
from rebuildstats.demand.series import choose_discount
from rebuildstats.demand.sums import Array
from rebuildstats.fits.exchange import Ask, Steps, alone, total

if TYPE_CHECKING:
    from rebuildstats.history.known import History
    from rebuildstats.life_records.records import Records

_SETTLED_DAYS = 45  # pieces of a job still open after this many days have been issued, as a rule
RATIO_MONTHS = 60
PART_STRAY = 0.1  # as corrections.STRAY, of the pieces taken at a teardown; none where all uses are renewed every time


@dataclass(frozen=True, slots=True)
class Past:
    """pieces: every piece (part, on, job, site, quantity), credits negative. series: part x whole month, zeros
    included; counter: the same for what no forecast by teardowns covers (no job, or no use); campaigns: for what
    campaigns took on top of what they brought forward. lots: pieces of a part usually taken at once. first: the day of
    the first piece. counter_kept: discount of the counter sales' past months. from_findings: no issued_parts, so the
    pieces are those that the findings imply. jobs_on_slips: the slips name their jobs.

    Of a fleet in pieces: `pieces` are those of this one, the rest is of the whole fleet, for the parts it answers for.
    """

    pieces: pd.DataFrame
    series: pd.DataFrame
    counter: pd.DataFrame
    campaigns: pd.DataFrame
    lots: Mapping[str, float]
    first: pd.Timestamp
    counter_kept: float
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
    own = alone(parts_of_piece(parts, set(uses["part"])))
    return alone(past_of_fleet(history, records, uses, parts, own))


def past_of_fleet(
    history: History, records: Records, uses: pd.DataFrame, parts: Sequence[str], own: PartsOfPiece
) -> Steps[Past]:
    """The same for a piece of a fleet, of the parts that it answers for."""
    as_of = pd.Timestamp(history.as_of)
    issued = yield from total(len(history.issued_parts))
    from_findings = not issued
    pieces = implied_pieces(history, records, uses) if from_findings else issued_pieces(history)
    pieces = pieces[["part", "on", "job", "site", "quantity"]]
    starts = yield from earliest([pieces["on"].min(), records.teardowns["opened_on"].min()])
    # the series begins where pieces were first written down, not where the first unit was seen
    start = starts[0] if pd.notna(starts[0]) else starts[1]
    if pd.isna(start):
        start = as_of
    months = whole_months(pd.Timestamp(start), as_of)
    named = (yield from total(int(pieces["job"].notna().sum()))) > 0
    loose = ~pieces["part"].isin(own.modelled)
    if named:
        loose |= pieces["job"].isna()
    on_top = pieces["job"].map(_on_top(records, as_of)).astype(float).where(~loose)
    called = pieces.assign(quantity=pieces["quantity"] * on_top)[on_top.notna()]
    tables = [sparse(by_month(p, parts, months)) for p in (pieces, pieces[loose], called)]
    taken = pieces[pieces["quantity"] > 0].groupby(["part", "quantity"]).size()
    series, counter, on_top, lots, kept = yield Ask(_past_each, (tables, taken, list(parts), own.own, months))
    return Past(pieces, series, counter, on_top, lots, starts[0], kept, from_findings, named)


def _past_each(owns: list[Any]) -> list[Any]:
    """Each piece's tables of the whole fleet's past, the parts' lots, and the discount of counter sales."""
    parts, months = owns[0][2], owns[0][4]
    whole = [dense([tables[k] for tables, *_ in owns], parts, months) for k in range(3)]
    lots = pd.concat([taken for _, taken, *_ in owns]).groupby(level=[0, 1]).sum()
    usual = {str(part): _median(of.droplevel(0)) for part, of in lots.groupby(level=0)}
    kept = choose_discount(whole[1].to_numpy(float))
    return [
        (*(table.loc[own] for table in whole), {p: max(1.0, usual.get(p, 1.0)) for p in own}, kept)
        for *_, own, _ in owns
    ]


def _median(counts: pd.Series[Any]) -> float:
    """The median of numbers (the index) that stand as often as counted."""
    return float(np.median(np.repeat(counts.index.to_numpy(float), counts.to_numpy(int))))


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
        value, blamed = np.zeros(len(own)), cause_shares_by_job(own)
        for name, at in own.groupby("component").indices.items():
            if str(name) in model.components:
                value[at] = chance_by_row(model.components[str(name)], own.iloc[at], blamed)
        chance[of_family] = _with_inside(own, model, value)
    rows = rows.assign(chance=chance)
    kept = rows[["family", "component", "job", "opened_on", "chance"]]
    by_job = kept.groupby(["family", "component", "job", "opened_on"], as_index=False, sort=False)["chance"].sum()
    joined = by_job.merge(uses, on=["family", "component"], how="inner")
    joined["quantity"] = joined["chance"] * joined["quantity"] * joined["share"]
    summed: pd.DataFrame = joined.groupby(["part", "job", "opened_on"])["quantity"].sum().reset_index()
    return summed


def _with_inside(rows: pd.DataFrame, model: ReplacementModel, chance: Array) -> Array:
    """An assembly is replaced when it or anything supplied within it is: position by position where both have as many
    (as in `replacements.position_chances`), else every one with every one."""
    out = chance.copy()
    name = rows["component"].to_numpy()
    for assembly, inner in model.inside.items():
        if assembly not in model.components:
            continue
        own = name == assembly
        for part in inner:
            within = name == part
            as_many = model.components[part].n == model.components[assembly].n
            key = ["job", "position"] if as_many else ["job"]
            log_spared = pd.Series(np.log1p(-np.minimum(chance[within], 1 - 1e-12)), index=rows.index[within])
            of_place = log_spared.groupby([rows.loc[within, k] for k in key]).sum().rename("spared")
            spared = rows.loc[own, key].join(of_place, on=key)["spared"].fillna(0.0).to_numpy()
            out[own] = 1.0 - (1.0 - out[own]) * np.exp(spared)
    return out


def part_ratios(
    past: Past,
    expected: pd.DataFrame,
    records: Records,
    parts: Sequence[str],
    own: PartsOfPiece,
    doubtful: set[str],
    as_of: pd.Timestamp,
    *,
    draws: int,
    seed: int,
) -> Steps[tuple[PartRatios, Array]]:
    """Follow each part's ratio of pieces taken to pieces expected over the months of the teardowns; with draws of it.

    Only jobs that are closed, or were opened long enough ago for their pieces to have been issued. Where slips name no
    jobs, all pieces of a part that has a use are set against the teardowns by month. How far ratios wander is learnt
    from all parts of the fleet; the result is of those that the piece answers for: ratios, and draws (D, parts).
    doubtful: parts that not every teardown takes.
    """
    names = list(parts)
    jobs = records.teardowns.set_index("job")[["opened_on", "closed_on"]]
    settled = jobs["closed_on"].notna() | (jobs["opened_on"] < as_of - pd.Timedelta(days=_SETTLED_DAYS))
    done = jobs.index[settled]
    start = past.first
    known = yield from total(len(expected))
    if known and pd.notna(start):
        since = pd.Timestamp(start).to_period("M").start_time
        e = expected[expected["job"].isin(done) & (expected["opened_on"] >= since)]
        o = past.pieces
        if past.jobs_on_slips:
            o = o[o["job"].isin(set(e["job"]))].copy()
            o["on"] = jobs["opened_on"].reindex(o["job"]).to_numpy()
        else:
            o = o[o["on"] <= as_of]
        span = pd.period_range(end=as_of.to_period("M"), periods=RATIO_MONTHS, freq="M")
    else:
        e, o, span = expected.iloc[:0], past.pieces.iloc[:0], pd.period_range(end=as_of.to_period("M"), periods=0)
    observed = sparse(by_month(o, names, span))
    wanted = sparse(by_month(e.rename(columns={"opened_on": "on"}), names, span))
    asked = Ask(_ratios_each, (observed, wanted, _together(o, names), doubtful, names, own.own, draws, seed))
    found: tuple[PartRatios, Array] = yield asked
    return found


def _ratios_each(owns: list[Any]) -> list[tuple[PartRatios, Array]]:
    """Each piece's ratios, followed over all parts of the fleet together."""
    _, _, _, _, names, _, draws, seed = owns[0]
    observed, wanted = (dense([own[k] for own in owns], names, owns[0][k].columns).to_numpy() for k in (0, 1))
    observed = observed.clip(min=0.0)
    sums = dense([own[2] for own in owns], names, owns[0][2].columns)
    some = (sums["sum"] > 0).to_numpy()
    size = np.maximum(np.where(some, sums["squares"] / np.where(some, sums["sum"], 1.0), 1.0), 1.0)
    ratios = follow(observed / size[:, None], wanted / size[:, None])
    doubtful = set().union(*(own[3] for own in owns))
    stray = np.array([PART_STRAY if name in doubtful else 0.0 for name in names])
    drawn = ratios.draws(draws, np.random.default_rng(seed), ahead=6, stray=stray)
    at = {name: i for i, name in enumerate(names)}
    found = []
    for *_, own, _, _ in owns:
        i = [at[name] for name in own]
        mine = Ratios(ratios.shape[i], ratios.rate[i], ratios.kept, ratios.prior)
        found.append((PartRatios(own, mine, size[i], observed[i].sum(axis=1), wanted[i].sum(axis=1)), drawn[:, i]))
    return found


def _together(pieces: pd.DataFrame, parts: Sequence[str]) -> pd.DataFrame:
    """What says how many pieces of a part come together, by job (or slip): sums of their squares, and of themselves."""
    key = pieces["job"].astype("object").where(pieces["job"].notna(), pieces["on"].astype(str))
    per = pieces.assign(key=key).groupby(["part", "key"])["quantity"].sum()
    per = per[per > 0]
    sums = pd.DataFrame({"squares": (per**2).groupby("part").sum(), "sum": per.groupby("part").sum()})
    return sums[sums.index.isin(list(parts))].astype(float)
