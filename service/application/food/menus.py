"""Menus for some days: which foods are asked, day by day, and the shopping list that comes of it.

A day's program sees a sample of the allowed foods, drawn by seed: liked foods often, foods of the last days seldom.
Where the sample holds no menu, a larger one is asked, then all foods; where those hold none either, the program says
which limits would have to give way, and by how much.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from service.application.food.food_preferences import FoodPreferences
from service.application.food.menu_program import Item, Menu, Relaxed, plan_day
from service.domain.nutrition.foods import Food, Nutrients, total
from service.domain.nutrition.menu_limits import DayLimits

SAMPLE = {
    "main": 4, "side": 3, "starch": 3, "vegetable": 4, "fat": 2, "dairy": 3, "powder": 1, "cereal": 1, "fruit": 3,
    "dried": 1, "nut": 2, "sweet": 1,
}  # fmt: skip
LIKED_BONUS = 0.6  # taken off the cost of a liked food
EATEN_BEFORE = 0.5  # a food is drawn half as often for each day on which it was eaten this week
STAPLES = ("fat", "cereal", "powder")  # nobody minds these every day


@dataclass(frozen=True)
class MenuDay:
    """One day's menu."""

    date: date
    menu: Menu

    @property
    def items(self) -> list[Item]:
        """Everything eaten on the day."""
        return [item for _, items in self.menu.meals for item in items]


@dataclass(frozen=True)
class Infeasible(Exception):
    """No menu keeps the limits of a day: what would have to give way. Nothing, when not even that helps."""

    date: date
    relax: tuple[Relaxed, ...]


@dataclass
class _Week:
    """What has been planned so far."""

    days: list[MenuDay] = field(default_factory=list)
    eaten: Counter[str] = field(default_factory=Counter)


def plan_menus(
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
        From three meals on, the first (of four also the third) is a breakfast: no plate.

    Raises
    ------
    Infeasible
        When some day has no menu.
    """
    allowed = [food for food in foods if preferences.allows(food)]
    breakfasts = {3: (1,), 4: (1, 3)}.get(meals_per_day, ())
    week = _Week()
    for offset, day in enumerate(limits):
        on = first + timedelta(days=offset)
        rng = np.random.default_rng([seed, on.toordinal()])
        menu = _one_day(allowed, preferences, day, breakfasts, week.eaten, rng)
        if menu is None:
            raise Infeasible(on, explain(allowed, day, breakfasts))
        week.days.append(MenuDay(on, menu))
        week.eaten.update({item.food.slug for item in week.days[-1].items})
    return week.days


def _one_day(
    allowed: Sequence[Food], preferences: FoodPreferences, limits: DayLimits, breakfasts: Sequence[int],
    eaten: Mapping[str, int], rng: np.random.Generator,
) -> Menu | None:  # fmt: skip
    if not limits.meals:
        return None
    weights = np.array([preferences.weight(food) * _fresh(food, eaten) for food in allowed])
    costs = rng.uniform(0.5, 1.5, len(allowed)) / np.maximum(weights, 1e-6) ** 0.5 - LIKED_BONUS * (weights > 1.0)
    for factor in (1, 2, None):
        chosen = range(len(allowed)) if factor is None else _draw(allowed, weights, factor, rng)
        menu = plan_day([(allowed[index], float(costs[index])) for index in chosen], limits, breakfasts)
        if menu is not None:
            return menu
    return None


def _fresh(food: Food, eaten: Mapping[str, int]) -> float:
    assert food.portion is not None
    return 1.0 if food.portion.role in STAPLES else EATEN_BEFORE ** eaten.get(food.slug, 0)


def _draw(allowed: Sequence[Food], weights: "np.ndarray", factor: int, rng: np.random.Generator) -> list[int]:
    """Some foods of each role, by weight, without putting back; in the order of `allowed`."""
    keys = rng.exponential(1.0, len(allowed)) / np.maximum(weights, 1e-9)  # the smallest are a weighted sample
    taken: list[int] = []
    for role, count in SAMPLE.items():
        of_role = [index for index, food in enumerate(allowed) if food.portion and food.portion.role == role]
        taken += sorted(of_role, key=lambda index: keys[index])[: factor * count]
    return sorted(taken)


def explain(allowed: Sequence[Food], limits: DayLimits, breakfasts: Sequence[int]) -> tuple[Relaxed, ...]:
    """The least change of limits under which there is a menu of these foods; empty when no change would do."""
    if not limits.meals or not allowed:
        return ()
    menu = plan_day([(food, 0.01) for food in allowed], limits, breakfasts, relax=True)
    return () if menu is None else menu.relaxed


def nutrients_of(items: Sequence[Item]) -> Nutrients:
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
