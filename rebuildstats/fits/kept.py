"""Fits kept in the store and found again by the hash of the lives they were fitted to.

Components lend each other strength, so a fit depends on all lives of the fleet: one hash stands for all of them, and
the fits of a hash are found whole or not at all. Kept as JSON text; nothing but these fields can be read back from it.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import duckdb
import numpy as np
import pandas as pd

from rebuildstats.fits.distributions import BY_NAME, Floats
from rebuildstats.fits.draws import Cloud, Effects
from rebuildstats.fits.results import CannotSay, LifeFit, LifeFits, Rival
from rebuildstats.fits.signals import EarlyLife, VerdictDoubt

Kind = Literal["life", "unit"]
#: Raised whenever the same lives would be fitted otherwise than before: kept fits of another method are not used.
METHOD: Final = 5
_USED: Final = (
    "family",
    "component",
    "unit",
    "entry_age",
    "lower_age",
    "upper_age",
    "good_before",
    "part",
    "site",
    "duty",
    "first_life",
    "shows",
    "weight",
)
_WORD: Final = 2**64
_SQL: Final = Path(__file__).parent / "sql"


@dataclass(frozen=True, slots=True)
class LivesSum:
    """What a fit depends on of some lives, in a few numbers; sums of pieces of a fleet add up to the fleet's.

    columns: those that were there. rows: how many lives. sums: of the rows' hashes and of those scrambled again, modulo
    2^64, so that the order of the rows does not matter.
    """

    columns: tuple[str, ...]
    rows: int
    sums: tuple[int, int]

    def __add__(self, other: LivesSum) -> LivesSum:
        """The sum of both; a piece without lives may lack columns."""
        one, two = (a + b for a, b in zip(self.sums, other.sums, strict=True))
        columns = self.columns if self.rows or not other.rows else other.columns
        return LivesSum(columns, self.rows + other.rows, (one % _WORD, two % _WORD))


def lives_sum(lives: pd.DataFrame) -> LivesSum:
    """The sum of a frame of lives."""
    columns = tuple(name for name in _USED if name in lives.columns)
    texts = lives[list(columns)].apply(lambda column: column.astype("str").fillna(""))
    rows = pd.util.hash_pandas_object(texts, index=False).to_numpy(dtype=np.uint64, copy=True)
    again = (rows ^ (rows >> np.uint64(33))) * np.uint64(0xFF51AFD7ED558CCD)
    return LivesSum(columns, len(lives), (int(rows.sum(dtype=np.uint64)), int(again.sum(dtype=np.uint64))))


def lives_hash(lives: pd.DataFrame | LivesSum, components: pd.DataFrame | None = None, *, seed: int = 0) -> str:
    """Hash of everything a fit depends on; the order of the rows does not matter.

    `lives`: the lives or their sum. `components`: as given to `fit_lives` (None for units).
    """
    total = lives if isinstance(lives, LivesSum) else lives_sum(lives)
    digest = hashlib.sha256(f"method {METHOD} seed {seed} {total}".encode())
    if components is not None:
        texts = components[["family", "component", "group"]].apply(lambda column: column.astype("str").fillna(""))
        rows = pd.util.hash_pandas_object(texts, index=False).to_numpy(copy=True)
        rows.sort()
        digest.update(rows.tobytes())
    return digest.hexdigest()


def as_kept(fits: LifeFits) -> LifeFits:
    """The fits as they come back once they have been kept."""
    return LifeFits({(fit.family, fit.component): _read(json.loads(json.dumps(_written(fit)))) for fit in fits})


def stored(con: duckdb.DuckDBPyConnection, kind: Kind, lives_hash: str) -> LifeFits | None:
    """The kept fits of these very lives, or None where there are none (or they can't be read)."""
    rows = con.execute(_statement("stored_fits"), {"kind": kind, "hash": lives_hash}).fetchall()
    if not rows:
        return None
    try:
        fits = [_read(json.loads(text)) for (text,) in rows]
    except (KeyError, TypeError, ValueError):
        return None
    return LifeFits({(fit.family, fit.component): fit for fit in fits})


def keep(con: duckdb.DuckDBPyConnection, kind: Kind, lives_hash: str, fits: LifeFits) -> None:
    """Keep the fits of these lives in place of the kind's earlier ones; the caller's connection writes."""
    frame = pd.DataFrame(
        {
            "place": range(len(fits)),
            "family": [fit.family for fit in fits],
            "component": [fit.component for fit in fits],
            "fit": [json.dumps(_written(fit)) for fit in fits],
        }
    ).astype({"place": "int64", "family": "str", "component": "str", "fit": "str"})
    con.execute(_statement("forget_fits"), {"kind": kind}).fetchall()
    con.register("new_fits", frame)
    try:
        con.execute(_statement("keep_fits"), {"kind": kind, "hash": lives_hash}).fetchall()
    finally:
        con.unregister("new_fits")


def _statement(name: str) -> str:
    return (_SQL / f"{name}.sql").read_text(encoding="utf-8")


_PLAIN: Final = (
    "family",
    "component",
    "distribution",
    "scale",
    "shape",
    "b10",
    "b10_lower",
    "b10_upper",
    "median",
    "median_lower",
    "median_upper",
    "events",
    "lives",
    "exposure",
    "shrinkage",
    "shared",
)


def _written(fit: LifeFit | CannotSay) -> dict[str, Any]:
    out: dict[str, Any] = {name: getattr(fit, name) for name in _PLAIN} | {"notes": list(fit.notes)}
    if isinstance(fit, CannotSay):
        return out | {"reason": fit.reason}
    cloud, effects = fit.cloud, fit.effects
    return out | {
        "location": fit.location,
        "sigma": fit.sigma,
        "cloud": {
            "names": list(cloud.names),
            "which": cloud.which.tolist(),
            "location": _short(cloud.location),
            "log_sigma": _short(cloud.log_sigma),
            "weight": _short(cloud.weight),
            "cells": cloud.cells.tolist(),
        },
        "effects": {
            "columns": {name: dict(levels) for name, levels in effects.columns.items()},
            "mean": effects.mean.tolist(),
            "covariance": effects.covariance.tolist(),
            "centre": effects.centre.tolist(),
            "mix_share": effects.mix_share.tolist(),
            "mix_design": effects.mix_design.tolist(),
        },
        "rivals": [[getattr(rival, name) for name in Rival.__slots__] for rival in fit.rivals],
        "early_life": [fit.early_life.observed, fit.early_life.expected, fit.early_life.p_value],
        "verdicts": [fit.verdicts.false_fails, fit.verdicts.missed_fails],
    }


def _short(values: Floats) -> list[float]:
    """Nine digits: what a draw is spread over is far coarser."""
    return [float(f"{value:.9g}") for value in values]


def _read(kept: dict[str, Any]) -> LifeFit | CannotSay:
    plain = {name: kept[name] for name in _PLAIN} | {"notes": tuple(kept["notes"])}
    if "reason" in kept:
        return CannotSay(**plain, reason=kept["reason"])
    cloud, effects = kept["cloud"], kept["effects"]
    names = tuple(cloud["names"])
    if any(name not in BY_NAME for name in names):
        raise ValueError("a distribution that this program does not know")
    p = len(effects["mean"])
    return LifeFit(
        **plain,
        location=kept["location"],
        sigma=kept["sigma"],
        cloud=Cloud(
            names,
            np.array(cloud["which"], dtype=np.int64),
            np.array(cloud["location"]),
            np.array(cloud["log_sigma"]),
            np.array(cloud["weight"]),
            np.array(cloud["cells"]),
        ),
        effects=Effects(
            effects["columns"],
            np.array(effects["mean"], dtype=float),
            np.array(effects["covariance"], dtype=float).reshape(p, p),
            np.array(effects["centre"], dtype=float),
            np.array(effects["mix_share"], dtype=float),
            np.array(effects["mix_design"], dtype=float).reshape(len(effects["mix_share"]), p),
        ),
        rivals=tuple(Rival(*rival) for rival in kept["rivals"]),
        early_life=EarlyLife(*kept["early_life"]),
        verdicts=VerdictDoubt(*kept["verdicts"]),
    )
