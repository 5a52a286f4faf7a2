"""Portions in a role, meals of a day and titles, by hand."""

import pytest

from service.catalogue.foods import foods
from service.domain.nutrition.dishes import Dish, DishRole, meal_times
from service.domain.nutrition.foods import Portion

OATS, EGG, OIL, SALMON = (foods()[slug] for slug in ("oats-dry", "egg-poached", "olive-oil", "salmon-wild-cooked"))
POTATO, ROLL, CURRY = (foods()[slug] for slug in ("potato-baked", "roll-whole-wheat", "curry-powder"))


def test_a_role_narrows_the_ordinary_portion_to_whole_steps() -> None:
    assert OATS.portion == Portion("cereal", 30.0, 100.0, 10.0)
    assert DishRole("base", frozenset()).portion(OATS) == OATS.portion
    narrow = DishRole("base", frozenset(), least_g=45.0, most_g=78.0)
    assert narrow.portion(OATS) == Portion("cereal", 50.0, 70.0, 10.0)
    eggs = DishRole("protein", frozenset(), least_g=120.0, most_g=160.0)  # an egg of 50 g: 3 are within
    assert eggs.portion(EGG) == Portion("main", 3.0, 3.0, 1.0)
    assert DishRole("fat", frozenset(), least_g=30.0).portion(OIL) is None  # 25 g are the most
    assert DishRole("base", frozenset()).portion(foods()["potato-raw"]) is None


def test_meals_of_a_day() -> None:
    """Common practice, no source."""
    for meals in range(1, 13):
        assert len(meal_times(meals)) == meals
    assert [set(time) for time in meal_times(3)] == [{"breakfast"}, {"main"}, {"main"}]
    assert [set(time) for time in meal_times(4)] == [{"breakfast"}, {"main"}, {"snack"}, {"main"}]
    assert all("breakfast" in meal_times(meals)[0] for meals in range(2, 13))


def test_titles() -> None:
    def title(name: str, **given: list[str]) -> str:
        dish = Dish("some-dish", name, "dish", "savoury", frozenset(), ())
        return dish.title({role: [foods()[slug] for slug in slugs] for role, slugs in given.items()})

    base = ["potato-baked"]
    greens = ["brussels-sprouts-boiled", "carrots-boiled", "leek-boiled"]
    assert title("{protein} with {base}", protein=["salmon-wild-cooked"], base=base) == "Salmon with potato"
    assert title("Plate of {greens}", greens=greens) == "Plate of Brussels sprouts, carrots and leek"
    assert title("{base} with {fruit}", base=["yoghurt-greek-0"], fruit=["apple"]) == "Greek yoghurt with apple"
    assert title("{protein} on {base}", base=base) == "Some dish"  # nobody may eat what gives it its name


@pytest.mark.parametrize(("name", "flavour"), [("sauce", True), ("seasoning", True), ("base", False), ("fat", False)])
def test_flavours(name: str, flavour: bool) -> None:
    assert DishRole(name, frozenset()).flavour == flavour
