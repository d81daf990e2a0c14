"""Makes series_methods.txt: levels of Croston, SBA and TSB by statsforecast, for tests/demand/test_series.py.

Run in an environment of its own (statsforecast keeps pandas back): `pip install statsforecast==2.1.1`, then
`python tests/references/series_methods.py > tests/references/series_methods.txt`. A line: method, smoothing of sizes,
smoothing of chances, level, then the series.
"""

from __future__ import annotations

import numpy as np
from statsforecast.models import TSB, CrostonClassic, CrostonSBA

LUBRICANTS = [
    0,
    2,
    0,
    1,
    0,
    11,
    0,
    0,
    0,
    0,
    2,
    0,
    6,
    3,
    0,
    0,
    0,
    0,
    0,
    7,
    0,
    0,
    0,
    0,
    0,
    0,
    0,
    3,
    1,
    0,
    0,
    1,
    0,
    1,
    0,
    0,
]


def main() -> None:
    rng = np.random.default_rng(4)
    series = [np.array(LUBRICANTS, dtype=float)]
    for chance, size, months in ((0.2, 3.0, 60), (0.5, 1.0, 24), (0.9, 8.0, 48), (0.05, 2.0, 80)):
        series.append(np.where(rng.random(months) < chance, 1.0 + rng.poisson(size, months), 0.0))
    for y in series:
        text = " ".join(f"{v:g}" for v in y)
        models = [
            ("croston", 0.1, 0.1, CrostonClassic()),
            ("sba", 0.1, 0.1, CrostonSBA()),
            ("tsb", 0.1, 0.1, TSB(alpha_d=0.1, alpha_p=0.1)),
            ("tsb", 0.05, 0.2, TSB(alpha_d=0.05, alpha_p=0.2)),
        ]
        for name, size, chance, model in models:
            level = float(model.forecast(y=y, h=1)["mean"][0])
            print(name, size, chance, repr(level), text)


if __name__ == "__main__":
    main()
