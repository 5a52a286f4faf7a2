"""Where an athlete starts: moments on the day of the first weigh-in, from profile, weigh-in, body fat and target."""

from dataclasses import dataclass, field

import numpy as np

from service.domain.estimation import model as m
from service.domain.estimation.cycle import may_cycle
from service.domain.estimation.initial import initially
from service.domain.estimation.model import (
    CYCLE_COS,
    CYCLE_SIN,
    EXCESS,
    FLUID,
    GUT,
    MAINTENANCE,
    RESPONSE,
    STATES,
    TISSUE,
    TRANSFER,
    WATER,
    WEEK_COS,
    WEEK_SIN,
)
from service.domain.kalman import Moments
from service.domain.physiology import composition, energy
from service.domain.records import Bools, Floats, Ints

PLAUSIBLE_MASS_INDEX = (11.0, 75.0)  # kg/m²: a first weigh-in beyond is not believed, as in `plausibility`
TISSUE_SD_WEIGHED_KG = 1.5  # kg, of tissue mass after a first weigh-in: water and gut; judged
LEAST_FAT_SHARE = 0.03  # of mass: essential fat (common practice, no source)
LEAST_REFERENCE_KCAL = 800.0  # kcal/d: a guard
FAT_MEN_PCT, FAT_WOMEN_PCT = (6.0, 40.0), (12.0, 48.0)  # %, bounds of what the regression is believed; judged


@dataclass(frozen=True)
class Start:
    """What is known on an athlete's first day; arrays (athletes,). NaN where unknown, `target_kcal` included."""

    male: Bools
    age_y: Floats
    height_cm: Floats
    activity_factor: Floats
    mass_kg: Floats
    body_fat_pct: Floats
    body_fat_se_pct: Floats
    target_kcal: Floats
    phase: Ints
    logs_food: Bools
    cycle: Ints  # CycleKind


@dataclass(frozen=True)
class Reference:
    """What an athlete's later days are measured against, as it was on the first one; arrays (athletes,)."""

    intake_kcal: Floats = field(metadata=initially(1.0))  # the body's intake at rest: relative intake is over it
    transfer_kg_per_kcal: Floats = field(metadata=initially(1.0))  # c, in loss
    gain_ratio: Floats = field(metadata=initially(1.0))  # c in gain over c in loss
    log_maintenance: Floats  # prior, logged scale
    maintenance_sd_kcal: Floats  # prior
    expenditure_sd: Floats = field(metadata=initially(1.0))  # prior, of the logarithm
    reporting: Floats = field(metadata=initially(1.0))  # prior, logged over eaten
    reporting_sd: Floats = field(metadata=initially(1.0))  # prior, of the logarithm


@dataclass(frozen=True)
class Prior:
    """Where athletes start; the batch is the last axis."""

    moments: Moments
    body_fat: Moments  # fat mass in kg, bias of the athlete's measurements in percentage points
    reference: Reference


def prior(start: Start) -> Prior:
    """Moments on the first day from profile, first weigh-in, body fat and target.

    Maintenance M = reporting·activity·resting energy (Mifflin–St Jeor), the coach's activity factor shrunk to the usual
    one, reporting 1 of who logs no food; var M = M²(σ_expenditure² + σ_reporting²) + (∂M/∂mass)²·var(tissue), and
    cov(tissue, M) = ∂M/∂mass·var(tissue).
    Body fat from a measurement or from body mass index, lowered for people who train.
    """
    count = start.male.shape[0]
    usual_cm = np.where(start.male, m.USUAL_HEIGHT_MALE_CM, m.USUAL_HEIGHT_FEMALE_CM)
    height_cm = np.where(np.isnan(start.height_cm), usual_cm, start.height_cm)
    age_y = np.where(np.isnan(start.age_y), m.USUAL_AGE_Y, start.age_y)
    mass_kg, tissue_variance = _tissue(start, height_cm)
    activity = m.judged_activity(start.activity_factor)
    expenditure_sd = np.where(~np.isnan(start.activity_factor), m.EXPENDITURE_SD, m.EXPENDITURE_SD_NO_ACTIVITY)
    expenditure = energy.mifflin_st_jeor(mass_kg, height_cm, age_y, start.male) * activity
    reporting = np.where(start.logs_food, m.REPORTING_MEAN, m.REPORTING_UNLOGGED_MEAN)
    reporting_sd = np.where(start.logs_food, m.REPORTING_SD, m.REPORTING_UNLOGGED_SD)
    maintenance = reporting * expenditure
    per_kg = reporting * 10.0 * activity  # resting energy rises by 10 kcal/d per kg
    cycle_sd = np.where(may_cycle(start.male, age_y, start.cycle), m.CYCLE_SD_UNLOGGED_KG, 0.0)

    mean, cov = np.zeros((STATES, count)), np.zeros((STATES, STATES, count))
    mean[TISSUE], mean[MAINTENANCE], mean[TRANSFER] = mass_kg, maintenance, 1.0
    mean[RESPONSE] = m.RESPONSE_MEAN
    mean[EXCESS], mean[WATER] = m.EXCESS_MEAN, m.WATER_MEAN_KG
    mean[WEEK_COS] = m.WEEK_SHARE * mass_kg
    variance: dict[int, Floats | float] = {
        TISSUE: tissue_variance,
        MAINTENANCE: maintenance**2 * (expenditure_sd**2 + reporting_sd**2) + per_kg**2 * tissue_variance,
        TRANSFER: m.TRANSFER_SD**2,
        RESPONSE: m.RESPONSE_SD**2,
        EXCESS: m.EXCESS_SD**2,
        WATER: m.WATER_SD_KG**2,
        FLUID: m.FLUID_SD_KG**2,
        GUT: m.GUT_SD_KG**2 + m.GUT_START_VARIANCE_KG2,
        WEEK_COS: m.WEEK_SD_KG**2,
        WEEK_SIN: m.WEEK_SD_KG**2,
        CYCLE_COS: cycle_sd**2,
        CYCLE_SIN: cycle_sd**2,
    }
    for state, value in variance.items():
        cov[state, state] = value
    cov[TISSUE, MAINTENANCE] = cov[MAINTENANCE, TISSUE] = per_kg * tissue_variance
    body_fat = _body_fat(start, mass_kg, height_cm, age_y)
    loss, gain = _transfer(start, mass_kg, body_fat)
    reference = Reference(
        intake_kcal=_usual_intake(start, maintenance, cov[MAINTENANCE, MAINTENANCE]),
        transfer_kg_per_kcal=loss * (m.REPORTING_MEAN / reporting),
        gain_ratio=gain / loss,
        log_maintenance=np.log(maintenance),
        maintenance_sd_kcal=np.sqrt(cov[MAINTENANCE, MAINTENANCE]),
        expenditure_sd=expenditure_sd,
        reporting=reporting,
        reporting_sd=reporting_sd,
    )
    return Prior(Moments(mean, cov), body_fat, reference)


def _tissue(start: Start, height_cm: Floats) -> tuple[Floats, Floats]:
    """Tissue mass, kg, and its variance: the first weigh-in, or the usual mass for the height where it is far off."""
    square_m = (height_cm / 100.0) ** 2
    usual_kg, usual_sd_kg = m.MASS_INDEX_MEAN * square_m, m.MASS_INDEX_SD * square_m
    low, high = PLAUSIBLE_MASS_INDEX
    weighed = (start.mass_kg > low * square_m) & (start.mass_kg < high * square_m)  # False where NaN
    mass_kg = np.where(weighed, start.mass_kg, usual_kg)
    return mass_kg, np.where(weighed, TISSUE_SD_WEIGHED_KG, usual_sd_kg) ** 2


def _transfer(start: Start, mass_kg: Floats, body_fat: Moments) -> tuple[Floats, Floats]:
    """Tissue per kilocalorie in loss and in gain, at the fat mass that regression and measurement together say."""
    measured = ~np.isnan(start.body_fat_pct)
    weight = np.where(measured, m.FAT_SD_PCT**2 / (m.FAT_SD_PCT**2 + start.body_fat_se_pct**2), 0.0)
    reading_kg = np.where(measured, start.body_fat_pct, 0.0) / 100.0 * mass_kg
    expected_kg = body_fat.mean[0]
    fat_kg = np.maximum(expected_kg + weight * (reading_kg - expected_kg), LEAST_FAT_SHARE * mass_kg)
    return m.transfer_kg_per_kcal(fat_kg, m.LEAN_LOSS), m.transfer_kg_per_kcal(fat_kg, m.LEAN_GAIN)


def _usual_intake(start: Start, maintenance: Floats, variance: Floats) -> Floats:
    """Reference intake, kcal: what the body is at rest with, from prior and first target together."""
    known = ~np.isnan(start.target_kcal)
    target = np.where(known, start.target_kcal, maintenance)
    implied = target / (1.0 + m.phase_value(m.PHASE_SHARE, start.phase))
    implied_variance = (m.phase_value(m.TARGET_SD, start.phase) * implied) ** 2
    weight = np.where(known, variance / (variance + implied_variance), 0.0)
    return np.maximum(maintenance + weight * (implied - maintenance), LEAST_REFERENCE_KCAL)


def _body_fat(start: Start, mass_kg: Floats, height_cm: Floats, age_y: Floats) -> Moments:
    """Fat mass from body mass index, kg, and no bias of measurements before the first one."""
    expected = composition.body_fat_from_mass_pct(mass_kg, height_cm, age_y, start.male)
    low, high = (np.where(start.male, men, women) for men, women in zip(FAT_MEN_PCT, FAT_WOMEN_PCT, strict=True))
    expected = np.clip(expected - m.TRAINED_FAT_SHIFT_PCT, low, high)
    mean, cov = np.zeros((2, mass_kg.shape[0])), np.zeros((2, 2, mass_kg.shape[0]))
    mean[0] = expected / 100.0 * mass_kg
    cov[0, 0] = (m.FAT_SD_PCT / 100.0 * mass_kg) ** 2
    return Moments(mean, cov)
