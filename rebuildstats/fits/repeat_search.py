"""The search for causes: one after another, the one that explains most first, each dated once all are known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from rebuildstats.fits.exposure import Exposure
from rebuildstats.fits.repeat_dates import cover, date_causes, onset_in_spell, spell_of
from rebuildstats.fits.repeat_level import Counts, Effect, Level, tally
from rebuildstats.fits.repeat_views import BEFORE, View
from rebuildstats.fits.scan import Spell, gain

Flags = npt.NDArray[np.bool_]

SHARED = 0.0
"""Log-likelihood by which a whole component must explain more than one of its groups to be named instead."""


@dataclass(frozen=True, slots=True)
class Found:
    """The causes found, the sound level beside them, and per (kind, name) the smallest p-value of the last round and
    the smallest p-value over its budget."""

    causes: list[Effect]
    level: Level
    best: dict[tuple[str, str], tuple[float, float]]

    def q_value(self, key: tuple[str, str]) -> float:
        """False discovery rate at which a group that was not found would have been."""
        return min(1.0, self.best.get(key, (1.0, np.inf))[1] / (len(self.causes) + 1))


def search(x: Exposure, seen: list[View], rate: float, most: int) -> Found:
    """Find causes among the groups of `seen` at false discovery rate `rate`, at most `most` of them."""
    level = Level(x)
    level.settle()
    found: list[Effect] = []
    best: dict[tuple[str, str], tuple[float, float]] = {}
    for _ in range(most):
        candidates, best = _candidates(seen, level)
        # one spell a group: what is left of a found one is the chance of where its ends were put
        taken = {(e.kind, e.name, e.view.by_component and e.component) for e in level.effects}
        candidates = [c for c in candidates if _key(c) not in taken]
        chosen = _choose(candidates, level, len(found) + 1, rate)
        if chosen is None:
            break
        effect = _effect(chosen, x, len(found) + 1)
        level.effects.append(effect)
        level.settle()
        if not any((r.kind, r.name) == (effect.kind, effect.name) for r in found):
            found.append(effect)
    date_causes(found, level, seen)
    return Found(found, level, best)


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
            spell = spell_of(view, o, e, counts.total[code] / spread)
            if spell.last < 0:
                continue
            raw = float(gain(np.array([spell.observed]), np.array([spell.expected]), counts.total[code] / spread)[0])
            out.append((view, int(code), spell, weight, raw, counts))
            key = (view.kind, view.label(int(code))[0])
            old = best.get(key, (1.0, np.inf))
            best[key] = (min(old[0], spell.p_value), min(old[1], spell.p_value / weight))
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


def _choose(candidates: list[Candidate], level: Level, rank: int, rate: float) -> Candidate | None:
    """The candidate within the false discovery rate that explains most; of equals the more particular.

    What a group shares with the rest of its component fitted in the same days is no doing of the group's: then the
    component is the cause, or none where it departs no further than components do.
    """
    passing = [c for c in candidates if c[2].p_value <= rate * rank * c[3]]
    while passing:
        top = max(c[4] for c in passing)
        close = [c for c in passing if c[4] >= top - 1.0]
        chosen = min(close, key=lambda c: (BEFORE.index(c[0].kind), -c[4]))
        component = _shared_by_component(chosen, level)
        if component < 0:
            return chosen
        own = [c for c in passing if c[0].kind == "component" and c[1] == component]
        if own:
            return max(own, key=lambda c: c[4])
        passing = [c for c in passing if c is not chosen]
    return None


def _shared_by_component(candidate: Candidate, level: Level) -> int:
    """The component whose other lives begun in the spell of a group fail as the group's do, -1: none.

    Of two Poisson models, one ratio for the group alone or one for all lives of the component begun in those days, the
    second must be likelier by SHARED.
    """
    view, code, spell = candidate[0], candidate[1], candidate[2]
    if view.clock != "fitted" or view.kind not in ("part", "bench") or not view.by_component:
        return -1
    x = level.x
    component = view.label(code)[1]
    inside = x.begun & (x.component.code == component) & (x.opened >= spell.first) & (x.opened <= spell.last)
    mine = inside & (view.group == code)
    counted, expected = (
        (x.early, level.early_expected) if view.response == "comebacks" else (x.failed, level.life_expected)
    )

    def won(rows: Flags) -> float:
        return float(gain(counted[rows].sum(dtype=float), expected[rows].sum(), np.inf))

    return component if won(inside) > won(mine) + SHARED else -1


def _effect(candidate: Candidate, x: Exposure, rank: int) -> Effect:
    """A found spell as a cause."""
    view, code, spell, weight, _, counts = candidate
    name, component = view.label(code)
    if view.kind == "component":
        component = x.component.names.index(name)
    q = min(1.0, spell.p_value / (weight * rank))
    effect = Effect(view, code, view.kind, name, component, spell.p_value, q)
    # the level still holds the cause itself: the rest alone says what is sound
    sound = float(
        np.clip((counts.total[code] - spell.observed) / max(counts.total[code] - spell.expected, 1e-9), 0.2, 1)
    )
    onset = onset_in_spell(view, counts.observed[code], counts.expected[code] * sound, spell, x)
    cover(effect, onset.first, spell.last, x)
    return effect
