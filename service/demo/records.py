"""What a simulated world holds: what the coach sees (profile and log) and what is true.

Field names and meanings of `Profile` and `Log` are those the estimator is fed; the code is separate on purpose, so that
no mistake can be shared. Shapes: (athletes,) for a person, (athletes, days) for days; NaN means not logged.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

NO_PHASE, BUILD, CUT, MAINTAIN = 0, 1, 2, 3
PHASE_NAMES = {BUILD: "build", CUT: "cut", MAINTAIN: "maintain"}
NOT_LOGGED, UNKNOWN, PARTIAL, COMPLETE, FAST = 0, 1, 2, 3, 4
FOOD_STATE_NAMES = {PARTIAL: "partial", COMPLETE: "complete", FAST: "fast"}


@dataclass(frozen=True)
class Profile:
    """What the coach knows of a person; every array has shape (athletes,)."""

    male: Bools
    birth_year: Floats  # decimal year
    height_cm: Floats
    activity_factor: Floats  # total over resting expenditure as the coach judged it; NaN = unknown
    cycle: Ints  # as answered: 0 nobody asked, 1 a natural cycle, 2 none (hormonal contraception, menopause, men)


@dataclass(frozen=True)
class Log:
    """What was logged and planned, by calendar day; every array has shape (athletes, days) but `days`."""

    days: NDArray[np.datetime64]  # (days,)
    mass_kg: Floats
    intake_kcal: Floats
    carbohydrate_g: Floats
    food_state: Ints
    target_kcal: Floats
    phase: Ints
    phase_day: Ints
    menstruation_started: Bools
    body_fat_pct: Floats
    body_fat_se_pct: Floats


@dataclass(frozen=True)
class Truth:
    """What no coach can see; every array has shape (athletes, days), morning values before the day's food."""

    tissue_mass_kg: Floats  # fat and lean tissue plus the water and glycogen of the first logged-free day: no shifts
    noise_free_mass_kg: Floats  # with every physiological water shift and gut content, without the scale's noise
    centred_mass_kg: Floats  # centred 7-day mean of noise_free_mass_kg (shorter at the ends of a running simulation)
    intake_kcal: Floats  # eaten, on the true scale
    expenditure_kcal: Floats  # spent on the day
    maintenance_kcal: Floats  # true scale: the intake at which fat and lean tissue would keep their energy that day
    maintenance_logged_kcal: Floats  # the same × the reporting factor of the week: on the athlete's logging scale
    reporting_factor: Floats  # logged over eaten, mean over the days of a week
    fat_mass_kg: Floats
    body_fat_pct: Floats  # of tissue_mass_kg
    lean_tissue_kg: Floats  # lean tissue without glycogen, its water and extracellular fluid
    tissue_rate_pct_per_week: Floats  # change of tissue mass over the last 7 days, % of body mass; NaN on days 0–6
    scale_rate_pct_per_week: Floats  # change of centred_mass_kg over the last 7 days, likewise
    abandoned: Bools  # the plan is quietly given up
    hunger: Floats  # slow mean of the deficit as a share of maintenance


@dataclass(frozen=True)
class World:
    """A simulated roster: what is seen, and what is true."""

    profile: Profile
    log: Log
    truth: Truth
    phase_days: Ints  # (athletes, days) planned length of the phase in force, 0 outside phases
