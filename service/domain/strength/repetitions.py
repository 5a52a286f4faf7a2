"""Repetition curves: what a set of several repetitions says about the load that could be lifted once.

A curve is a factor f(r) with 1RM = load · f(r), where r are *effective* repetitions: those done plus those left in
reserve (RIR = 10 − RPE, Zourdos 2016). f(1) = 1 by definition of the one-repetition maximum; curves that were fitted
without that condition (Epley, Mayhew, Wathan, O'Conner) run straight from 1 at r = 1 to their published value at r = 2.
Predictions hold for r ≤ 10–12 (Reynolds 2006: fewer repetitions, better); beyond MOST_REPS the factor stays flat.

Sources (equations from memory): Epley 1985, Poundage chart; Brzycki 1993, JOPERD 64(1):88; Lombardi 1989, Beginning
weight training; Mayhew et al. 1992, J Appl Sport Sci Res 6:200; Wathan 1994, in Essentials of strength training and
conditioning; O'Conner et al. 1989, Weight training today. Choice by lift: LeSuer et al. 1997, J Strength Cond Res
11:211 (Mayhew and Wathan best for the bench press, Wathan for the squat). "table" is the straight line through the
NSCA's table of %1RM for 1–10 repetitions (least squares on 1RM/load: 1/27 per repetition beyond the first), between
Epley and Brzycki below 10; it serves pulls and hinges, for which no curve of their own is published.
"""

from collections.abc import Callable, Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from service.domain.records import Floats

MOST_REPS = 30.0

CURVES: Mapping[str, Callable[[Any], Any]] = MappingProxyType(
    {
        "epley": lambda r: 1.0 + r / 30.0,
        "brzycki": lambda r: 36.0 / (37.0 - r),
        "lombardi": lambda r: r**0.10,
        "mayhew": lambda r: 100.0 / (52.2 + 41.9 * np.exp(-0.055 * r)),
        "wathan": lambda r: 100.0 / (48.8 + 53.8 * np.exp(-0.075 * r)),
        "oconner": lambda r: 1.0 + 0.025 * r,
        "table": lambda r: 1.0 + (r - 1.0) / 27.0,
    }
)


MEET_ONE = frozenset({"brzycki", "lombardi", "table"})  # the published curve itself is 1 at r = 1


def repetition_factor(effective_reps: ArrayLike, curve: str = "table") -> Floats:
    """One-repetition maximum as a multiple of the load, for effective repetitions ≥ 1 (any shape).

    Raises KeyError for a curve that is not in CURVES, ValueError for repetitions below 1.
    """
    reps = np.asarray(effective_reps, dtype=np.float64)
    if np.any(reps < 1.0):
        raise ValueError("effective repetitions start at 1")
    reps = np.minimum(reps, MOST_REPS)
    published = CURVES[curve]
    if curve in MEET_ONE:
        return np.asarray(published(reps), dtype=np.float64)
    straight = 1.0 + (published(2.0) - 1.0) * (reps - 1.0)
    return np.asarray(np.where(reps < 2.0, straight, published(reps)), dtype=np.float64)


@lru_cache(maxsize=4096)  # logs repeat the same few repetitions and reserves
def factor_of_one_set(effective_reps: float, curve: str = "table") -> float:
    """`repetition_factor` of a single number without the cost of an array: the write path summarises set by set."""
    reps = min(effective_reps, MOST_REPS)
    published = CURVES[curve]
    if reps < 2.0 and curve not in MEET_ONE:
        return 1.0 + (float(published(2.0)) - 1.0) * (reps - 1.0)
    return float(published(reps))


def load_for(one_rep_max_kg: ArrayLike, effective_reps: ArrayLike, curve: str = "table") -> Floats:
    """The load that allows just so many effective repetitions, in the unit of the maximum; arrays broadcast."""
    return np.asarray(one_rep_max_kg, dtype=np.float64) / repetition_factor(effective_reps, curve)
