"""The time update: moments from one morning to the next, x' = f(x, u) + noise, P' = F·P·Fᵀ + Q, and the adjoint of it.

f changes tissue by Δ = c·θ·(intake + excess·unlogged − maintenance) and maintenance by 18·Δ + response·a, a the night's
adaptation in kcal; gut and fluid decay; all else stays. Used for the main hypothesis and the alternative ones.
"""

from dataclasses import dataclass

import numpy as np

from service.domain import kalman
from service.domain.estimation import model as m
from service.domain.estimation.model import EXCESS, FLUID, GUT, MAINTENANCE, RESPONSE, SCALE, TISSUE, TRANSFER, WATER
from service.domain.kalman import Moments
from service.domain.records import Bools, Floats, Ints

SURPLUS_KCAL = 150.0  # kcal/d, of the week's balance: how sharply partition turns from loss to gain; judged
LEAST_MAINTENANCE_KCAL = 600.0  # kcal/d: a guard


@dataclass(frozen=True)
class ControlInput:
    """What the food log puts into a night, u of the state equation; arrays (athletes,)."""

    intake_kcal: Floats
    unlogged_kcal: Floats  # the part of it that nobody wrote down
    intake_variance: Floats
    week_intake_kcal: Floats  # the same as means of the last seven days
    week_unlogged_kcal: Floats
    adaptation_kcal: Floats  # by which maintenance follows intake, per unit of response
    unknown: Bools  # nothing says what was eaten: intake and unlogged part are maintenance


@dataclass(frozen=True)
class Transition:
    """The linearised overnight change: the entries of F − I that are not constant; arrays (athletes,)."""

    base_kg_per_kcal: Floats  # c, partition of loss or gain included
    transfer_kg_per_kcal: Floats  # −∂Δ/∂maintenance = c·θ
    per_transfer_kg: Floats  # ∂Δ/∂θ = c·balance
    per_excess_kg: Floats  # ∂Δ/∂excess = c·θ·unlogged
    adaptation_kcal: Floats  # ∂maintenance'/∂response


@dataclass(frozen=True)
class ProcessNoise:
    """What the variances of a night depend on; arrays (athletes,)."""

    intake_variance: Floats
    reference_kcal: Floats
    noise_scale: Floats  # the athlete's own variance against the usual one
    maintenance_inflation: Floats  # of the variance of maintenance's walk
    unknown: Bools  # nothing says what was eaten


def linearise(
    mean: Floats, control: ControlInput, loss_kg_per_kcal: Floats, gain_ratio: Floats
) -> tuple[Transition, Floats]:
    """The transition of the coming night at `mean` (states, athletes), and Δ, the tissue change itself, in kg.

    Partition goes by the week's mean balance b: c = loss·(1 + (gain/loss − 1)·½(1 + b/√(b² + 150²))). Where nothing
    says what is eaten, the balance is excess·maintenance: tissue says nothing about maintenance and θ, nor they of it.
    """
    excess, maintenance = mean[EXCESS], mean[MAINTENANCE]
    week = control.week_intake_kcal + control.week_unlogged_kcal * excess - maintenance
    surplus = 0.5 * (1.0 + week / np.sqrt(week * week + SURPLUS_KCAL**2))
    base = loss_kg_per_kcal * (1.0 + (gain_ratio - 1.0) * surplus)
    balance = control.intake_kcal + control.unlogged_kcal * excess - maintenance
    transfer = base * mean[TRANSFER]
    by_maintenance, by_transfer = transfer, base * balance
    unknown = control.unknown
    if unknown.any():
        balance, transfer = (
            np.where(unknown, control.unlogged_kcal * excess, balance),
            np.where(unknown, base, transfer),
        )
        by_maintenance, by_transfer = np.where(unknown, 0.0, by_maintenance), np.where(unknown, 0.0, by_transfer)
    by_excess = transfer * control.unlogged_kcal
    return Transition(base, by_maintenance, by_transfer, by_excess, control.adaptation_kcal), transfer * balance


def propagate(moments: Moments, transition: Transition, change_kg: Floats, noise: ProcessNoise) -> None:
    """Move moments on to the next morning, in place; `change_kg` is the night's change of tissue."""
    mean, cov = moments.mean, moments.cov
    mean[TISSUE] += change_kg
    mean[MAINTENANCE] = np.maximum(
        mean[MAINTENANCE] + m.MASS_KCAL_PER_KG * change_kg + transition.adaptation_kcal * mean[RESPONSE],
        LEAST_MAINTENANCE_KCAL,
    )
    mean[GUT] *= m.GUT_CORRELATION
    mean[FLUID] *= m.FLUID_CORRELATION
    propagate_covariance(cov, transition)
    add_process_noise(cov, transition, noise)


def propagate_covariance(cov: Floats, transition: Transition) -> None:
    """F·P·Fᵀ of the overnight change, in place, upper triangle; F is the identity but for four rows.

    With D = F − I for the two rows that mix states: F·P·Fᵀ = P + D·P + (D·P)ᵀ + D·P·Dᵀ, row by row.
    """
    mixed = (TRANSFER, MAINTENANCE, EXCESS)
    tissue = _tissue_change(transition, {state: kalman.with_state(cov, state) for state in mixed})
    maintenance = m.MASS_KCAL_PER_KG * tissue + transition.adaptation_kcal * kalman.with_state(cov, RESPONSE)
    both = _tissue_change(transition, {state: maintenance[state] for state in mixed})
    cov[TISSUE, TISSUE] += tissue[TISSUE] + _tissue_change(transition, tissue)
    cov[TISSUE, MAINTENANCE] += both
    cov[MAINTENANCE, MAINTENANCE] += (
        maintenance[MAINTENANCE] + m.MASS_KCAL_PER_KG * both + transition.adaptation_kcal * maintenance[RESPONSE]
    )
    for state, change in ((TISSUE, tissue), (MAINTENANCE, maintenance)):
        cov[:state, state] += change[:state]
        cov[state, state:] += change[state:]
    for state, kept in ((GUT, m.GUT_CORRELATION), (FLUID, m.FLUID_CORRELATION)):
        cov[: state + 1, state] *= kept
        cov[state, state:] *= kept


def _tissue_change(transition: Transition, along: Floats | dict[int, Floats]) -> Floats:
    """∂Δ·x of vectors or covariances by state."""
    change = transition.per_transfer_kg * along[TRANSFER]
    change -= transition.transfer_kg_per_kcal * along[MAINTENANCE]
    change += transition.per_excess_kg * along[EXCESS]
    return change


def add_process_noise(cov: Floats, transition: Transition, noise: ProcessNoise) -> None:
    """P + Q of a night, in place. A stationary state of variance σ² and correlation φ gains σ²(1 − φ²)."""
    cov[TISSUE, TISSUE] += m.TISSUE_SD_KG**2 + transition.transfer_kg_per_kcal**2 * noise.intake_variance
    cov[MAINTENANCE, MAINTENANCE] += (m.MAINTENANCE_SD * noise.reference_kcal) ** 2 * noise.maintenance_inflation
    cov[EXCESS, EXCESS] += m.EXCESS_DAILY_SD**2
    cov[WATER, WATER] += m.WATER_DAILY_SD_KG**2
    cov[SCALE, SCALE] += m.SCALE_DAILY_SD_KG**2
    cov[FLUID, FLUID] += m.FLUID_SD_KG**2 * (1.0 - m.FLUID_CORRELATION**2) * noise.noise_scale
    cov[GUT, GUT] += m.GUT_SD_KG**2 * (1.0 - m.GUT_CORRELATION**2) * noise.noise_scale
    if noise.unknown.any():
        unknown = np.flatnonzero(noise.unknown)
        cov[TISSUE, TISSUE, unknown] += transition.base_kg_per_kcal[unknown] ** 2 * noise.intake_variance[unknown]
        cov[EXCESS, EXCESS, unknown] += m.UNKNOWN_DAILY_SD**2


def inflate_at_phase_switch(cov: Floats, rows: Ints, reference_kcal: Floats) -> None:
    """More process noise for the athletes `rows`, whose phase begins, in place: activity, water and logging change."""
    cov[MAINTENANCE, MAINTENANCE, rows] += (m.MAINTENANCE_SWITCH_SD * reference_kcal[rows]) ** 2
    cov[GUT, GUT, rows] += m.GUT_SWITCH_SD_KG**2
    cov[FLUID, FLUID, rows] += m.FLUID_SWITCH_SD_KG**2
    cov[EXCESS, EXCESS, rows] += m.EXCESS_SWITCH_SD**2


def propagate_adjoint(adjoint: Floats, information: Floats, transition: Transition) -> None:
    """Adjoint of `propagate`, in place: λ ← Fᵀλ, Λ ← FᵀΛF."""
    for rows in (adjoint, information, information.transpose(1, 0, 2)):
        along = rows[TISSUE] + m.MASS_KCAL_PER_KG * rows[MAINTENANCE]
        rows[TRANSFER] += transition.per_transfer_kg * along
        rows[RESPONSE] += transition.adaptation_kcal * rows[MAINTENANCE]
        rows[MAINTENANCE] -= transition.transfer_kg_per_kcal * along
        rows[EXCESS] += transition.per_excess_kg * along
        rows[GUT] *= m.GUT_CORRELATION
        rows[FLUID] *= m.FLUID_CORRELATION
