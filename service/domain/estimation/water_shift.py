"""Has the scale risen within a few days by more than tissue can: salt, creatine, travel, the cycle?"""

from collections.abc import Sequence
from math import isfinite, nan
from statistics import median

import numpy as np

from service.domain.records import Floats

LOOKED_BACK_DAYS = 28  # d, within which a rise is looked for; judged
BEFORE_DAYS, AFTER_DAYS = 7, 5  # d, before it begins and until it is there; judged
LEAST_WEIGH_INS = 2  # on each side; judged
STILL_THERE = 0.5  # share of a rise that must be left of it; judged


def water_shift(mass_kg: Floats, tissue_kg_per_day: float) -> tuple[float, int] | None:
    """The largest rise of the scale within five days, beyond what tissue does, that is still there on the last day.

    Medians of the weigh-ins of the seven days before it begins, of the five days from then on, and of the last five
    days are compared, less the change of tissue between them.

    Parameters
    ----------
    mass_kg : array (days,)
        Weigh-ins, the last of today; NaN for none.
    tissue_kg_per_day : float
        Change of tissue mass, kg per day.

    Returns
    -------
    tuple of float and int, or None
        Rise in kg (> 0) and the number of days since it began, that day being 0; None where there is none, or too few
        weigh-ins on either side. Judged, no source.
    """
    level_kg = (mass_kg - tissue_kg_per_day * np.arange(mass_kg.size)).tolist()
    today = len(level_kg)
    now_kg = _median(level_kg[max(today - AFTER_DAYS, 0) :])
    largest: tuple[float, int] | None = None
    for begun in range(max(today - LOOKED_BACK_DAYS, 1), today):
        before_kg = _median(level_kg[max(begun - BEFORE_DAYS, 0) : begun])
        rise_kg = _median(level_kg[begun : begun + AFTER_DAYS]) - before_kg
        still_kg = now_kg - before_kg
        if rise_kg > (largest[0] if largest else 0.0) and still_kg >= STILL_THERE * rise_kg:
            largest = rise_kg, today - 1 - begun
    return largest


def _median(masses_kg: Sequence[float]) -> float:
    weighed = [kg for kg in masses_kg if isfinite(kg)]
    return median(weighed) if len(weighed) >= LEAST_WEIGH_INS else nan  # of a few numbers: numpy takes 20 times as long
