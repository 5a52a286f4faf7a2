"""The batched strength filter beside a loop over lifts through a general library, in the same run.

Seconds are never asserted, only the ratio. `python -m tests.bench.test_strength_speed` times 10,000 athletes × 5 lifts
× 26 weeks.
"""

import time
import warnings

import numpy as np
from statsmodels.tsa.statespace.structural import UnobservedComponents

from service.domain.records import Floats, PhaseKind
from service.domain.strength.estimate import estimate_strength
from service.domain.strength.sessions import LiftSessions

LIFTS, DAYS = 5, 182


def sessions(athletes: int, seed: int = 0) -> LiftSessions:
    """Roll-ups of every athlete's lifts, each trained about 1.5 times a week, in phases of 40 days."""
    rng = np.random.default_rng(seed)
    shape = (athletes, LIFTS, DAYS)
    kg = 100 * np.exp(rng.normal(0, 0.03, shape))
    kg[rng.random(shape) > 1.5 / 7] = np.nan
    seen = np.isfinite(kg)
    day = np.arange(DAYS)
    kinds = np.array([PhaseKind.BUILD, PhaseKind.CUT, PhaseKind.MAINTAIN])
    phase = np.tile(kinds[(day // 40) % 3], (athletes, 1)).astype(np.int64)
    phase_day = np.tile(day % 40 + 1, (athletes, 1))
    return LiftSessions(kg, np.where(seen, 0.022, np.nan), np.where(seen, 0.22, np.nan), phase, phase_day)


def seconds_per_lift_looped(series: Floats) -> float:
    """A local linear trend with known variances, filtered lift by lift by statsmodels."""
    start = time.perf_counter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's remarks on its own numerics
        for row in np.log(series):
            UnobservedComponents(row, "lltrend").filter([1e-3, 2e-6, 1e-8])
    return (time.perf_counter() - start) / len(series)


def seconds_per_lift_batched(athletes: int) -> float:
    """Ours: all athletes at once, the last day's answer kept."""
    logged = sessions(athletes)
    start = time.perf_counter()
    estimate_strength(logged, last=1)
    return (time.perf_counter() - start) / (athletes * LIFTS)


def test_the_batch_is_much_faster_than_a_loop_over_lifts() -> None:
    looped = seconds_per_lift_looped(sessions(8).one_rep_max_kg.reshape(-1, DAYS))
    assert seconds_per_lift_batched(450) < looped / 10


if __name__ == "__main__":
    looped = seconds_per_lift_looped(sessions(20).one_rep_max_kg.reshape(-1, DAYS))
    batched = seconds_per_lift_batched(10_000)
    print(f"10,000 athletes x {LIFTS} lifts x {DAYS} days: {batched * 10_000 * LIFTS:.2f} s")
    print(f"loop {looped * 1e3:.2f} ms per lift, batch {batched * 1e3:.3f} ms: {looped / batched:.0f} times faster")
