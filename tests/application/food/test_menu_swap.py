"""One food of a day's menu replaced by another of its role, the day's limits kept."""

from collections.abc import Sequence

import pytest

from service.application.food.food_preferences import FoodPreferences
from service.application.food.menu_program import Menu
from service.application.food.menu_swap import MenuLine, Swap, swap_food
from service.application.food.menus import Infeasible, MenuDay
from service.catalogue.dishes import dishes
from service.catalogue.foods import foods
from service.domain.nutrition.foods import Diet
from service.domain.nutrition.menu_limits import DayLimits, day_limits
from service.errors import Invalid
from tests.application.food.test_menus import FLAVOURS, MIXED, MONDAY, ROWS, check, plan_menus, random_case

LIMITS = day_limits(MIXED, 3)


def lines(menu: Menu) -> list[tuple[int, list[MenuLine]]]:
    """A menu as a coach sends it back."""
    return [
        (meal.slot, [
            MenuLine(item.food.slug, round(item.grams, 1), served.dish.slug, item.role)
            for served in meal.dishes for item in served.items
        ])
        for meal in menu.meals
    ]  # fmt: skip


def swapped(
    meals: Sequence[tuple[int, Sequence[MenuLine]]], slot: int, food: str, by: str | None = None,
    limits: DayLimits = LIMITS, preferences: FoodPreferences = FoodPreferences(),  # noqa: B008
) -> Menu:  # fmt: skip
    wanted = Swap(meals, slot, food, by)
    return swap_food(wanted, dishes(), foods(), preferences, limits, MONDAY, 1)


@pytest.fixture(scope="module")
def day() -> MenuDay:
    return plan_menus(FoodPreferences(), [LIMITS], 4, 3)[0]


def test_every_food_of_a_day_can_be_asked_away_and_the_day_keeps_its_targets(day: MenuDay) -> None:
    """Or it is said what would have to move, or that nothing else may stand there."""
    done = 0
    for slot, meal in lines(day.menu):
        for line in meal:
            try:
                menu = swapped(lines(day.menu), slot, line.food)
            except Infeasible as none:
                assert none.relax
                continue
            except Invalid as alone:
                assert [fault.code for fault in alone.faults] == ["no_alternative"]
                continue
            done += 1
            check(MenuDay(MONDAY, menu), MIXED, 3, "omnivore")
            before = [(slot, one) for slot, meal in lines(day.menu) for one in meal if one.food != line.food]
            after = [(slot, one) for slot, meal in lines(menu) for one in meal]
            assert len(after) == len(before) + 1
            kept = {(slot, one.food, one.dish, one.role) for slot, one in before}
            (new,) = [(slot, one) for slot, one in after if (slot, one.food, one.dish, one.role) not in kept]
            assert new[0] == slot and (new[1].dish, new[1].role) == (line.dish, line.role)
            assert new[1].food != line.food
    assert done >= 0.7 * sum(len(meal) for _, meal in lines(day.menu))


def test_amounts_stay_near_what_they_were(day: MenuDay) -> None:
    slot, line = next((slot, one) for slot, meal in lines(day.menu) for one in meal if one.role == "seasoning")
    before = {one.food: one.grams for _, meal in lines(day.menu) for one in meal}
    after = {one.food: one.grams for _, meal in lines(swapped(lines(day.menu), slot, line.food)) for one in meal}
    same = [food for food in before if food in after]
    assert all(abs(after[food] - before[food]) <= 0.25 * before[food] for food in same)


@pytest.mark.parametrize("seed", range(6))
def test_random_days_keep_their_targets_when_the_main_protein_goes(seed: int) -> None:
    case = random_case(100 + seed)
    pattern: Diet = case.pattern
    limits = day_limits(case.targets, case.meals)
    menu = plan_menus(FoodPreferences(pattern), [limits], seed, case.meals)[0].menu
    slot, line = next(
        (slot, one)
        for slot, meal in lines(menu)
        for one in meal
        if one.role in ("protein", "dairy", "pulse") and ROWS[one.food]["role"] != "powder"
    )
    try:
        other = swapped(lines(menu), slot, line.food, None, limits, FoodPreferences(pattern))
    except Infeasible as none:
        assert none.relax
        return
    except Invalid as alone:
        assert alone.faults[0].code == "no_alternative"
        return
    check(MenuDay(MONDAY, other), case.targets, case.meals, pattern)
    assert line.food not in {item.food.slug for meal in other.meals for item in meal.items}


def test_the_food_that_is_wanted_comes_or_those_that_may_are_named(day: MenuDay) -> None:
    slot, line = next((slot, one) for slot, meal in lines(day.menu) for one in meal if one.role == "vegetable")
    with pytest.raises(Invalid) as none:
        swapped(lines(day.menu), slot, line.food, "olive-oil")
    (fault,) = none.value.faults
    assert (fault.pointer, fault.code) == ("/replace/by", "no_alternative")
    wanted = fault.detail.split("there are ")[1].split(", ")[0]
    menu = swapped(lines(day.menu), slot, line.food, wanted)
    assert wanted in {item.food.slug for meal in menu.meals for item in meal.items}


def test_an_excluded_food_can_be_asked_away_and_no_other_may_stand(day: MenuDay) -> None:
    meals = lines(day.menu)
    slot, line = next((slot, one) for slot, meal in meals for one in meal if one.role not in FLAVOURS)
    others = [one for _, meal in meals for one in meal if one.food != line.food]
    without = FoodPreferences(exclude=(line.food,))
    menu = swapped(meals, slot, line.food, preferences=without)
    assert line.food not in {item.food.slug for meal in menu.meals for item in meal.items}
    with pytest.raises(Invalid) as none:
        swapped(meals, slot, line.food, preferences=FoodPreferences(exclude=(line.food, others[-1].food)))
    assert {fault.code for fault in none.value.faults} == {"excluded"}


def test_what_no_menu_could_be_is_said_line_by_line(day: MenuDay) -> None:
    meals = [(slot, list(meal)) for slot, meal in lines(day.menu)]
    first = meals[0][1][0]
    meals[0][1][0] = MenuLine("stone", 100.0, first.dish, first.role)
    meals[1][1][0] = MenuLine(meals[1][1][0].food, 100.0, "ragout-of-unicorn", "protein")
    meals[2][1][0] = MenuLine(meals[2][1][0].food, 100.0, meals[2][1][0].dish, "sweet")
    with pytest.raises(Invalid) as none:
        swapped(meals, 1, "nothing")
    assert {fault.pointer: fault.code for fault in none.value.faults} == {
        "/meals/0/items/0/food": "unknown_food",
        "/meals/1/items/0/dish": "unknown_dish",
        "/meals/2/items/0/role": "not_in_dish",
        "/replace": "not_in_menu",
    }


def test_where_no_amounts_keep_the_targets_it_is_said_what_would() -> None:
    day = plan_menus(FoodPreferences(), [LIMITS], 4, 3)[0]
    slot, line = next((slot, one) for slot, meal in lines(day.menu) for one in meal if one.role == "protein")
    hard = day_limits(MIXED.__class__(2200.0, 230.0, 40.0, 230.0, 31.0), 3)
    with pytest.raises(Infeasible) as none:
        swapped(lines(day.menu), slot, line.food, limits=hard)
    assert any("protein_g" in one.limit and one.side == "at_least" for one in none.value.relax)
