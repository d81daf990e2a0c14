"""The public functions that ask how sure a fitted life is, which make lasts longer, and how often things fail."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pandas as pd

from rebuildstats.answers import Answer, Known, check_family, check_lives, fits, fitted_lives, known
from rebuildstats.errors import NothingToComputeError, UsageError
from rebuildstats.fits.doubt import doubt_table
from rebuildstats.fits.limit_ages import limit_table
from rebuildstats.fits.makes import compare_makes
from rebuildstats.fits.rates import fit_rate_regression, rate_cells, rate_table
from rebuildstats.fits.results import LifeFits
from rebuildstats.reports import lasting_sentences as words

#: What rates can be split by.
RATES_BY = ("duty", "site", "part", "first_life")
_SHOWN = ("family", "component", "distribution", "chosen", "share", "aicc", "b10", "b10_lower", "b10_upper", "interval")


def rivals(store: str | Path, family: str | None = None, *, as_of: date | None = None) -> Answer:
    """Every life distribution tried: how well each does (AICc), its share in the answer, and what it says of B10.

    Raises UsageError for a family that doesn't exist, NothingToComputeError where no life is known.
    """
    now = _lives_known(store, family, as_of)
    return rivals_of(now, fitted_lives(store, now).life, family)


def rivals_of(now: Known, fits: LifeFits, family: str | None = None) -> Answer:
    """`rivals` from what is known and fitted."""
    rows = _of_family(fits.rivals(), family)
    rows = rows.sort_values(["family", "component", "aicc"], kind="stable", ignore_index=True)
    rows = rows[[*_SHOWN, *(name for name in rows.columns if name not in _SHOWN)]]
    return Answer(rows, notes=tuple(words.rival_words(rows, now.history.distance)), result=fits)


def doubts(store: str | Path, family: str | None = None, *, as_of: date | None = None) -> Answer:
    """How far each fitted life can be trusted: fit against the plain estimate, failures when young, wrong verdicts.

    Raises UsageError for a family that doesn't exist, NothingToComputeError where no life is known.
    """
    now = _lives_known(store, family, as_of)
    return doubts_of(now, fitted_lives(store, now).life, family)


def doubts_of(now: Known, fits: LifeFits, family: str | None = None) -> Answer:
    """`doubts` from what is known and fitted."""
    rows = doubt_table(fits, now.records.lives, family)
    return Answer(rows, notes=tuple(words.doubt_words(rows, now.history.distance)), result=fits)


def makes(store: str | Path, family: str | None = None, *, as_of: date | None = None) -> Answer:
    """Which make of a part lasts longer, and is it worth its price: makes side by side with cost per 10,000.

    Raises UsageError for a family that doesn't exist, NothingToComputeError where no life is known.
    """
    now = _lives_known(store, family, as_of)
    return makes_of(now, fitted_lives(store, now).life, family)


def makes_of(now: Known, fits: LifeFits, family: str | None = None) -> Answer:
    """`makes` from what is known and fitted."""
    lives = now.records.lives if family is None else now.records.lives[now.records.lives["family"] == family]
    rows = compare_makes(fits, lives, now.history.parts, now.history.part_uses)
    return Answer(rows, notes=tuple(words.make_words(rows, now.history.distance)), result=fits)


def rates(store: str | Path, family: str | None = None, *, by: str | None = None, as_of: date | None = None) -> Answer:
    """Failures per 100,000 of distance with exact bounds, by component; what duty, site and family do to them.

    With `by` (duty, site, part or first_life) a row per component and level. The regression stands in the result.
    Raises UsageError for names that don't exist and for sites where the settings leave them out,
    NothingToComputeError where no life is known.
    """
    if by is not None and by not in RATES_BY:
        raise UsageError(f"--by is one of {', '.join(RATES_BY)}, not '{by}'.")
    return rates_of(_lives_known(store, family, as_of), family, by)


def rates_of(now: Known, family: str | None = None, by: str | None = None) -> Answer:
    """`rates` from what is known."""
    sites = now.settings.benches_shown
    if by == "site" and not sites:
        raise UsageError("The settings leave sites out: `rebuildstats settings --benches` brings them back.")
    lives = now.records.lives if family is None else now.records.lives[now.records.lives["family"] == family]
    keys = ["family", "component", *([by] if by else [])]
    rows = rate_table(lives, keys)
    if rows["exposure"].sum() <= 0:
        raise NothingToComputeError("No distance is known of any life. `rebuildstats gaps` says what is missing.")
    cells, terms = rate_cells(lives, ["family", "duty", *(["site"] if sites else [])])
    regression = fit_rate_regression(cells, terms) if terms and cells["events"].sum() else None
    return Answer(rows, notes=tuple(words.rate_words(regression)), result=regression)


def points(store: str | Path, family: str | None = None, *, as_of: date | None = None) -> Answer:
    """Every inspection point's wear: per 10,000 of distance, ages at which 10, 50, 90 % reach the limit, and whether
    the fitted life agrees; readings that were converted or set aside are listed in the result.

    Raises UsageError for a family that doesn't exist, NothingToComputeError where no point is known.
    """
    now = known(store, as_of=as_of)
    check_family(now, family)
    if now.history.points.empty:
        raise NothingToComputeError("No inspection point is known yet. Load `points`.")
    fitted = fits(store, now)
    rows = limit_table(fitted.points, fitted.life, family)
    handled = fitted.points.handled
    if family is not None and len(handled):
        handled = handled[handled["family"] == family]
    return Answer(rows, notes=tuple(words.point_words(rows, handled, now.history.distance)), result=fitted.points)


def _lives_known(store: str | Path, family: str | None, as_of: date | None) -> Known:
    now = known(store, as_of=as_of)
    check_family(now, family)
    check_lives(now.records.lives)
    return now


def _of_family(rows: pd.DataFrame, family: str | None) -> pd.DataFrame:
    return rows if family is None else rows[rows["family"] == family].reset_index(drop=True)
