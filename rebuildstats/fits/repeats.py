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
from rebuildstats.fits.repeat_level import Effect, Level
from rebuildstats.fits.repeat_search import Found, search
from rebuildstats.fits.repeat_views import views
from rebuildstats.fits.rows import sums, texts
from rebuildstats.fits.teardown_makes import look_at_teardowns

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
MORE = (
    *("until", "ratio_shrunk", "observed_all", "expected_all", "by", "looks_like", "jobs"),
    *("since_lower", "since_upper", "since_cusum", "found", "found_expected"),
)
RATE = 0.06
"""False discovery rate that flags are held to, whatever is looked at."""
TORN_SHARE = 0.2
"""Share of it for the makes whose failures only show at teardowns."""


@dataclass(frozen=True, slots=True)
class Repeats:
    """All groups looked at. `table`: COLUMNS then MORE. A flagged row counts its bad spell only (`since` to `until`),
    with the whole history in observed_all and expected_all; the others count the whole history. `by`: failures,
    comebacks or teardowns; with the last, ratio and dates are those of what was found bad once the unit was open
    (found, found_expected). since_lower, since_upper: 90 % limits of the start; since_cusum: after the CUSUM's last
    zero."""

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
    found = search(x, views(x, benches_shown), rate * (1 - TORN_SHARE), most)
    table = _table(x, found, benches_shown, _unrecorded(lives, outcomes))
    torn = look_at_teardowns(
        lives, life_fits, pd.Timestamp(as_of), fitments, vehicles, usage, rate=rate * TORN_SHARE, most=most
    )
    return Repeats(_in_order(torn.told_in(table)), tuple(found.causes))


# --- the table --------------------------------------------------------------------------------------------------------


def _empty() -> pd.DataFrame:
    return pd.DataFrame(columns=[*COLUMNS, *MORE])


def _table(x: Exposure, found: Found, benches_shown: bool, unrecorded: Flags) -> pd.DataFrame:
    level = found.level
    rows = _group_rows(x, level, benches_shown)
    by_key = {(e.kind, e.name): e for e in found.causes}
    lines: list[dict[str, object]] = []
    for row in rows:
        key = (str(row["kind"]), str(row["key"]))
        row |= {
            "p_value": found.best.get(key, (1.0, np.inf))[0],
            "q_value": found.q_value(key),
            "since": pd.NaT,
            "until": pd.NaT,
            "since_lower": pd.NaT,
            "since_upper": pd.NaT,
            "since_cusum": pd.NaT,
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
    for name in ("since", "until", "since_lower", "since_upper", "since_cusum"):
        table[name] = pd.to_datetime(table[name])
    for name in ("observed", "comebacks", "observed_all"):
        table[name] = table[name].astype("int64")
    return table


def _in_order(table: pd.DataFrame) -> pd.DataFrame:
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
        "since_lower": x.date(effect.first_lower),
        "since_upper": x.date(effect.first_upper),
        "since_cusum": x.date(effect.zero),
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
