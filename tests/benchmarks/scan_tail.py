"""The tail of the scan of `rebuildstats.fits.scan` on sound groups, by simulation: what its bound was read from.

    python -m tests.benchmarks.scan_tail [repetitions]

Prints, for E failures expected in all and a score x, P(score >= x) e^x: the constant that `tail` bounds.
"""

from __future__ import annotations

import sys

import numpy as np

from rebuildstats.fits.scan import scan

BINS = 150


def main() -> None:
    repetitions = int(sys.argv[1]) if len(sys.argv) > 1 else 4000
    rng = np.random.default_rng(0)
    for expected in (1.0, 2.0, 5.0, 15.0, 50.0):
        share = np.full(BINS, expected / BINS)
        scores = []
        for _ in range(repetitions):
            observed = rng.poisson(share).astype(float)
            scores.append(scan(observed, share, 1e6).score)
        scores = np.array(scores)
        print(expected, [(x, round(float((scores >= x).mean() * np.exp(x)), 2)) for x in (1, 2, 3, 4, 5, 6)])


if __name__ == "__main__":
    main()
