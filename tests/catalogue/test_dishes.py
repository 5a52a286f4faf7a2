"""Patterns of dishes: what can stand in them, whatever the program chooses. Common practice, no source."""

import pytest

from service.application.food.menu_dishes import Pantry
from service.catalogue.dishes import dishes
from service.catalogue.foods import foods, groups
from service.domain.nutrition.dishes import MEAL_TIMES, Dish, DishRole
from service.domain.nutrition.foods import DIETS, ROLES, Food

PANTRY = Pantry(foods().values())
EVERY = list(dishes().values())
SWEET = {"fruit", "dried-fruit", "sweet", "protein-powder"}
SAVOURY = {"meat", "poultry", "fish", "shellfish", "egg", "legume", "seitan", "vegetable", "tuber"}


def fillers(role: DishRole) -> list[Food]:
    return [option.food for option in PANTRY.fillers(role)]


def in_dish(dish: Dish) -> list[Food]:
    return [food for role in dish.roles for food in fillers(role)]


@pytest.mark.parametrize("dish", EVERY, ids=lambda dish: dish.slug)
def test_every_word_means_a_food_that_has_a_portion_there(dish: Dish) -> None:
    for role in dish.roles:
        slugs, here = {food.slug for food in fillers(role)}, {food.group for food in fillers(role)}
        assert all(word in slugs or word in here for word in role.words - {"recipe"}), (role.name, role.words - slugs)
        assert 0 <= role.least <= role.most and (len(slugs) >= role.most or role.words == {"recipe"})
        assert role.own <= set(ROLES) and role.words - slugs <= groups() | {"recipe"}


@pytest.mark.parametrize("dish", EVERY, ids=lambda dish: dish.slug)
def test_no_food_has_two_roles_in_a_dish(dish: Dish) -> None:
    slugs = [food.slug for food in in_dish(dish)]
    assert sorted(slugs) == sorted(set(slugs))
    assert len({role.name for role in dish.roles}) == len(dish.roles)


@pytest.mark.parametrize("dish", EVERY, ids=lambda dish: dish.slug)
def test_sweet_and_savoury_stay_apart(dish: Dish) -> None:
    """But for fruit after cheese, lemon and mint, and powder in nothing savoury."""
    here = {food.group for food in in_dish(dish)}
    if dish.taste == "sweet":
        assert not here & SAVOURY
        assert {food.slug for food in in_dish(dish) if food.group in ("herb", "condiment")} <= {"mint", "lemon-juice"}
    elif dish.course == "dish":
        assert not here & SWEET
    assert (dish.course == "dish") == (not dish.follows)


@pytest.mark.parametrize("dish", [dish for dish in EVERY if dish.course == "dish"], ids=lambda dish: dish.slug)
def test_a_dish_has_a_base_protein_greens_or_fruit_fat_and_something_for_the_taste(dish: Dish) -> None:
    by_name = {role.name: role for role in dish.roles}
    assert "base" in by_name and {"vegetable", "fruit"} & by_name.keys() and "fat" in by_name
    assert {"protein", "dairy", "pulse"} & by_name.keys()
    assert any(role.least >= 1 for role in dish.roles if role.name in ("vegetable", "fruit"))
    assert any(role.flavour and role.least >= 1 for role in dish.roles)
    for role in dish.roles:
        if role.name in ("seasoning", "spice", "dressing"):
            for option in PANTRY.fillers(role):
                grams = option.steps[0] * option.grams_per_step
                assert option.food.per_100g.energy_kcal * grams / 100.0 <= 25.0, option.food.slug


@pytest.mark.parametrize("pattern", DIETS)
@pytest.mark.parametrize("without", ["none", "gluten", "soya", "milk", "nuts", "egg", "fish", "sulphites", "celery"])
def test_everybody_has_several_dishes_at_every_time_of_day(pattern: str, without: str) -> None:
    allowed = Pantry(food for food in foods().values() if food.fits(pattern) and not food.called(without))  # type: ignore[arg-type]
    for time in MEAL_TIMES:
        here = [dish for dish in EVERY if dish.course == "dish" and time in dish.times]
        possible = [
            dish
            for dish in here
            if all(allowed.fillers(role) or role.least == 0 or role.name in ("seasoning", "fat") for role in dish.roles)
        ]
        assert len(possible) >= (3 if time == "main" else 2), (pattern, without, time, [dish.slug for dish in possible])


def test_a_practices_own_food_fits_somewhere_whatever_it_does_in_a_meal() -> None:
    taken = {kind for dish in EVERY for role in dish.roles for kind in role.own}
    assert taken == set(ROLES)
