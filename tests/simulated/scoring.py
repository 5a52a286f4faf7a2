"""Scores of estimates against a simulated world whose truth is known: the goals table, intervals, detection.

The world is `service.demo.world`, whose code shares nothing with the estimator. "Trend" is the mean of the last seven
mornings' noise-free mass; "scale rate" its change over seven days. Weekly values are those of the last day of each
week; the first week is not scored.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np

from service.demo.records import World
from service.domain.normal import density, tail
from service.domain.records import Athletes, DailyLog, Estimate, Floats, PhaseKind

Z90 = 1.6448536269514722
HARMLESS_ALARMS = 0.02  # false alarms per athlete-week at which detection is compared


@dataclass(frozen=True)
class Method:
    """What a method says; every array (athletes, days). An absent spread is NaN."""

    name: str
    average_mass_kg: Estimate
    rate_pct_per_week: Estimate
    tissue_rate_pct_per_week: Estimate
    maintenance_kcal: Estimate
    energy_requirement_kcal: Estimate
    too_fast: Floats  # any score that rises with the chance of a loss over 1 % a week
    not_in_deficit: Floats


@dataclass(frozen=True)
class Truth:
    """What is true, in the terms of `Method`."""

    average_mass_kg: Floats
    rate_pct_per_week: Floats
    tissue_rate_pct_per_week: Floats
    maintenance_kcal: Floats
    energy_requirement_kcal: Floats
    deficit_share: Floats  # of the last 14 days' maintenance
    abandoned: Floats


QUANTITIES = (
    "maintenance_kcal",
    "energy_requirement_kcal",
    "average_mass_kg",
    "tissue_rate_pct_per_week",
    "rate_pct_per_week",
)


def inputs(world: World) -> tuple[Athletes, DailyLog]:
    """What the estimator is fed of a world."""
    return (
        Athletes(**{f.name: getattr(world.profile, f.name) for f in fields(Athletes)}),
        DailyLog(**{f.name: getattr(world.log, f.name) for f in fields(DailyLog)}),
    )


def last_days(values: Floats, days: int) -> Floats:
    """Mean of each day and those before it, `days` in all; NaN until there are as many."""
    sums = np.cumsum(np.concatenate([np.zeros((len(values), 1)), values], axis=1), axis=1)
    out = np.full(values.shape, np.nan)
    out[:, days - 1 :] = (sums[:, days:] - sums[:, :-days]) / days
    return out


def truth_of(world: World) -> Truth:
    """The truth of a world in the terms of `Method`."""
    t = world.truth
    trend = last_days(t.noise_free_mass_kg, 7)
    rate = np.full(trend.shape, np.nan)
    rate[:, 7:] = 100 * (trend[:, 7:] - trend[:, :-7]) / t.tissue_mass_kg[:, 7:]
    return Truth(
        average_mass_kg=trend,
        rate_pct_per_week=rate,
        tissue_rate_pct_per_week=t.tissue_rate_pct_per_week,
        maintenance_kcal=t.maintenance_logged_kcal,
        energy_requirement_kcal=t.maintenance_kcal,
        deficit_share=1 - last_days(t.intake_kcal, 14) / last_days(t.maintenance_kcal, 14),
        abandoned=t.abandoned.astype(float),
    )


def weeks(days: int) -> np.ndarray:
    """The last days of the scored weeks: 2, 3, …"""
    return np.arange(13, days, 7)


def crps(estimate: Estimate, truth: Floats) -> Floats:
    """Continuous ranked probability score of normal forecasts (Gneiting, Raftery 2007, 10.1198/016214506000001437)."""
    z = (truth - estimate.mean) / estimate.sd
    return estimate.sd * (z * (2 * (1 - tail(z)) - 1) + 2 * density(z) - 1 / np.sqrt(np.pi))


def interval_score(estimate: Estimate, truth: Floats) -> Floats:
    """Score of central 90 % intervals: width plus 2/0.1 times what they miss by (same source)."""
    miss = np.maximum(estimate.lo - truth, 0) + np.maximum(truth - estimate.hi, 0)
    return estimate.hi - estimate.lo + 20 * miss


def held(estimate: Estimate, truth: Floats) -> Floats:
    """1 where the 90 % interval holds the truth, 0 where not, NaN where either is unknown."""
    inside = ((estimate.lo <= truth) & (truth <= estimate.hi)).astype(float)
    return np.where(np.isnan(truth) | np.isnan(estimate.lo), np.nan, inside)


def accuracy(method: Method, truth: Truth, log: DailyLog) -> dict[str, float]:
    """Errors of the goals table."""
    week = weeks(log.mass_kg.shape[1])
    result: dict[str, float] = {}
    wrong = np.abs(method.maintenance_kcal.mean - truth.maintenance_kcal)
    for number in (2, 3, 4, 8):
        result[f"maintenance MAE, week {number}"] = float(np.nanmean(wrong[:, 7 * number - 1]))
    result["maintenance MAE, weeks 12 on"] = float(np.nanmean(wrong[:, week[10:]]))
    spent = np.abs(method.energy_requirement_kcal.mean - truth.energy_requirement_kcal)[:, week]
    result["expenditure MAE"] = float(np.nanmean(spent))
    for name in ("average_mass_kg", "tissue_rate_pct_per_week", "rate_pct_per_week"):
        miss = (getattr(method, name).mean - getattr(truth, name))[:, week]
        result[f"{name} RMSE"] = float(np.sqrt(np.nanmean(miss**2)))
    first = (log.phase_day[:, week] <= 7) & (week >= 20)
    result["rate_pct_per_week RMSE, first week of a phase"] = float(np.sqrt(np.nanmean(miss[first] ** 2)))
    return result


def proper(method: Method, truth: Truth, days: int) -> dict[str, float]:
    """Mean CRPS by quantity."""
    week = weeks(days)
    result = {}
    for name in QUANTITIES:
        score = crps(getattr(method, name), getattr(truth, name))[:, week]
        result[name] = np.nan if np.isnan(score).all() else float(np.nanmean(score))
    return result


def groups(log: DailyLog) -> Iterator[tuple[str, str, np.ndarray]]:
    """Kind, name and mask (athletes, weeks) of the groups in which intervals must hold."""
    week = weeks(log.mass_kg.shape[1])
    phase, phase_day = log.phase[:, week], log.phase_day[:, week]
    everything = np.ones(phase.shape, dtype=bool)
    yield "all", "all", everything
    for kind in (PhaseKind.BUILD, PhaseKind.CUT, PhaseKind.MAINTAIN):
        yield "phase", kind.name.lower(), phase == kind
    for number in (1, 2, 3, 4, 5):
        yield "week of the phase", str(number), (phase_day > 7 * number - 7) & (phase_day <= 7 * number)
    missing = np.isnan(log.mass_kg).mean(axis=1) + np.isnan(log.intake_kcal).mean(axis=1)
    low, high = np.quantile(missing, [1 / 3, 2 / 3])
    for name, mask in (
        ("least", missing <= low),
        ("middle", (missing > low) & (missing <= high)),
        ("most", missing > high),
    ):
        yield "missing data", name, everything & mask[:, None]


def coverage(method: Method, truth: Truth, log: DailyLog) -> dict[str, dict[tuple[str, str], float]]:
    """Share of 90 % intervals that hold, by quantity and group."""
    week = weeks(log.mass_kg.shape[1])
    result: dict[str, dict[tuple[str, str], float]] = {}
    for name in QUANTITIES:
        inside = held(getattr(method, name), getattr(truth, name))[:, week]
        result[name] = {(kind, group): float(np.nanmean(inside[mask])) for kind, group, mask in groups(log)}
    return result


def _spells(flag: np.ndarray, least: int) -> list[tuple[int, int, int]]:
    found = []
    for row, values in enumerate(flag):
        edges = np.flatnonzero(np.diff(np.concatenate([[False], values, [False]])))
        found += [(row, a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= least]
    return found


def detection(score: Floats, event: np.ndarray, clear: np.ndarray) -> tuple[float, float, int]:
    """Share of spells of `event` (7 days and more) found, mean delay in days, and how many there were.

    An alarm is a score over the lowest threshold at which at most 2 % of the weeks that are `clear` throughout have
    one; it counts within 28 days of a spell's begin and up to three days after its end.
    """
    score = np.where(np.isnan(score), -np.inf, score)
    whole = clear.shape[1] // 7 * 7
    blocks = (clear.shape[0], whole // 7, 7)
    quiet = clear[:, :whole].reshape(blocks).all(axis=2)
    peaks = np.sort(score[:, :whole].reshape(blocks).max(axis=2)[quiet])
    threshold = peaks[int(np.ceil((1 - HARMLESS_ALARMS) * len(peaks))) - 1]
    spells = _spells(event, 7)
    delays = []
    for row, begin, end in spells:
        hits = np.flatnonzero(score[row, begin : min(end + 3, begin + 28)] > threshold)
        delays += [int(hits[0])] if hits.size else []
    return len(delays) / max(len(spells), 1), float(np.mean(delays)) if delays else np.nan, len(spells)


def alarms(method: Method, truth: Truth, log: DailyLog) -> dict[str, tuple[float, float, int]]:
    """Detection of losses over 1 % a week, and of cuts that are given up."""
    known = np.arange(log.mass_kg.shape[1]) >= 14
    rate = np.nan_to_num(truth.tissue_rate_pct_per_week)
    fast = (rate < -1.0) & known
    cut = (log.phase == PhaseKind.CUT) & (log.phase_day > 7) & known
    given_up = (truth.abandoned > 0) & cut
    in_deficit = cut & (truth.abandoned == 0) & (np.nan_to_num(truth.deficit_share) > 0.05)
    return {
        "loss over 1 % a week": detection(method.too_fast, fast, (rate > -0.9) & known),
        "cut given up": detection(np.where(cut, method.not_in_deficit, np.nan), given_up, in_deficit),
    }
