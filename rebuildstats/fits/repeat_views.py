"""The groups that are looked at for repeats: what each holds over time, and how much of the false-discovery budget it
gets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rebuildstats.fits.exposure import Exposure

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SHARE = {"part": 0.30, "bench": 0.25, "site": 0.13, "vehicle": 0.17, "component": 0.11, "family": 0.04}
"""How the false-discovery budget is split between kinds (weighted Benjamini-Hochberg: Genovese, Roeder & Wasserman
2006), so that hundreds of vehicles don't hide a handful of benches."""
BEFORE = ("part", "bench", "vehicle", "site", "component", "family")
"""Of causes that explain the same failures equally well the more particular one is named."""


@dataclass(frozen=True, slots=True)
class View:
    """All groups of one kind seen on one clock. `group`: code of each row (-1: in none); rows are lives (clock
    'fitted') or pieces of lives (clock 'calendar'); `by_component`: a group is a name and a component. response:
    'failures' or 'comebacks'."""

    kind: str
    clock: str
    response: str
    by_component: bool
    group: Ints
    fail_group: Ints
    names: list[str]
    components: int
    share: float
    whole: bool

    @property
    def count(self) -> int:
        return len(self.names) * (self.components if self.by_component else 1)

    def label(self, code: int) -> tuple[str, int]:
        """Name and component code (-1: all) of a group."""
        if self.by_component:
            return self.names[code // self.components], code % self.components
        return self.names[code], -1


def _crossed(code: Ints, component: Ints, components: int) -> Ints:
    return np.where(code >= 0, code * components + component, -1)


def views(x: Exposure, benches_shown: bool = True) -> list[View]:
    """Every view of the exposure, with the share of the budget that each gets."""
    comp, n = x.component.code, len(x.component.names)
    family_names = sorted({c.split("\t")[0] for c in x.component.names})
    family_of = np.array([family_names.index(c.split("\t")[0]) for c in x.component.names], dtype=np.int64)
    out: list[View] = []

    def fitted(kind: str, code: Ints, names: list[str], by: bool, share: float, whole: bool = True) -> None:
        group = _crossed(code, comp, n) if by else code
        for response, part in (("failures", 0.7), ("comebacks", 0.3)):
            out.append(View(kind, "fitted", response, by, group, group, names, n, share * part, whole))

    def calendar(
        kind: str, pieces: Ints, fails: Ints, names: list[str], by: bool, share: float, whole: bool = True
    ) -> None:
        group = _crossed(pieces, comp[x.piece_life], n) if by else pieces
        ends = _crossed(fails, comp[x.fail_life], n) if by else fails
        out.append(View(kind, "calendar", "failures", by, group, ends, names, n, share, whole))

    def early(kind: str, code: Ints, names: list[str], by: bool, share: float) -> None:
        group = _crossed(code, comp, n) if by else code
        out.append(View(kind, "fitted", "comebacks", by, group, group, names, n, share, True))

    fitted("part", x.part.code, x.part.names, True, SHARE["part"])
    if benches_shown:
        fitted("bench", x.bench.code, x.bench.names, False, SHARE["bench"] * 0.35)
        fitted("bench", x.bench.code, x.bench.names, True, SHARE["bench"] * 0.65)
        site = x.site.code
        for by, share in ((False, SHARE["site"] * 0.25), (True, SHARE["site"] * 0.75)):
            calendar("site", x.piece_site, x.fail_site, x.site.names, by, share * 0.8)
            early("site", site, x.site.names, by, share * 0.2)
    last_vehicle = np.full(len(comp), -1, dtype=np.int64)
    last_vehicle[x.piece_life] = x.piece_vehicle
    calendar("vehicle", x.piece_vehicle, x.fail_vehicle, x.vehicles, False, SHARE["vehicle"] * 0.85)
    early("vehicle", last_vehicle, x.vehicles, False, SHARE["vehicle"] * 0.15)
    names = x.component.names
    calendar("component", comp[x.piece_life], comp[x.fail_life], names, False, SHARE["component"] * 0.4, False)
    out.append(
        View(
            "component",
            "fitted",
            "failures",
            False,
            np.where(x.begun, comp, -1),
            comp,
            names,
            n,
            SHARE["component"] * 0.4,
            True,
        )
    )
    out.append(View("component", "fitted", "comebacks", False, comp, comp, names, n, SHARE["component"] * 0.2, True))
    fam = family_of[comp]
    calendar("family", fam[x.piece_life], fam[x.fail_life], family_names, False, SHARE["family"], False)
    return out
