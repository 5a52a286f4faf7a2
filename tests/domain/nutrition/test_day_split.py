"""Training-day and rest-day targets: round numbers, Atwater as before, the week's sum kept to the kilocalorie."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.evidence import Meal, Targets
from service.domain.nutrition.day_split import split_targets

MEALS = (Meal(1, 1100.0, 80.0), Meal(2, 1100.0, 80.0))
PLAN = Targets(2200.0, 160.0, 70.0, 230.0, 31.0, MEALS)


def test_by_hand() -> None:
    """Four training days, three rest days, 20 % of 2200 kcal apart: k = 60 kcal, +180 and −240."""
    split = split_targets(PLAN, 4, 20.0, 1500.0)
    assert (split.training_day.energy_kcal, split.rest_day.energy_kcal) == (2380.0, 1960.0)
    assert (split.training_day.carbohydrate_g, split.rest_day.carbohydrate_g) == (275.0, 170.0)
    assert split.training_day.protein_g == split.rest_day.protein_g == 160.0
    assert [meal.energy_kcal for meal in split.training_day.meals] == [1190.0, 1190.0]


def test_the_floor_and_the_carbohydrate_there_is_hold_rest_days_up() -> None:
    assert split_targets(PLAN, 3, 40.0, 2190.0).rest_day == PLAN
    low = Targets(2000.0, 160.0, 140.0, 25.0, 28.0)
    assert split_targets(low, 3, 40.0, 1200.0).rest_day.carbohydrate_g >= 0.0


FLOORS = st.sampled_from([1200.0, 1500.0])


@settings(derandomize=True, deadline=None)
@given(st.integers(0, 7), st.floats(0.0, 40.0), st.integers(140, 450), st.integers(0, 120), FLOORS)
def test_the_week_stays_the_same(training: int, swing: float, tens: int, fives: int, floor: float) -> None:
    meals = (Meal(1, 10.0 * (tens - 60), 80.0), Meal(2, 600.0, 70.0))
    plan = Targets(10.0 * tens, 150.0, 60.0, 5.0 * fives, 25.0, meals)
    split = split_targets(plan, training, swing, floor)
    for nutrient in ("energy_kcal", "carbohydrate_g", "protein_g", "fat_g"):
        week = training * getattr(split.training_day, nutrient) + (7 - training) * getattr(split.rest_day, nutrient)
        assert week == pytest.approx(7 * getattr(plan, nutrient))
    for day in (split.training_day, split.rest_day):
        assert day.energy_kcal >= min(floor, plan.energy_kcal) and day.carbohydrate_g >= 0.0
        assert day.energy_kcal % 10.0 == pytest.approx(0.0) and day.carbohydrate_g % 5.0 == pytest.approx(0.0)
        assert sum(meal.energy_kcal for meal in day.meals) == pytest.approx(day.energy_kcal)
        moved_kcal = day.energy_kcal - plan.energy_kcal
        assert 4.0 * (day.carbohydrate_g - plan.carbohydrate_g) == pytest.approx(moved_kcal)  # Atwater
