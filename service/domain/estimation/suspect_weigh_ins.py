"""Suspect weigh-ins: left out as slips of finger, unit or decimal, unless suspect ones agree with each other."""

from dataclasses import dataclass, field

import numpy as np

from service.domain.estimation import model as m
from service.domain.estimation.initial import initially
from service.domain.records import Bools, Floats, Ints

SUSPECT_KG, SUSPECT_SD = 3.5, 6.0  # kg and standard deviations of the innovation: suspect beyond both; judged
AGREE_KG = 3.5  # kg, between suspect weigh-ins; judged
SLIPS = (2.2046226, 0.45359237, 10.0, 0.1)  # factors of unit (lb per kg) and decimal, believed never, however often
SLIP_SHARE = 0.04  # share of the expected mass within which a factor explains a weigh-in; judged
FIRST_WEIGH_INS = 5.0  # weigh-ins: before these the mass itself is only supposed; judged
AGREEING, AGREEING_AT_FIRST = 3.0, 2.0  # suspect weigh-ins in a row that are believed; judged


@dataclass(frozen=True)
class WeighInHistory:
    """How many weigh-ins were accepted, and those last left out; arrays (athletes,)."""

    accepted_days: Floats
    suspect_kg: Floats = field(metadata=initially(np.nan))  # the last weigh-in if it was left out
    suspect_in_a_row: Floats  # how many of them agreed with each other

    def young(self) -> Bools:
        """Who has weighed in too seldom for the mass to be known, (athletes,)."""
        return self.accepted_days < FIRST_WEIGH_INS

    def after(self, accepted: Bools) -> "WeighInHistory":
        """The history after a day; an accepted weigh-in ends a row of suspect ones."""
        return WeighInHistory(
            self.accepted_days + accepted,
            np.where(accepted, np.nan, self.suspect_kg),
            np.where(accepted, 0.0, self.suspect_in_a_row),
        )


def judge(
    history: WeighInHistory, mass_kg: Floats, innovation_kg: Floats, variance_kg2: Floats
) -> tuple[Bools, Ints, WeighInHistory]:
    """Which weigh-ins are left out, whose suspect ones are believed because they agree, and what is remembered of them.

    Arrays (athletes,), NaN where nobody weighed in. Left out: |innovation| > 3.5 kg and > 6 √variance; believed when
    the third in a row agrees and is no slip (in the first days: the second, whatever it is).
    """
    distance_kg = np.abs(innovation_kg)
    suspect: Bools = (distance_kg > SUSPECT_KG) & (distance_kg * distance_kg > SUSPECT_SD**2 * variance_kg2)
    rows = np.flatnonzero(suspect)
    if not rows.size:
        return suspect, rows, history
    weighed_kg = mass_kg[rows]
    expected_kg = np.maximum(weighed_kg - innovation_kg[rows], m.LEAST_TISSUE_KG)
    slip = np.zeros(rows.shape, dtype=np.bool_)
    for factor in SLIPS:
        slip |= np.abs(weighed_kg / factor - expected_kg) < SLIP_SHARE * expected_kg
    agrees = np.abs(weighed_kg - history.suspect_kg[rows]) < AGREE_KG
    in_a_row = np.where(agrees, history.suspect_in_a_row[rows] + 1.0, 1.0)
    young = history.young()[rows]
    believed = agrees & (young | ~slip) & (in_a_row >= np.where(young, AGREEING_AT_FIRST, AGREEING))
    suspect_kg, suspect_in_a_row = history.suspect_kg.copy(), history.suspect_in_a_row.copy()
    suspect_kg[rows], suspect_in_a_row[rows] = weighed_kg, in_a_row
    suspect[rows[believed]] = False
    return suspect, rows[believed], WeighInHistory(history.accepted_days, suspect_kg, suspect_in_a_row)
