"""When each found cause began, on the clock and by the failures that tell it best, and which rows it covers."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rebuildstats.fits.cusum import ALL_ALONG, Onset, date_onset
from rebuildstats.fits.exposure import Exposure
from rebuildstats.fits.repeat_level import Effect, Level
from rebuildstats.fits.repeat_views import View
from rebuildstats.fits.rows import sums
from rebuildstats.fits.scan import LEAST, Spell, gain, scan

Array = npt.NDArray[np.float64]

NEAR_DAYS = 60.0
"""A start is named so that as much as can be of what is believed lies within this many days of it."""
ROUNDS = 2


def spell_of(view: View, observed: Array, expected: Array, total: float) -> Spell:
    """The likeliest bad spell of one group of a view."""
    # a component is its own yardstick, so a change in it must be plain, and still be going on
    alone = view.kind in ("component", "family")
    return scan(observed, expected, total, whole=view.whole, spells=not alone, least=8 if alone else LEAST)


def onset_in_spell(view: View, observed: Array, expected: Array, spell: Spell, x: Exposure) -> Onset:
    """When a group's bad spell began, by its failures and sound expectation per bin."""
    reach = max(int(NEAR_DAYS // x.days_per_bin), 1)
    # what is all there is of its kind can't have been bad all along: there is nothing it was ever worse than
    return date_onset(observed, expected, spell.last, reach=reach, all_along=ALL_ALONG if view.whole else 0.0)


def cover(effect: Effect, first: int, last: int, x: Exposure) -> None:
    """Mark the rows that a cause covers from its first to its last bin."""
    view, code = effect.view, effect.code
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


def date_causes(found: list[Effect], level: Level, seen: list[View]) -> None:
    """Date every cause against the sound level, all causes known, in place.

    A cause may show on several clocks (the day a part was fitted, the calendar) and in failures or in comebacks: it is
    dated by those that tell most, and of two clocks by the one under which all failures are likelier.
    """
    for _ in range(ROUNDS):
        for effect in found:
            _date(effect, level, seen)
        level.settle()


def _date(effect: Effect, level: Level, seen: list[View]) -> None:
    x = level.x
    found: list[tuple[float, View, int, Spell, Onset]] = []
    for view in seen:
        code = _same_group(view, effect)
        if code is None:
            continue
        observed, expected = alone(effect, view, code, level)
        spell = spell_of(view, observed, expected, np.inf)
        if spell.last >= 0:
            won = float(gain(np.array([spell.observed]), np.array([spell.expected]), np.inf)[0])
            found.append((won, view, code, spell, onset_in_spell(view, observed, expected, spell, x)))
    if not found:
        return
    best = max(found, key=lambda f: f[0])
    rivals = [best, *(f for f in found if f[1].response == best[1].response and f[1].clock != best[1].clock)]
    likelihoods = []
    for rival in rivals if len(rivals) > 1 else []:
        _take(effect, rival, x)
        level.settle()
        likelihoods.append(level.log_likelihood())
    _take(effect, rivals[int(np.argmax(likelihoods))] if likelihoods else best, x)
    if likelihoods:
        level.settle()


def _take(effect: Effect, choice: tuple[float, View, int, Spell, Onset], x: Exposure) -> None:
    _, effect.view, effect.code, spell, onset = choice
    effect.first_lower, effect.first_upper, effect.zero = onset.lower, onset.upper, onset.zero
    cover(effect, onset.first, spell.last, x)


def _same_group(view: View, effect: Effect) -> int | None:
    """The code in `view` of the very group that an effect is of, None where the view has none."""
    if view.kind != effect.view.kind or view.by_component != effect.view.by_component:
        return None
    name, component = effect.view.label(effect.code)
    if view.names is effect.view.names or list(view.names) == list(effect.view.names):
        return effect.code
    if name not in view.names:
        return None
    at = view.names.index(name)
    return at * view.components + component if view.by_component else at


def alone(effect: Effect, view: View, code: int, level: Level) -> tuple[Array, Array]:
    """Observed and expected by bin of a group, as if this one cause did nothing: the other causes in, its own out."""
    x = level.x
    expected, early = level.without(effect)
    if view.response == "comebacks":
        mine = view.group == code
        return sums(x.opened[mine], x.early[mine].astype(float), x.bins), sums(x.opened[mine], early[mine], x.bins)
    if view.clock == "fitted":
        mine = view.group[x.piece_life] == code
        ended = x.fail_life[view.group[x.fail_life] == code]
        return sums(x.opened[ended], None, x.bins), sums(x.opened[x.piece_life[mine]], expected[mine], x.bins)
    mine = view.group == code
    return sums(x.fail_bin[view.fail_group == code], None, x.bins), sums(x.piece_bin[mine], expected[mine], x.bins)
