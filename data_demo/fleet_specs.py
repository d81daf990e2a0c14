"""What is written down before a fleet runs: families, components, parts, vehicles and planted causes.

These records drive `fleet_engine`. Lives are in the store's distance, as location-scale distributions of log age, the
way `rebuildstats life` reports them: Weibull (characteristic life, shape), lognormal (median, sigma of log age),
exponential (mean, 1) and loglogistic (median, shape).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

Floats = NDArray[np.float64]
DISTRIBUTIONS = ("weibull", "lognormal", "exponential", "loglogistic")


def life_quantile(distribution: NDArray[np.int64], scale: Floats, shape: Floats, u: Floats) -> Floats:
    """Ages at which a share `u` has failed; `distribution` indexes `DISTRIBUTIONS`, all arrays of one length."""
    u = np.clip(u, 1e-12, 1 - 1e-12)
    weibull = np.log(-np.log1p(-u)) / shape
    normal = shape * ndtri(u)
    logistic = np.log(u / (1 - u)) / shape
    log_age = np.log(scale) + np.select([distribution == 1, distribution == 3], [normal, logistic], weibull)
    age: Floats = np.exp(log_age)
    return age


def life_chance(distribution: NDArray[np.int64], scale: Floats, shape: Floats, age: Floats) -> Floats:
    """Share failed by an age: the inverse of `life_quantile`."""
    x = np.log(np.maximum(age, 1e-9) / scale)
    weibull = -np.expm1(-np.exp(np.clip(shape * x, -700, 50)))
    normal = ndtr(x / shape)
    logistic = 1 / (1 + np.exp(np.clip(-shape * x, -700, 700)))
    chance: Floats = np.select([distribution == 1, distribution == 3], [normal, logistic], weibull)
    return chance


@dataclass(frozen=True)
class Point:
    """An inspection point; readings go from `as_new` to the limit as the life is used up, `power` bends the way."""

    point: str
    method: str = "sight"
    reading_unit: str | None = None
    as_new: float | None = None
    low_limit: float | None = None
    high_limit: float | None = None
    caution: str | None = None
    power: float = 1.0
    noise: float = 0.06  # of the way from as_new to the limit
    decimals: int = 2
    sound: tuple[str, ...] = ()  # words for the condition of what is good
    bad: tuple[str, ...] = ()  # and of what is bad
    burr: tuple[str, ...] = ()  # and of what is dressed and goes back in


@dataclass(frozen=True)
class Use:
    """A part of a component; with a `choice` one of several, of which `factor` stretches or shortens the life."""

    part: str
    quantity: float = 1.0
    choice: str | None = None
    share: float | None = None
    factor: float = 1.0


@dataclass(frozen=True)
class Component:
    """A component with its true life and the shop's habits about it."""

    component: str
    name: str
    group: str
    scale: float
    shape: float
    distribution: str = "weibull"
    positions: int = 1
    always: bool = False
    supplied_in: str | None = None
    in_service: bool = False
    safety: bool = False
    duty_power: float = 1.0  # the true life is divided by duty factor ** duty_power
    habit: float = 0.02  # chance that a good one is replaced at a rebuild
    dress: float = 0.0  # chance that a good one is dressed
    machine: float = 0.0  # chance that a good one is machined
    machine_use: tuple[str, float] | None = None  # part and pieces that machining takes (a sleeve)
    recorded: float = 0.95  # chance that it stands on the sheet when nothing is done about it
    repair: float = 0.0  # chance that its failure is mended without a rebuild
    ruins: tuple[tuple[str, float], ...] = ()  # what its failure damages, and how often
    complaints: tuple[tuple[str, float], ...] = ()
    keeps_grade: bool = False  # replaced by the grade that was in it
    points: tuple[Point, ...] = ()
    uses: tuple[Use, ...] = ()


@dataclass(frozen=True)
class Family:
    """A design of unit: its components, how it is rebuilt and how many there are."""

    family: str
    components: tuple[Component, ...]
    units: int
    scheduled_at: float | None = None  # distance since rebuild at which the fleet books one in
    scheduled_sd: float = 0.1
    spares: int = 0
    new: float = 0.6  # shares of the origins; the rest is used
    rebuilt: float = 0.15
    labour: float = 14.0


@dataclass(frozen=True)
class Plant:
    """A cause put into the fleet on purpose.

    kind: `make` (name: a part), `bench` (name: a bench), `fitting` (a spell at all benches), `vehicle` (name: one),
    `left_out` (name: a bench that leaves the component in at rebuilds). `factor` divides lives (for `left_out`: what
    the old one has left); all but `vehicle` hit a `share` of the renewals. Days are counted from the fleet's first day.
    """

    kind: str
    name: str
    family: str | None = None
    component: str | None = None
    factor: float = 3.0
    share: float = 1.0
    since: int = 0
    until: int = 1_000_000


@dataclass(frozen=True)
class FleetPlan:
    """A whole fleet before its first day."""

    start: dt.date
    days: int  # simulated, including what lies after the cut
    families: tuple[Family, ...]
    parts: tuple[dict[str, object], ...]
    sites: tuple[tuple[str, str | None, float], ...] = (("main", None, 1.0),)  # site, served_by, share of the vehicles
    benches: tuple[tuple[str, str], ...] = (("bench 1", "main"), ("bench 2", "main"))  # bench, site
    duties: tuple[tuple[str, float, float], ...] = (("road", 1.0, 1.0),)  # duty, life divided by, share of the vehicles
    yearly: tuple[float, float] = (45_000.0, 0.35)  # median yearly distance of a vehicle, sigma of its log
    vehicle_prefix: str = "V"
    share_vehicles: bool = False  # one vehicle carries a unit of every family
    plants: tuple[Plant, ...] = ()
    counter: tuple[tuple[str, float], ...] = ()  # part, pieces sold over the counter per month
    superseded: tuple[tuple[str, int], ...] = ()  # part, first day on which its successor is issued
    missed: float = 0.0  # chance that a bad one is written down as good
    false_fail: float = 0.0
    left: float = 0.005  # chance that a failed one (at_teardown) goes back in
    frailty: float = 0.0  # sigma of a unit's own log life factor
    mileage_given: float = 0.6
    odometer_given: float = 0.8
    first_mileage_given: float = 0.85
    meter_changes: float = 0.05
    campaigns: tuple[tuple[str, int, int], ...] = ()  # family, first day, days it takes
    retire: float = 0.1
    words: dict[str, str] = field(default_factory=dict)


def mixed_quantile(share: float, component: Component, factors: Floats, weights: Floats, frailty: float) -> float:
    """Age by which `share` of a mixture has failed: one life distribution, its lives divided by `factors`."""
    code = np.array([DISTRIBUTIONS.index(component.distribution)])
    nodes, node_weights = np.polynomial.hermite_e.hermegauss(21 if frailty > 0 else 1)
    stretch = np.exp(frailty * nodes)
    all_factors = np.outer(factors, stretch).ravel()
    all_weights = np.outer(weights / weights.sum(), node_weights / node_weights.sum()).ravel()

    def gap(log_age: float) -> float:
        chance = life_chance(
            code, np.array([component.scale]), np.array([component.shape]), np.exp(log_age) * all_factors
        )
        return float(all_weights @ chance) - share

    middle = float(np.log(component.scale))
    return float(np.exp(brentq(gap, middle - 15, middle + 15)))
