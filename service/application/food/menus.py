"""Menus for some days: which dishes are asked, day by day, and the shopping list that comes of it.

A day's program sees some dishes with some foods, drawn by seed: liked ones often, those of the last days seldom. Where
they hold no menu, others are drawn; where none of the draws does, the dishes and foods that are most or least of
anything are asked, and the program says which limits would have to give way for them, and by how much.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from service.application.food.food_preferences import FoodPreferences
from service.application.food.menu_dishes import Kitchen
from service.application.food.menu_program import Item, MealOptions, Menu, Relaxed, plan_day
from service.domain.nutrition.dishes import Dish, MealTime, meal_times
from service.domain.nutrition.foods import Food, Nutrients, total
from service.domain.nutrition.menu_limits import DayLimits

DRAWS = 8  # another draw costs less than a larger one


@dataclass(frozen=True)
class MenuDay:
    """One day's menu."""

    date: date
    menu: Menu

    @property
    def items(self) -> list[Item]:
        """Everything eaten on the day."""
        return [item for meal in self.menu.meals for item in meal.items]


class Infeasible(Exception):
    """No menu keeps the limits of a day: what would have to give way. Nothing, when not even that helps."""

    def __init__(self, on: date, relax: tuple[Relaxed, ...]):
        super().__init__(on, relax)
        self.date = on
        self.relax = relax


@dataclass
class _Week:
    """What has been planned so far; `eaten`, on how many days each food and dish."""

    days: list[MenuDay] = field(default_factory=list)
    eaten: Counter[str] = field(default_factory=Counter)

    def add(self, day: MenuDay) -> None:
        self.days.append(day)
        self.eaten.update({item.food.slug for item in day.items})
        self.eaten.update({served.dish.slug for meal in day.menu.meals for served in meal.dishes})


def plan_menus(
    dishes: Iterable[Dish],
    foods: Sequence[Food],
    preferences: FoodPreferences,
    first: date,
    limits: Sequence[DayLimits],
    seed: int,
    meals_per_day: int,
) -> list[MenuDay]:
    """Menus for consecutive days.

    Parameters
    ----------
    dishes : iterable of Dish
        All patterns, in a fixed order.
    foods : sequence of Food
        All there are, in a fixed order; those without an ordinary portion are passed over.
    preferences : FoodPreferences
        Eating pattern, exclusions, preferences.
    first : date
        The first day.
    limits : sequence of DayLimits
        One for each day.
    seed : int
        The same seed and input give the same menus.
    meals_per_day : int
        How many meals a day has, which says which are breakfast-like; of a day under way the last are planned.

    Raises
    ------
    Infeasible
        When some day has no menu.
    """
    kitchen = Kitchen(dishes, foods, preferences)
    times = meal_times(meals_per_day)
    week = _Week()
    for offset, day in enumerate(limits):
        on = first + timedelta(days=offset)
        menu = _one_day(kitchen, day, times, week.eaten, np.random.default_rng([seed, on.toordinal()]))
        if menu is None or menu.relaxed:
            raise Infeasible(on, () if menu is None else menu.relaxed)
        week.add(MenuDay(on, menu))
    return week.days


def _one_day(
    kitchen: Kitchen, limits: DayLimits, times: Sequence[frozenset[MealTime]], eaten: Mapping[str, int],
    rng: np.random.Generator,
) -> Menu | None:  # fmt: skip
    """A menu; where there is none, the one under the least change of limits, None when no change would do."""
    if not limits.meals:
        return None
    ahead = list(zip(limits.meals, times[len(times) - len(limits.meals) :], strict=True))
    for _ in range(DRAWS):
        menu = plan_day([MealOptions(meal, kitchen.draw(time, eaten, rng)) for meal, time in ahead], limits)
        if menu is not None:
            return menu
    return plan_day([MealOptions(meal, kitchen.extremes(time)) for meal, time in ahead], limits, relax=True)


def nutrients_of(items: Iterable[Item]) -> Nutrients:
    """Sum of items."""
    return total(item.food.nutrients(item.grams) for item in items)


def shopping(days: Sequence[MenuDay]) -> list[tuple[Food, float]]:
    """Every food of the menus with its grams as eaten, most first."""
    grams: Counter[str] = Counter()
    foods: dict[str, Food] = {}
    for day in days:
        for item in day.items:
            grams[item.food.slug] += item.grams  # type: ignore[assignment]
            foods[item.food.slug] = item.food
    return [
        (foods[slug], float(weight)) for slug, weight in sorted(grams.items(), key=lambda pair: (-pair[1], pair[0]))
    ]
