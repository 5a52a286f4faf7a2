"""From the logging scale to the true one, by hand."""

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.catalogue.sentences import render
from service.domain.evidence import Evidence, Log, Meal, ScalarEstimate, Targets
from service.domain.nutrition.foods import Nutrients
from service.domain.nutrition.logging_scale import LoggingScale

TARGETS = Targets(2000.0, 130.0, 65.0, 225.0, 28.0, (Meal(1, 1200.0, 80.0), Meal(2, 800.0, 50.0)))
SCALE = LoggingScale(1.2, 2000.0, 2400.0)  # logs five sixths of what is eaten
FLOOR_KCAL = 1500.0


def estimate(mean: float) -> ScalarEstimate:
    return ScalarEstimate(mean, 100.0, mean - 160.0, mean + 160.0)


def test_the_ratio_is_that_of_the_means() -> None:
    evidence = Evidence(
        as_of=date(2026, 3, 2),
        maintenance_kcal=estimate(2000.0),
        energy_requirement_kcal=estimate(2400.0),
        log=Log(days_since_food=0),
    )
    assert LoggingScale.of(evidence) == SCALE
    assert LoggingScale.of(replace(evidence, log=Log())) == LoggingScale()  # no log, no logging error
    assert LoggingScale.of(replace(evidence, maintenance_kcal=None)) == LoggingScale()


def test_energy_moves_and_protein_and_fibre_stay() -> None:
    """400 kcal more, shared by the 1480 kcal that are not protein: fat and carbohydrate by 1.27027."""
    weighed = SCALE.weighed(TARGETS, FLOOR_KCAL)
    assert (weighed.energy_kcal, weighed.protein_g, weighed.fibre_g) == (2400.0, 130.0, 28.0)
    assert weighed.fat_g == pytest.approx(65.0 * 1880.0 / 1480.0, abs=0.06)
    assert weighed.carbohydrate_g == pytest.approx(225.0 * 1880.0 / 1480.0, abs=0.06)
    assert weighed.meals == (Meal(1, 1440.0, 80.0), Meal(2, 960.0, 50.0))
    assert SCALE.weighed(Targets(2000.0), FLOOR_KCAL) == Targets(2400.0)
    assert LoggingScale().weighed(TARGETS, FLOOR_KCAL) == TARGETS


def test_nothing_below_the_floor_is_weighed_out_for_targets_that_are_not() -> None:
    more_is_logged = LoggingScale(0.9, 2000.0, 1800.0)
    assert more_is_logged.weighed(Targets(2000.0), FLOOR_KCAL).energy_kcal == 1800.0
    assert more_is_logged.weighed(Targets(1600.0), FLOOR_KCAL).energy_kcal == 1500.0
    assert more_is_logged.weighed(Targets(1400.0), FLOOR_KCAL).energy_kcal == 1400.0  # the gate refuses these


@given(st.floats(0.7, 1.6), st.floats(1500, 5000), st.floats(0.1, 0.4), st.floats(0.2, 0.8))
def test_macronutrients_still_come_to_the_energy(ratio: float, energy: float, protein: float, fat: float) -> None:
    """General Atwater factors: 4, 4 and 9 kcal/g (21 CFR 101.9(c)(1)(i))."""
    rest = energy * (1.0 - protein)
    targets = Targets(energy, energy * protein / 4.0, rest * fat / 9.0, rest * (1.0 - fat) / 4.0)
    weighed = LoggingScale(ratio, 2000.0, 2000.0 * ratio).weighed(targets, 0.0)
    made = 4.0 * (targets.protein_g or 0.0) + 9.0 * (weighed.fat_g or 0.0) + 4.0 * (weighed.carbohydrate_g or 0.0)
    assert weighed.energy_kcal == pytest.approx(energy * ratio, abs=0.51)
    assert made == pytest.approx(weighed.energy_kcal, abs=1.0)


def test_what_was_eaten_is_more_than_was_logged_but_no_more_protein() -> None:
    eaten = SCALE.eaten(Nutrients(700.0, 35.0, 25.0, 83.0, 6.0))
    assert eaten.energy_kcal == pytest.approx(840.0) and (eaten.protein_g, eaten.fibre_g) == (35.0, 6.0)
    assert eaten.fat_g == pytest.approx(25.0 * 700.0 / 560.0)
    assert SCALE.eaten(Nutrients(100.0, 30.0)) == Nutrients(120.0, 30.0)  # protein alone: nothing to share


def test_both_numbers_are_said_and_why() -> None:
    why = render(SCALE.why(TARGETS, SCALE.weighed(TARGETS, FLOOR_KCAL)))
    assert all(number in why for number in ("2000", "2400"))
    assert "without a food log" in render(LoggingScale().why(TARGETS, TARGETS))
