"""Moments of the states through a day: phase switch, target, weigh-in, night. Used for the main branch and for the
branch in which a new scale is suspected."""

from dataclasses import dataclass, fields

import numpy as np

from service.domain import kalman
from service.domain.estimation import model as m
from service.domain.estimation.model import EXCESS, FLUID, GUT, MAINTENANCE, RESPONSE, SCALE, TISSUE, TRANSFER, WATER
from service.domain.estimation.state import Drift
from service.domain.records import Bools, Floats, Ints

SURPRISE_SD = 3.0  # a target further off than this is believed less the further off it is
STUDENT_FREEDOM = 4.0  # tails of a weigh-in: clothes, travel, illness
STRAY_SHARE, STRAY_SD_KG = 0.05, 1.5  # the same as a mixture, where a density is needed


@dataclass(frozen=True)
class Sight:
    """A weigh-in as a branch sees it before taking it in; arrays (athletes,)."""

    mass_kg: Floats  # NaN where there is no weigh-in
    innovation: Floats  # likewise
    variance: Floats
    along: Floats  # covariances of the weigh-in with the states, (states, athletes)
    row: kalman.Row

    def widen(self, cov: Floats, state: int, rows: Ints) -> None:
        """Let a state that the weigh-in shows whole be what it says, of some athletes; also in `cov`, in place."""
        variance = self.innovation[rows] ** 2
        cov[state, state, rows] += variance
        self.along[state, rows] += variance
        self.variance[rows] += variance


def switch_phase(cov: Floats, switch: Ints, reference_kcal: Floats) -> None:
    """A phase begins for the athletes `switch`: activity and water may change more than overnight; in place."""
    cov[MAINTENANCE, MAINTENANCE, switch] += (m.MAINTENANCE_SWITCH_SD * reference_kcal[switch]) ** 2
    cov[GUT, GUT, switch] += m.GUT_SWITCH_SD_KG**2
    cov[FLUID, FLUID, switch] += m.FLUID_SWITCH_SD_KG**2
    cov[EXCESS, EXCESS, switch] += m.EXCESS_SWITCH_SD**2


@dataclass(frozen=True)
class Told:
    """What targets say about maintenance on a morning, and what the main branch made of it."""

    implied_kcal: Floats  # (athletes,), NaN: nothing new
    spread: Floats  # (athletes,), relative
    rows: Ints  # who was told something
    update: kalman.Update  # the main branch's, of `rows`

    def to_others(self, mean: Floats, cov: Floats, rows: Ints, fresh: Bools, *, traced: bool) -> kalman.Update | None:
        """Tell the other branches of `rows` too, in place; `fresh` ones are copies of a main branch that knows.

        Returns the updates of all of them if they are `traced`, for the smoother.
        """
        known = ~np.isnan(self.implied_kcal[rows])
        here = np.flatnonzero(known & ~fresh)
        heard = _hear(mean, cov, here, self.implied_kcal[rows[here]], self.spread[rows[here]])
        if not traced:
            return None
        copied = np.flatnonzero(known & fresh)
        theirs = kalman.pick(self.update, np.searchsorted(self.rows, rows[copied]))
        return kalman.put(kalman.spread_out(heard, here, rows.size), copied, theirs)


def hear_target(mean: Floats, cov: Floats, implied_kcal: Floats, spread: Floats) -> Told:
    """Take in what targets say about maintenance (NaN: nothing), with a relative spread; in place."""
    rows = np.flatnonzero(~np.isnan(implied_kcal))
    return Told(implied_kcal, spread, rows, _hear(mean, cov, rows, implied_kcal[rows], spread[rows]))


def _hear(mean: Floats, cov: Floats, rows: Ints, implied_kcal: Floats, spread: Floats) -> kalman.Update:
    """The update of some athletes, who are few on most days; a target far from what is known says ever less.

    Somebody may have typed it wrong, or means to starve.
    """
    if not rows.size:
        return kalman.no_update(mean.shape[0], 0)
    some_mean, some_cov = np.take(mean, rows, axis=1), kalman.some(cov, rows)
    variance = (spread * implied_kcal) ** 2
    total = np.maximum(some_cov[MAINTENANCE, MAINTENANCE] + variance, 1.0)
    surprise = (implied_kcal - some_mean[MAINTENANCE]) ** 2 / (SURPRISE_SD**2 * total)
    noise = variance + total * np.maximum(surprise - 1.0, 0.0)
    done = kalman.update(some_mean, some_cov, {MAINTENANCE: 1.0}, implied_kcal, noise)
    mean[:, rows] = some_mean
    kalman.put_some(cov, rows, some_cov)
    return done


def see(
    mean: Floats, cov: Floats, row: kalman.Row, mass_kg: Floats, noise_scale: Floats, water_variance: Floats
) -> Sight:
    """How far a weigh-in is from what the branch expects."""
    noise = m.WEIGHING_SD_KG**2 * noise_scale + (mean[WATER] ** 2 + cov[WATER, WATER]) * water_variance
    along = kalman.project(cov, row)
    return Sight(mass_kg, mass_kg - kalman.inner(mean, row), kalman.inner(along, row) + noise, along, row)


def log_density(innovation: Floats, variance: Floats) -> Floats:
    """Log density of a weigh-in, up to a constant, as a mixture of usual and stray ones; 0 without one."""
    wide = variance + STRAY_SD_KG**2
    known = ~np.isnan(innovation)
    square = np.where(known, innovation * innovation, 0.0)
    usual = (1.0 - STRAY_SHARE) * np.exp(-0.5 * square / variance) / np.sqrt(variance)
    stray = STRAY_SHARE * np.exp(-0.5 * square / wide) / np.sqrt(wide)
    return np.asarray(np.where(known, np.log(usual + stray + 1e-4), 0.0))


def weigh(mean: Floats, cov: Floats, sight: Sight, used: Bools, trusted: Ints, *, traced: bool) -> kalman.Update | None:
    """Take in the `used` weigh-ins, far ones with less weight unless `trusted`; in place.

    The innovation variance is divided by the weight (ν + 1)/(ν + z²) of Student's t (Lange 1989,
    10.1080/01621459.1989.10478852), at most 1. Returns the update if it is `traced`, for the smoother.
    """
    innovation = np.where(used, sight.innovation, 0.0)
    z2 = innovation * innovation / sight.variance
    wider = np.maximum((STUDENT_FREEDOM + z2) / (STUDENT_FREEDOM + 1.0), 1.0)
    wider[trusted] = 1.0
    spread = sight.variance * wider
    gain = kalman.condition(mean, cov, sight.along, innovation, used / spread)
    if not traced:
        return None
    return kalman.Update(innovation, np.where(used, spread, 1.0), gain, kalman.dense(sight.row, mean.shape) * used)


def sleep(mean: Floats, cov: Floats, drift: Drift, change_kg: Floats, spread: "Spread") -> None:
    """Move moments on to the next morning, in place."""
    mean[TISSUE] += change_kg
    mean[MAINTENANCE] = np.maximum(
        mean[MAINTENANCE] + m.MASS_KCAL_PER_KG * change_kg + drift.adapted * mean[RESPONSE], 600.0
    )
    mean[GUT] *= m.GUT_CORRELATION
    mean[FLUID] *= m.FLUID_CORRELATION
    carry(cov, drift)
    cov[TISSUE, TISSUE] += m.TISSUE_SD_KG**2 + drift.transfer**2 * spread.intake_variance
    cov[MAINTENANCE, MAINTENANCE] += (m.MAINTENANCE_SD * spread.reference_kcal) ** 2 * spread.unrest
    cov[EXCESS, EXCESS] += m.EXCESS_DAILY_SD**2
    cov[WATER, WATER] += m.WATER_DAILY_SD_KG**2
    cov[SCALE, SCALE] += m.SCALE_DAILY_SD_KG**2
    cov[FLUID, FLUID] += m.FLUID_SD_KG**2 * (1.0 - m.FLUID_CORRELATION**2) * spread.noise_scale
    cov[GUT, GUT] += m.GUT_SD_KG**2 * (1.0 - m.GUT_CORRELATION**2) * spread.noise_scale


@dataclass(frozen=True)
class Spread:
    """What widens the moments overnight; arrays (athletes,)."""

    intake_variance: Floats
    reference_kcal: Floats
    noise_scale: Floats
    unrest: Floats  # variance of maintenance's walk against the usual one

    def of(self, rows: Ints) -> "Spread":
        """That of some athletes."""
        return Spread(**{f.name: getattr(self, f.name)[rows] for f in fields(Spread)})


def carry(cov: Floats, drift: Drift) -> None:
    """Covariance F·P·Fᵀ of the overnight change, in place, upper triangle; F is the identity but for four rows.

    With D = F − I for the two rows that mix states: F·P·Fᵀ = P + D·P + (D·P)ᵀ + D·P·Dᵀ, row by row.
    """
    tissue = _tissue_change(drift, {state: kalman.with_state(cov, state) for state in (TRANSFER, MAINTENANCE, EXCESS)})
    maintenance = m.MASS_KCAL_PER_KG * tissue + drift.adapted * kalman.with_state(cov, RESPONSE)
    both = _tissue_change(drift, {state: maintenance[state] for state in (TRANSFER, MAINTENANCE, EXCESS)})
    cov[TISSUE, TISSUE] += tissue[TISSUE] + _tissue_change(drift, tissue)
    cov[TISSUE, MAINTENANCE] += both
    cov[MAINTENANCE, MAINTENANCE] += (
        maintenance[MAINTENANCE] + m.MASS_KCAL_PER_KG * both + drift.adapted * maintenance[RESPONSE]
    )
    for state, change in ((TISSUE, tissue), (MAINTENANCE, maintenance)):
        cov[:state, state] += change[:state]
        cov[state, state:] += change[state:]
    for state, kept in ((GUT, m.GUT_CORRELATION), (FLUID, m.FLUID_CORRELATION)):
        cov[: state + 1, state] *= kept
        cov[state, state:] *= kept


def _tissue_change(drift: Drift, along: Floats | dict[int, Floats]) -> Floats:
    """The linearised tissue change of a night, of vectors or covariances by state."""
    change = drift.per_transfer * along[TRANSFER]
    change -= drift.transfer * along[MAINTENANCE]
    change += drift.per_excess * along[EXCESS]
    return change


def carry_back(adjoint: Floats, information: Floats, drift: Drift) -> None:
    """Adjoint of `carry`, in place: λ ← Fᵀλ, Λ ← FᵀΛF."""
    for rows in (adjoint, information, information.transpose(1, 0, 2)):
        along = rows[TISSUE] + m.MASS_KCAL_PER_KG * rows[MAINTENANCE]
        rows[TRANSFER] += drift.per_transfer * along
        rows[RESPONSE] += drift.adapted * rows[MAINTENANCE]
        rows[MAINTENANCE] -= drift.transfer * along
        rows[EXCESS] += drift.per_excess * along
        rows[GUT] *= m.GUT_CORRELATION
        rows[FLUID] *= m.FLUID_CORRELATION
