"""Moments of the states through a day: phase switch, target, weigh-in, night. Used for the main branch and for the
branch in which a new scale is suspected."""

from dataclasses import dataclass

import numpy as np

from . import estimation_model as m
from . import kalman
from .estimation_model import EXCESS, FLUID, GUT, MAINTENANCE, RESPONSE, SCALE, STATES, TISSUE, TRANSFER, WATER
from .estimation_state import Drift
from .records import Bools, Floats

SURPRISE_SD = 3.0  # a target further off than this is believed less the further off it is
STUDENT_FREEDOM = 4.0  # tails of a weigh-in: clothes, travel, illness
STRAY_SHARE, STRAY_SD_KG = 0.05, 1.5  # the same as a mixture, where a density is needed


@dataclass(frozen=True)
class Sight:
    """A weigh-in as a branch sees it before taking it in; arrays (athletes,)."""

    innovation: Floats
    variance: Floats
    noise: Floats
    along: Floats  # covariance times observation vector, (states, athletes)
    log_density: Floats  # 0 where there is no weigh-in


def switch_phase(mean: Floats, cov: Floats, switch: Bools, reference_kcal: Floats) -> None:
    """A phase begins: activity and water may change more than overnight; in place."""
    cov[MAINTENANCE, MAINTENANCE] += switch * (m.MAINTENANCE_SWITCH_SD * reference_kcal) ** 2
    cov[GUT, GUT] += switch * m.GUT_SWITCH_SD_KG**2
    cov[FLUID, FLUID] += switch * m.FLUID_SWITCH_SD_KG**2
    cov[EXCESS, EXCESS] += switch * m.EXCESS_SWITCH_SD**2


def hear_target(mean: Floats, cov: Floats, implied_kcal: Floats, spread: Floats) -> kalman.Update:
    """Take in what a target says about maintenance (NaN: nothing); in place.

    A target far from what is known says ever less: somebody may have typed it wrong, or means to starve.
    """
    if np.isnan(implied_kcal).all():
        return kalman.no_update(STATES, mean.shape[1])
    h = np.zeros((STATES, mean.shape[1]))
    h[MAINTENANCE] = 1.0
    told = np.where(np.isnan(implied_kcal), mean[MAINTENANCE], implied_kcal)
    variance = (spread * told) ** 2
    total = np.maximum(cov[MAINTENANCE, MAINTENANCE] + variance, 1.0)
    surprise = (told - mean[MAINTENANCE]) ** 2 / (SURPRISE_SD**2 * total)
    return kalman.update(mean, cov, h, implied_kcal, variance + total * np.maximum(surprise - 1.0, 0.0))


def see(mean: Floats, cov: Floats, h: Floats, mass_kg: Floats, noise_scale: Floats, water_variance: Floats) -> Sight:
    """How far a weigh-in is from what the branch expects."""
    noise = m.WEIGHING_SD_KG**2 * noise_scale + (mean[WATER] ** 2 + cov[WATER, WATER]) * water_variance
    innovation = mass_kg - kalman.inner(h, mean)
    along = kalman.project(cov, h)
    variance = kalman.inner(h, along) + noise
    return Sight(innovation, variance, noise, along, _log_density(innovation, variance))


def _log_density(innovation: Floats, variance: Floats) -> Floats:
    wide = variance + STRAY_SD_KG**2
    known = ~np.isnan(innovation)
    square = np.where(known, innovation * innovation, 0.0)
    usual = (1.0 - STRAY_SHARE) * np.exp(-0.5 * square / variance) / np.sqrt(variance)
    stray = STRAY_SHARE * np.exp(-0.5 * square / wide) / np.sqrt(wide)
    return np.asarray(np.where(known, np.log(usual + stray + 1e-4), 0.0))


def weigh(mean: Floats, cov: Floats, h: Floats, mass_kg: Floats, sight: Sight, trusted: Bools) -> kalman.Update:
    """Take in a weigh-in (NaN: none), far ones with less weight unless `trusted`; in place.

    The innovation variance is divided by the weight (ν + 1)/(ν + z²) of Student's t (Lange 1989,
    10.1080/01621459.1989.10478852), at most 1.
    """
    z2 = sight.innovation * sight.innovation / sight.variance
    excess = np.maximum((STUDENT_FREEDOM + np.where(np.isnan(z2), 0.0, z2)) / (STUDENT_FREEDOM + 1.0), 1.0) - 1.0
    noise = sight.noise + sight.variance * np.where(trusted, 0.0, excess)
    return kalman.update(mean, cov, h, mass_kg, noise, sight.along)


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


def carry(cov: Floats, drift: Drift) -> None:
    """Covariance F·P·Fᵀ of the overnight change, in place; F is the identity but for four rows."""
    for rows in (cov, cov.transpose(1, 0, 2)):
        moved = (
            drift.per_transfer * rows[TRANSFER]
            - drift.transfer * rows[MAINTENANCE]
            + drift.transfer * drift.unlogged * rows[EXCESS]
        )
        rows[TISSUE] += moved
        rows[MAINTENANCE] += m.MASS_KCAL_PER_KG * moved + drift.adapted * rows[RESPONSE]
        rows[GUT] *= m.GUT_CORRELATION
        rows[FLUID] *= m.FLUID_CORRELATION


def carry_back(adjoint: Floats, information: Floats, drift: Drift) -> None:
    """Adjoint of `carry`, in place: λ ← Fᵀλ, Λ ← FᵀΛF."""
    for rows in (adjoint, information, information.transpose(1, 0, 2)):
        along = rows[TISSUE] + m.MASS_KCAL_PER_KG * rows[MAINTENANCE]
        rows[TRANSFER] += drift.per_transfer * along
        rows[RESPONSE] += drift.adapted * rows[MAINTENANCE]
        rows[MAINTENANCE] -= drift.transfer * along
        rows[EXCESS] += drift.transfer * drift.unlogged * along
        rows[GUT] *= m.GUT_CORRELATION
        rows[FLUID] *= m.FLUID_CORRELATION
