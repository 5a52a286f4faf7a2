"""How well strength is told from noisy sets, beside two plain ways of doing it.

Run `python -m tests.simulated.strength_report [seed …]` for the table: error of the 1RM and of its six-week change,
coverage of the 90 % intervals, and true losses in a cut found against false alarms, all judged on days after each
lift's first month.
"""

import sys
from dataclasses import astuple, dataclass

import numpy as np

from service.domain.records import Floats
from service.domain.strength.estimate import StrengthEstimates, estimate_strength
from service.domain.strength.sessions import LiftSessions
from service.domain.strength.sets import LiftSet, summarise_sets
from tests.simulated.strength_lifters import CUT, Lifters, lifters_of_world, simulate_lifters

LOST = np.log(0.95)
FALSE_ALARMS = 0.015


@dataclass(frozen=True)
class Score:
    """One row of the table; errors in per cent of the maximum, shares between 0 and 1."""

    one_rep_max_rmse_pct: float
    six_week_rmse_pct: float
    coverage: float
    found: float  # of the drops, in any weekly check of that cut
    checks_found: float  # of the weekly checks at which the truth is below
    false_alarms: float


def measurements(lifters: Lifters) -> tuple[Floats, Floats, Floats]:
    """Session maxima (kg), their log sd and curve exposure; arrays (series, days), NaN without a session."""
    shape = lifters.one_rep_max_kg.shape
    kg, sd, exposure = (np.full(shape, np.nan) for _ in range(3))
    for one in lifters.sessions:
        sets = [
            LiftSet(kg_lifted, reps, rir, "warm_up" if mark else None)
            for kg_lifted, reps, rir, mark in zip(one.load_kg, one.reps, one.rir, one.marked_warm_up, strict=True)
        ]
        lift = summarise_sets(sets, body_mass_share=1.0 if one.body_mass_kg else 0.0)
        if lift is not None:
            kg[one.series, one.day] = lift.one_rep_max_kg(one.body_mass_kg)
            sd[one.series, one.day] = lift.log_sd
            exposure[one.series, one.day] = lift.curve_exposure
    return kg, sd, exposure


def best_set(lifters: Lifters) -> Floats:
    """The plain way: the best of each session's sets by Epley on repetitions + RIR (2 when not said), carried on."""
    kg = np.full(lifters.one_rep_max_kg.shape, np.nan)
    for one in lifters.sessions:
        told = [2.0 if rir is None else rir for rir in one.rir]
        kg[one.series, one.day] = max(
            (one.body_mass_kg + load) * (1 + (r + left) / 30)
            for load, r, left in zip(one.load_kg, one.reps, told, strict=True)
        )
    return kg


def carried(kg: Floats, sessions: int) -> Floats:
    """Mean of the last so many sessions' logarithms, carried on over the days between; log scale."""
    out = np.full(kg.shape, np.nan)
    for series, row in enumerate(kg):
        trained = np.flatnonzero(np.isfinite(row))
        for place, day in enumerate(trained):
            stop = trained[place + 1] if place + 1 < trained.size else row.size
            out[series, day:stop] = np.log(row[trained[max(0, place - sessions + 1) : place + 1]]).mean()
    return out


def judge(lifters: Lifters, level: Floats, lost: Floats, threshold: float | None, covered: Floats | None) -> Score:
    """Score a log level (series, days) and a sign of loss; the threshold meets FALSE_ALARMS when it is None."""
    truth = np.log(lifters.one_rep_max_kg)
    seen = np.isfinite(level)
    known = np.cumsum(seen, axis=1) > 28
    error = 100 * (level - truth)
    change = 100 * ((level[:, 42:] - level[:, :-42]) - (truth[:, 42:] - truth[:, :-42]))
    both = known[:, :-42] & known[:, 42:]
    real, checked = true_losses(lifters)
    checked &= known & np.isfinite(lost)
    if threshold is None:
        threshold = float(np.quantile(lost[checked & ~real], 1 - FALSE_ALARMS))
    alarm = (lost > threshold) & checked
    drops, found = 0, 0
    for series in range(real.shape[0]):  # a drop: one lift in one cut that is below at a check
        for start in np.flatnonzero(lifters.phase_day[series] == 1):
            stop = start + 1
            while stop < real.shape[1] and lifters.phase_day[series, stop] > 1:
                stop += 1
            window = slice(start, stop)
            below = (checked & real)[series, window]
            if below.any():
                drops += 1
                found += bool((alarm[series, window] & real[series, window]).any())
    return Score(
        float(np.sqrt(np.mean(error[known] ** 2))),
        float(np.sqrt(np.mean(change[both] ** 2))),
        float("nan") if covered is None else float(np.mean(covered[known])),
        found / max(drops, 1),
        float(alarm[checked & real].mean()),
        float(alarm[checked & ~real].mean()),
    )


def true_losses(lifters: Lifters) -> tuple[np.ndarray, np.ndarray]:
    """Days on which the truth is more than 5 % below the eve of the current cut, and the weekly check days in cuts."""
    truth = np.log(lifters.one_rep_max_kg)
    change = np.full(truth.shape, np.nan)
    days = np.arange(truth.shape[1])
    for series in range(truth.shape[0]):
        start = days - lifters.phase_day[series]
        inside = (lifters.phase[series] == CUT) & (start >= 0)
        change[series, inside] = truth[series, inside] - truth[series, start[inside]]
    weekly = (lifters.phase_day % 7 == 0) & np.isfinite(change)
    return change < LOST, weekly


def change_in_cut(lifters: Lifters, level: Floats) -> Floats:
    """Drop of a log level since the eve of the current cut, positive = lost; NaN outside."""
    out = np.full(level.shape, np.nan)
    days = np.arange(level.shape[1])
    for series in range(level.shape[0]):
        start = days - lifters.phase_day[series]
        inside = (lifters.phase[series] == CUT) & (start >= 0)
        out[series, inside] = level[series, start[inside]] - level[series, inside]
    return out


def rows(lifters: Lifters) -> dict[str, Score]:
    """The table for one simulated group."""
    kg = measurements(lifters)[0]
    table = {}
    for name, level in (("best set x Epley", carried(best_set(lifters), 1)), ("moving average", carried(kg, 4))):
        table[name] = judge(lifters, level, change_in_cut(lifters, level), None, None)
    sessions = lift_sessions(lifters)
    for name, revised in (("as known", False), ("revised", True)):
        estimates = estimate_strength(sessions, revised=revised)
        level = np.log(flat(estimates.lifts.one_rep_max_kg.mean))
        for label, threshold in (("P > 0.5", 0.5), ("at the rate", None)):
            lost = flat(estimates.lifts.probability_lost)
            table[f"{name}, {label}"] = judge(lifters, level, lost, threshold, covers(lifters, estimates))
    return table


def lift_sessions(lifters: Lifters) -> LiftSessions:
    """The sessions of a group as the estimator takes them."""
    by_lift = (-1, lifters.lifts, lifters.phase.shape[1])
    kg, sd, exposure = (a.reshape(by_lift) for a in measurements(lifters))
    phase, phase_day = lifters.phase[:: lifters.lifts], lifters.phase_day[:: lifters.lifts]
    return LiftSessions(kg, sd, exposure, phase, phase_day)


def flat(values: Floats) -> Floats:
    """(athletes, lifts, days) as (series, days)."""
    return values.reshape(-1, values.shape[-1])


def covers(lifters: Lifters, estimates: StrengthEstimates) -> Floats:
    """1 where the 90 % interval holds the truth, 0 where not."""
    known, truth = estimates.lifts.one_rep_max_kg, lifters.one_rep_max_kg
    return np.asarray((flat(known.lo) <= truth) & (truth <= flat(known.hi)), dtype=np.float64)


def main() -> None:
    """Print the table for each seed given, 1 without any."""
    for seed in [int(word) for word in sys.argv[1:]] or [1]:
        print(f"seed {seed}: 1RM RMSE %, six-week change RMSE %, coverage, drops found,")
        print("  checks with a drop found, false alarms per check")
        for group, lifters in (("lifters", simulate_lifters(seed)), ("lifters of the world", lifters_of_world(seed))):
            print(f" {group}")
            for name, score in rows(lifters).items():
                print(f"  {name:22s} " + " ".join(f"{value:7.3f}" for value in astuple(score)))


if __name__ == "__main__":
    main()
