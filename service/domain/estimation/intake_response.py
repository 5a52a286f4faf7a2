"""How the body follows intake apart from tissue: water within days, maintenance energy within weeks."""

from dataclasses import dataclass

import numpy as np

from service.domain.estimation import model as m
from service.domain.estimation.intake import Intake
from service.domain.records import Floats

WATER_FOLLOWS = 1.0 - float(np.exp(-1.0 / m.WATER_DAYS))  # share of the way per day


@dataclass(frozen=True)
class IntakeResponse:
    """Relative intake as water and maintenance follow it; arrays (athletes,), zero at the reference intake."""

    water: Floats  # w of the model
    water_variance: Floats
    adaptation: Floats


def next_morning(
    response: IntakeResponse, intake: Intake, relative: Floats, carbohydrate: Floats, reference_kcal: Floats
) -> tuple[IntakeResponse, Floats]:
    """The responses next morning, and by how much relative intake the adaptation moves until then; arrays (athletes,).

    `relative` is the day's intake over the reference less 1, `carbohydrate` its share over the usual one. Water follows
    half by energy (salt, gut), half by carbohydrate: w' = w + k·((r + 1)·(½ + ½·carbohydrate) − 1 − w); adaptation
    a' = a + (r − a)/14 d.
    """
    half = 0.5 + 0.5 * carbohydrate
    water = response.water + WATER_FOLLOWS * ((relative + 1.0) * half - 1.0 - response.water)
    by_intake = WATER_FOLLOWS**2 * intake.variance / reference_kcal**2
    water_variance = (1.0 - WATER_FOLLOWS) ** 2 * response.water_variance + by_intake
    step = (relative - response.adaptation) / m.ADAPTATION_DAYS
    return IntakeResponse(water, water_variance, response.adaptation + step), step
