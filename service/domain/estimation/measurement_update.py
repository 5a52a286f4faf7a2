"""The measurement update: a weigh-in against what a hypothesis expects, and conditioning on weigh-ins and on targets.

A weigh-in is tissue + w·water + fluid + gut + scale + rhythms + noise. Used for the main hypothesis and the alternative
ones.
"""

from dataclasses import dataclass

import numpy as np

from service.domain import kalman
from service.domain.estimation import model as m
from service.domain.estimation.cycle import Cycle, rhythm
from service.domain.estimation.day import Day
from service.domain.estimation.model import (
    CYCLE_COS,
    CYCLE_SIN,
    FLUID,
    GUT,
    MAINTENANCE,
    SCALE,
    TISSUE,
    WATER,
    WEEK_COS,
    WEEK_SIN,
)
from service.domain.estimation.recent import WEEK
from service.domain.kalman import Moments, Row
from service.domain.records import Bools, Floats, Ints, replaced, take

TARGET_BELIEVED_SD = 3.0  # standard deviations: a target further off is believed less the further off it is; judged
STUDENT_FREEDOM = 4.0  # degrees of freedom of a weigh-in's tails: clothes, travel, illness; judged
STRAY_SHARE, STRAY_SD_KG = 0.05, 1.5  # share and kg: the same as a mixture, where a density is needed; judged
STRAY_LEAST = 1e-4  # density, per kg, that a weigh-in has at least; judged


@dataclass(frozen=True)
class Innovation:
    """A weigh-in against what a hypothesis expects of it; arrays (athletes,), NaN where nobody weighed in."""

    mass_kg: Floats
    kg: Floats  # v = mass − h·x
    variance: Floats  # S = h·P·h + noise
    along: Floats  # P·h, covariances of the weigh-in with the states, (states, athletes)
    row: Row  # h, what a weigh-in shows of the states

    def widen(self, cov: Floats, state: int, rows: Ints) -> None:
        """Let a state that the weigh-in shows whole be what it says, of some athletes; also in `cov`, in place."""
        variance = self.kg[rows] ** 2
        cov[state, state, rows] += variance
        self.along[state, rows] += variance
        self.variance[rows] += variance


def weigh_in_row(date: np.datetime64, water: Floats, cycle: Cycle, size: int) -> Row:
    """What a weigh-in shows of the first `size` states, which are in use; `water` as it follows intake."""
    weekday = 2.0 * np.pi * (float((date.astype(np.int64) + 3) % WEEK) - 6.5) / WEEK
    row: dict[int, Floats | float] = {TISSUE: 1.0, WATER: water, FLUID: 1.0, GUT: 1.0, SCALE: 1.0}
    row |= {WEEK_COS: float(np.cos(weekday)), WEEK_SIN: float(np.sin(weekday))}
    if size > min(CYCLE_COS, CYCLE_SIN):
        row[CYCLE_COS], row[CYCLE_SIN] = rhythm(cycle.day, cycle.length_days)
    return {state: coefficient for state, coefficient in row.items() if state < size}


def innovation_of(
    moments: Moments, row: Row, mass_kg: Floats, noise_scale: Floats, water_variance: Floats
) -> Innovation:
    """How far weigh-ins are from what is expected: v = mass − h·x, S = h·P·h + R.

    R = 0.28² kg²·noise scale + (water gain² + its variance)·var w, the driver of water being uncertain too.
    """
    mean, cov = moments.mean, moments.cov
    noise = m.WEIGHING_SD_KG**2 * noise_scale + (mean[WATER] ** 2 + cov[WATER, WATER]) * water_variance
    along = kalman.project(cov, row)
    return Innovation(mass_kg, mass_kg - kalman.inner(mean, row), kalman.inner(along, row) + noise, along, row)


def log_density(innovation_kg: Floats, variance: Floats) -> Floats:
    """Log density of a weigh-in, up to a constant, as a mixture of usual and stray ones; 0 where NaN.

    log(0.95·N(v; S) + 0.05·N(v; S + 1.5²) + 10⁻⁴), without the factor 1/√2π.
    """
    wide = variance + STRAY_SD_KG**2
    known = ~np.isnan(innovation_kg)
    square = np.where(known, innovation_kg * innovation_kg, 0.0)
    usual = (1.0 - STRAY_SHARE) * np.exp(-0.5 * square / variance) / np.sqrt(variance)
    stray = STRAY_SHARE * np.exp(-0.5 * square / wide) / np.sqrt(wide)
    return np.asarray(np.where(known, np.log(usual + stray + STRAY_LEAST), 0.0))


def condition_on_weigh_ins(
    moments: Moments, innovation: Innovation, accepted: Bools, believed: Ints, *, traced: bool
) -> kalman.Update | None:
    """Condition on the `accepted` weigh-ins, far ones with less weight unless `believed`; in place.

    S is divided by the weight (ν + 1)/(ν + v²/S) of Student's t (Lange 1989, 10.1080/01621459.1989.10478852), at most
    1. Returns the update if it is `traced`, for the smoother.
    """
    innovation_kg = np.where(accepted, innovation.kg, 0.0)
    z2 = innovation_kg * innovation_kg / innovation.variance
    wider = np.maximum((STUDENT_FREEDOM + z2) / (STUDENT_FREEDOM + 1.0), 1.0)
    wider[believed] = 1.0
    variance = innovation.variance * wider
    gain = kalman.condition(moments.mean, moments.cov, innovation.along, innovation_kg, accepted / variance)
    if not traced:
        return None
    h = kalman.dense(innovation.row, moments.mean.shape) * accepted
    return kalman.Update(innovation_kg, np.where(accepted, variance, 1.0), gain, h)


@dataclass(frozen=True)
class TargetReadings:
    """What the day's new targets say about maintenance, and what the main hypothesis made of it."""

    implied_kcal: Floats  # (athletes,), NaN: nothing new
    spread: Floats  # (athletes,), relative
    rows: Ints  # whose target says something
    update: kalman.Update  # the main hypothesis', of `rows`


def implied_maintenance(day: Day, started: Bools, last_target_kcal: Floats) -> tuple[Floats, Floats]:
    """Maintenance that a new phase's target implies, kcal (NaN: nothing new), and its relative spread.

    Target over 1 + the share that phases of its kind usually intend; later targets than the first say less.
    """
    first = np.isnan(last_target_kcal)
    new = started & ~np.isnan(day.target_kcal) & (first | (day.phase_day == 1))
    implied, spread = np.full(new.shape, np.nan), np.ones(new.shape)
    rows = np.flatnonzero(new)
    if rows.size:
        phase = day.phase[rows]
        implied[rows] = day.target_kcal[rows] / (1.0 + m.phase_value(m.PHASE_SHARE, phase))
        spread[rows] = m.phase_value(m.TARGET_SD, phase) * np.where(first[rows], 1.0, m.LATER_TARGET_WIDENING)
    return implied, spread


def condition_on_targets(moments: Moments, implied_kcal: Floats, spread: Floats) -> TargetReadings:
    """Condition the main hypothesis on what targets say about maintenance (NaN: nothing); in place."""
    rows = np.flatnonzero(~np.isnan(implied_kcal))
    update = _condition_on_some(moments, rows, implied_kcal[rows], spread[rows])
    return TargetReadings(implied_kcal, spread, rows, update)


def condition_alternatives_on_targets(
    moments: Moments, readings: TargetReadings, rows: Ints, begun: Bools, *, traced: bool
) -> kalman.Update | None:
    """Condition the alternative hypotheses of the athletes `rows` too, in place.

    Those `begun` today are copies of a main one that took the target in. Returns the updates of all of them if they are
    `traced`, for the smoother.
    """
    known = ~np.isnan(readings.implied_kcal[rows])
    here = np.flatnonzero(known & ~begun)
    update = _condition_on_some(moments, here, readings.implied_kcal[rows[here]], readings.spread[rows[here]])
    if not traced:
        return None
    copied = np.flatnonzero(known & begun)
    of_main = take(readings.update, np.searchsorted(readings.rows, rows[copied]))
    return replaced(kalman.spread_out(update, here, rows.size), copied, of_main)


def _condition_on_some(moments: Moments, rows: Ints, implied_kcal: Floats, spread: Floats) -> kalman.Update:
    """The update of some athletes, who are few on most days; a target far from what is known says ever less.

    Noise = (spread·implied)² + S·max(v²/(9·S) − 1, 0): somebody may have typed it wrong, or means to starve.
    """
    if not rows.size:
        return kalman.no_update(moments.mean.shape[0], 0)
    some = moments.of(rows)
    variance = (spread * implied_kcal) ** 2
    total = np.maximum(some.cov[MAINTENANCE, MAINTENANCE] + variance, 1.0)
    distance = (implied_kcal - some.mean[MAINTENANCE]) ** 2 / (TARGET_BELIEVED_SD**2 * total)
    noise = variance + total * np.maximum(distance - 1.0, 0.0)
    done = kalman.update(some.mean, some.cov, {MAINTENANCE: 1.0}, implied_kcal, noise)
    moments.put(rows, some)
    return done
