"""What comes back more than it should, and which group it is that explains it.

Failures in service of every life are set against those its component's fitted life makes us expect over the same ages
and exposure, and comebacks against failures expected within the comeback window. Groups (make of part, bench,
vehicle, site, component, family) are scanned for a spell in which they had more, on the clock on which such a cause
works: the day a part was fitted for makes and benches, the calendar for vehicles and sites, both for components.

The sound level is not spoilt by the bad: every component's level is estimated together with the causes found (Poisson
model), one cause after another, the one that explains most first (forward selection). What a bad make does to its
component, its site and its vehicles is thereby explained and not flagged again. The false discovery rate is held over
all that was looked at, failures and comebacks, with its budget split between kinds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from rebuildstats.fits.discovery import shrink_ratios
from rebuildstats.fits.exposure import Exposure, lay_out_exposure
from rebuildstats.fits.rates import ratio_interval
from rebuildstats.fits.repeat_level import GUARD, Counts, Effect, Level, tally
from rebuildstats.fits.repeat_views import BEFORE, View, views
from rebuildstats.fits.rows import sums, texts
from rebuildstats.fits.scan import LEAST, Spell, gain, scan, start_of

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

COLUMNS = (
    "kind",
    "name",
    "family",
    "component",
    "observed",
    "expected",
    "comebacks",
    "comebacks_expected",
    "ratio",
    "ratio_lower",
    "ratio_upper",
    "p_value",
    "q_value",
    "since",
    "flagged",
)
MORE = ("until", "ratio_shrunk", "observed_all", "expected_all", "by", "looks_like", "jobs")
RATE = 0.06
"""False discovery rate that flags are held to."""


@dataclass(frozen=True, slots=True)
class Repeats:
    """All groups looked at. `table`: COLUMNS then MORE. A flagged row counts its bad spell only (`since` to `until`),
    with the whole history in observed_all and expected_all; the others count the whole history. `by`: failures or
    comebacks."""

    table: pd.DataFrame
    causes: tuple[Effect, ...]

    def frame(self) -> pd.DataFrame:
        return self.table

    def flagged(self) -> pd.DataFrame:
        return self.table.loc[self.table["flagged"]].reset_index(drop=True)


def find_repeats(
    lives: pd.DataFrame,
    life_fits: Any,
    as_of: Any,
    *,
    fitments: pd.DataFrame | None = None,
    vehicles: pd.DataFrame | None = None,
    usage: pd.DataFrame | None = None,
    outcomes: pd.DataFrame | None = None,
    window_distance: float = 12_000.0,
    window_days: float = 365.0,
    benches_shown: bool = True,
    rate: float = RATE,
    most: int = 25,
) -> Repeats:
    """Look at every group for more failures, or more comebacks, than its exposure makes us expect.

    lives: the `lives` record. life_fits: fitted lives by `.get(family, component)`. fitments: the history's table,
    for vehicles; vehicles, usage: their sites, duties and distance run. outcomes: the record, to tell renewals that
    no sheet records. window_*: the shop's comeback window. benches_shown: False leaves benches and sites out
    altogether. rate: false discovery rate. most: at most so many causes are looked for.
    """
    if lives.empty:
        return Repeats(_empty(), ())
    x = lay_out_exposure(
        lives,
        fitments,
        life_fits,
        pd.Timestamp(as_of),
        vehicles=vehicles,
        usage=usage,
        window_distance=window_distance,
        window_days=window_days,
    )
    seen = views(x, benches_shown)
    level = Level(x)
    level.settle()
    rows: list[Effect] = []
    best: dict[tuple[str, str], tuple[float, float]] = {}
    for _ in range(most):
        candidates, best = _candidates(seen, level)
        # one spell a group: what is left of a found one is the chance of where its ends were put
        taken = {(e.kind, e.name, e.view.by_component and e.component) for e in level.effects}
        candidates = [c for c in candidates if _key(c) not in taken]
        chosen = _choose(candidates, len(rows) + 1, rate)
        if chosen is None:
            break
        effect = _effect(*chosen, x, len(rows) + 1)
        level.effects.append(effect)
        level.settle()
        if not any((r.kind, r.name) == (effect.kind, effect.name) for r in rows):
            rows.append(effect)
    _refine(rows, level)
    unrecorded = _unrecorded(lives, outcomes)
    return Repeats(_table(x, level, rows, best, benches_shown, unrecorded), tuple(rows))


# --- one round of looking ---------------------------------------------------------------------------------------------

Candidate = tuple[View, int, Spell, float, float, Counts]  # view, group, spell, weight, raw gain, counts


def _candidates(seen: list[View], level: Level) -> tuple[list[Candidate], dict[tuple[str, str], tuple[float, float]]]:
    """Every group with a spell, and per (kind, name) the smallest p-value found and that p-value over its budget."""
    out: list[Candidate] = []
    best: dict[tuple[str, str], tuple[float, float]] = {}
    for view in seen:
        counts = tally(view, level)
        live = counts.expected.sum(axis=1) > 0
        if not live.any():
            continue
        weight = view.share / int(live.sum())
        spread = (
            _dispersion(counts, live)
            if view.kind == "vehicle" or (view.kind, view.response) == ("component", "comebacks")
            else 1.0
        )
        for code in np.flatnonzero(live & (counts.observed.sum(axis=1) >= 3)):
            o, e = counts.observed[code], counts.expected[code]
            if spread > 1:
                o, e = o / spread, e / spread
            spell = _scanned(view, o, e, counts.total[code] / spread)
            if spell.last < 0:
                continue
            raw = float(gain(np.array([spell.observed]), np.array([spell.expected]), counts.total[code] / spread)[0])
            out.append((view, int(code), spell, weight, raw, counts))
            name, component = view.label(int(code))
            key = (view.kind, name)
            if view.kind == "component":
                key = (view.kind, name)
            old = best.get(key, (1.0, np.inf))
            best[key] = (min(old[0], spell.p_value), min(old[1], spell.p_value / weight))
            del component
    return out, best


def _key(candidate: Candidate) -> tuple[str, str, Any]:
    view, code = candidate[0], candidate[1]
    name, component = view.label(code)
    return view.kind, name, view.by_component and component


def _dispersion(counts: Counts, live: Flags) -> float:
    """How much more than chance the groups of a kind differ, the few largest left out (1: not at all)."""
    o, e = counts.observed.sum(axis=1)[live], counts.expected.sum(axis=1)[live]
    if len(o) < 10:
        return 1.0
    pearson = np.sort((o - e) ** 2 / np.maximum(e, 0.05))
    kept = pearson[: max(int(len(pearson) * 0.97), 1)]
    return max(1.0, float(kept.sum() / len(kept)))


def _choose(candidates: list[Candidate], rank: int, rate: float) -> Candidate | None:
    """The candidate within the false discovery rate that explains most; of equals the more particular."""
    passing = [c for c in candidates if c[2].p_value <= rate * rank * c[3]]
    if not passing:
        return None
    top = max(c[4] for c in passing)
    close = [c for c in passing if c[4] >= top - 1.0]
    return min(close, key=lambda c: (BEFORE.index(c[0].kind), -c[4]))


def _effect(
    view: View, code: int, spell: Spell, weight: float, raw: float, counts: Counts, x: Exposure, rank: int
) -> Effect:
    """A found spell as a cause."""
    del raw
    name, component = view.label(code)
    if view.kind == "component":
        component = x.component.names.index(name)
    q = min(1.0, spell.p_value / (weight * rank))
    effect = Effect(view, code, view.kind, name, component, spell.p_value, q)
    _cover(effect, spell, counts, x)
    return effect


def _cover(effect: Effect, spell: Spell, counts: Counts, x: Exposure) -> None:
    """Date a cause's start and mark the rows it covers from then on."""
    view, code = effect.view, effect.code
    o, e = counts.observed[code], counts.expected[code]
    if view.kind == "component" and view.clock == "fitted":
        e = e / GUARD  # what it may be excused for is no part of when it began
        spell = Spell(spell.first, spell.last, spell.observed, spell.expected / GUARD, spell.score, spell.p_value)
    whole = spell.first <= int(np.flatnonzero(e > 0)[0])
    first = spell.first if whole else start_of(o, e, spell, counts.total[code])
    last = spell.last
    effect.first, effect.last = first, last
    if view.clock == "fitted":
        effect.lives = (view.group == code) & (x.opened >= first) & (x.opened <= last)
        effect.pieces = effect.lives[x.piece_life]
        effect.fails = effect.lives[x.fail_life]
    else:
        effect.pieces = (view.group == code) & (x.piece_bin >= first) & (x.piece_bin <= last)
        effect.fails = (view.fail_group == code) & (x.fail_bin >= first) & (x.fail_bin <= last)
        effect.lives = np.zeros(len(x.failed), dtype=bool)
        effect.lives[x.piece_life[effect.pieces]] = True


def _refine(found: list[Effect], level: Level) -> None:
    """Date every cause again with all the others known: the first was found when the others still blurred the level."""
    if len(level.effects) < 2:
        return
    for effect in found:
        level.effects.remove(effect)
        level.settle()
        counts = tally(effect.view, level)
        code = effect.code
        spell = _scanned(effect.view, counts.observed[code], counts.expected[code], counts.total[code])
        if spell.last >= 0:
            _cover(effect, spell, counts, level.x)
        level.effects.append(effect)
    level.settle()


def _scanned(view: View, observed: Array, expected: Array, total: float) -> Spell:
    # a component is its own yardstick, so a change in it must be plain, and still be going on
    alone = view.kind in ("component", "family")
    return scan(observed, expected, total, whole=view.whole, spells=not alone, least=8 if alone else LEAST)


# --- the table --------------------------------------------------------------------------------------------------------


def _empty() -> pd.DataFrame:
    return pd.DataFrame(columns=[*COLUMNS, *MORE])


def _table(
    x: Exposure,
    level: Level,
    found: list[Effect],
    best: dict[tuple[str, str], tuple[float, float]],
    benches_shown: bool,
    unrecorded: Flags,
) -> pd.DataFrame:
    rows = _group_rows(x, level, benches_shown)
    by_key = {(e.kind, e.name): e for e in found}
    rank = len(found) + 1
    lines: list[dict[str, object]] = []
    for row in rows:
        key = (str(row["kind"]), str(row["key"]))
        p, over = best.get(key, (1.0, np.inf))
        row |= {
            "p_value": p,
            "q_value": min(1.0, over / rank),
            "since": pd.NaT,
            "until": pd.NaT,
            "flagged": False,
            "by": "",
            "looks_like": "",
            "jobs": "",
            "observed_all": row["observed"],
            "expected_all": row["expected"],
        }
        effect = by_key.get(key)
        if effect is not None:
            row |= _flagged(x, level, effect, unrecorded)
        lines.append(row)
    table = pd.DataFrame(lines)
    ratio, low, high = ratio_interval(table["observed"], table["expected"])
    table["ratio"], table["ratio_lower"], table["ratio_upper"] = ratio, low, high
    table["ratio_shrunk"] = np.nan
    for _, part in table.groupby("kind"):
        table.loc[part.index, "ratio_shrunk"] = shrink_ratios(part["observed_all"], part["expected_all"]).ratio
    for name in ("since", "until"):
        table[name] = pd.to_datetime(table[name])
    for name in ("observed", "comebacks", "observed_all"):
        table[name] = table[name].astype("int64")
    order = table.assign(_f=~table["flagged"]).sort_values(["_f", "q_value", "p_value", "kind", "name"], kind="stable")
    return table.loc[order.index, [*COLUMNS, *MORE]].reset_index(drop=True)


def _group_rows(x: Exposure, level: Level, benches_shown: bool) -> list[dict[str, object]]:
    """Every group over its whole history: counts against the sound level."""
    comp = x.component.code
    families = [c.split("\t")[0] for c in x.component.names]
    family_names = sorted(set(families))
    family = np.array([family_names.index(f) for f in families], dtype=np.int64)[comp]
    sound = sums(x.piece_life, level.piece_sound, len(x.failed))
    last_vehicle = np.full(len(comp), -1, dtype=np.int64)
    last_vehicle[x.piece_life] = x.piece_vehicle
    kinds: list[tuple[str, npt.NDArray[np.int64], list[str]]] = [
        ("part", x.part.code, x.part.names),
        ("component", comp, x.component.names),
        ("family", family, family_names),
    ]
    if benches_shown:
        kinds += [("bench", x.bench.code, x.bench.names)]
    out: list[dict[str, object]] = []

    def add(kind: str, names: list[str], o: Array, e: Array, c: Array, ce: Array, where: npt.NDArray[np.int64]) -> None:
        for i, name in enumerate(names):
            own_family, own_component = "", ""
            if kind == "component":
                own_family, own_component = name.split("\t")
            elif kind == "family":
                own_family = name
            elif kind == "part":
                mine = np.unique(comp[where == i])
                if len(mine) == 1:
                    own_family, own_component = x.component.names[mine[0]].split("\t")
            out.append(
                {
                    "kind": kind,
                    "key": name,
                    "name": own_component if kind == "component" else name,
                    "family": own_family,
                    "component": own_component,
                    "observed": o[i],
                    "expected": e[i],
                    "comebacks": c[i],
                    "comebacks_expected": ce[i],
                }
            )

    for kind, code, names in kinds:
        kept = code >= 0
        n = len(names)
        add(
            kind,
            names,
            sums(code[kept], x.failed[kept].astype(float), n),
            sums(code[kept], sound[kept], n),
            sums(code[kept], x.early[kept].astype(float), n),
            sums(code[kept], level.early_sound[kept], n),
            code,
        )
    moving = [("vehicle", x.vehicles, x.piece_vehicle, x.fail_vehicle, last_vehicle)]
    if benches_shown:
        moving.append(("site", x.site.names, x.piece_site, x.fail_site, x.site.code))
    for kind, names, pieces, ends, own in moving:
        n, inside, kept = len(names), pieces >= 0, own >= 0
        add(
            kind,
            names,
            sums(ends[ends >= 0], None, n),
            sums(pieces[inside], level.piece_sound[inside], n),
            sums(own[kept], x.early[kept].astype(float), n),
            sums(own[kept], level.early_sound[kept], n),
            own,
        )
    return out


def _flagged(x: Exposure, level: Level, effect: Effect, unrecorded: Flags) -> dict[str, object]:
    """The flagged row's own spell: counts, dates, the teardowns behind it and what it looks like."""
    lives = effect.lives & x.early
    behind = x.closed_by[x.fail_life[effect.fails]] if effect.view.response == "failures" else x.closed_by[lives]
    family, component = x.component.names[effect.component].split("\t") if effect.component >= 0 else ("", "")
    if effect.kind == "family":
        family = effect.name
    row: dict[str, object] = {
        "observed": int(effect.fails.sum()),
        "expected": float(level.piece_sound[effect.pieces].sum()),
        "comebacks": int(lives.sum()),
        "comebacks_expected": float(level.early_sound[effect.lives].sum()),
        "p_value": effect.p_value,
        "q_value": effect.q_value,
        "since": x.date(effect.first),
        "until": x.date(effect.last + 1) if effect.last < x.bins - 1 else pd.NaT,
        "flagged": True,
        "by": effect.view.response,
        "looks_like": looks_like(x, effect, unrecorded),
        "jobs": ", ".join(sorted({str(j) for j in behind if j})),
    }
    if family:
        row |= {"family": family, "component": component}
    return row


def _unrecorded(lives: pd.DataFrame, outcomes: pd.DataFrame | None) -> Flags:
    """Lives begun by a renewal that was due at the teardown but stands on no sheet."""
    if outcomes is None or outcomes.empty:
        return np.zeros(len(lives), dtype=bool)
    bare = outcomes.loc[~outcomes["recorded"].astype(bool) & outcomes["renewed"].astype(bool)]
    known = set(zip(texts(bare["job"]), texts(bare["component"]), texts(bare["position"]), strict=True))
    return np.array(
        [
            k in known
            for k in zip(texts(lives["opened_by"]), texts(lives["component"]), texts(lives["position"]), strict=True)
        ],
        dtype=bool,
    )


def looks_like(x: Exposure, effect: Effect, unrecorded: Flags) -> str:
    """What a cause looks like, by the lives that failed in it, in one of these words.

    missing_renewal: half or more of them began with a renewal that no sheet records, twice the share elsewhere;
    early_life: half or more failed within the comeback window, three times the share elsewhere (procedure or part);
    else by its kind: make, vehicle_use, site, procedure (bench), batch (component), wear_out (family).
    """
    inside, outside = x.fail_life[effect.fails], x.fail_life[~effect.fails]

    def shares(marked: Flags) -> tuple[float, float]:
        return tuple(float(marked[lives].mean()) if len(lives) else 0.0 for lives in (inside, outside))  # type: ignore[return-value]

    here, elsewhere = shares(unrecorded)
    if here >= max(0.5, 2 * elsewhere):
        return "missing_renewal"
    here, elsewhere = shares(x.early)
    if effect.kind in ("bench", "component", "part") and here >= max(0.5, 3 * elsewhere):
        return "early_life"
    return {"part": "make", "vehicle": "vehicle_use", "site": "site", "bench": "procedure", "component": "batch"}.get(
        effect.kind, "wear_out"
    )
