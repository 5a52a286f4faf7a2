"""One food of a day's menu replaced by another of its role, the amounts moved so that the day keeps its targets."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from service.application.food.food_preferences import FoodPreferences
from service.application.food.menu_dishes import Pantry, food_cost
from service.application.food.menu_program import (
    REPEATED,
    DishOption,
    FoodOption,
    Item,
    MealOptions,
    Menu,
    PlannedMeal,
    ServedDish,
    weigh_out,
)
from service.application.food.menus import Infeasible
from service.domain.nutrition.dishes import Dish, DishRole
from service.domain.nutrition.foods import Food, Portion
from service.domain.nutrition.menu_limits import DayLimits
from service.errors import Fault, Invalid

Roles = list[tuple[DishRole, tuple[FoodOption, ...]]]


@dataclass(frozen=True)
class MenuLine:
    """A food as a menu named it: how much of it, in which dish and role."""

    food: str
    grams: float
    dish: str
    role: str


@dataclass(frozen=True)
class Swap:
    """A day's meals as a menu named them, by slot, and which food of which meal goes; `by` which, any when None."""

    meals: Sequence[tuple[int, Sequence[MenuLine]]]
    slot: int
    food: str
    by: str | None


def swap_food(
    swap: Swap,
    dishes: Mapping[str, Dish],
    foods: Mapping[str, Food],
    preferences: FoodPreferences,
    limits: DayLimits,
    on: date,
    seed: int,
) -> Menu:
    """The same day with one food replaced by an alternative of its role.

    The other foods stay; amounts stay as near to what they were as the limits allow. Raises Invalid where the meals are
    none that a menu could be or no alternative is left, Infeasible where no amounts keep the limits.
    """
    day = _read(swap, dishes, foods, preferences)
    alternatives = _alternatives(swap, day, foods, preferences, np.random.default_rng([seed, on.toordinal()]))
    meals = []
    for meal, limit in zip(day, limits.meals, strict=True):
        here = alternatives if meal.slot == swap.slot else ()
        meals.append(
            MealOptions(replace(limit, slot=meal.slot), tuple(_set(one, swap.food, here) for one in meal.dishes))
        )
    menu = weigh_out(meals, limits)
    if menu is not None:
        return menu
    relaxed = weigh_out(meals, limits, relax=True)
    raise Infeasible(on, () if relaxed is None else relaxed.relaxed)


def _read(
    swap: Swap, dishes: Mapping[str, Dish], foods: Mapping[str, Food], preferences: FoodPreferences
) -> list[PlannedMeal]:
    """The day's meals; every fault of them at once."""
    faults = [
        fault
        for number, (slot, lines) in enumerate(swap.meals)
        for index, line in enumerate(lines)
        for fault in _faults(line, f"/meals/{number}/items/{index}", dishes, foods, preferences)
        if not (slot == swap.slot and line.food == swap.food and fault.code == "excluded")
    ]
    if not any(slot == swap.slot and line.food == swap.food for slot, lines in swap.meals for line in lines):
        faults.append(Fault("/replace", "not_in_menu", f"meal {swap.slot} has no {swap.food}"))
    if faults:
        raise Invalid(faults[0].detail, faults)
    return [PlannedMeal(slot, _served(lines, dishes, foods)) for slot, lines in swap.meals]


def _faults(
    line: MenuLine, pointer: str, dishes: Mapping[str, Dish], foods: Mapping[str, Food], preferences: FoodPreferences
) -> list[Fault]:
    dish, food = dishes.get(line.dish), foods.get(line.food)
    if dish is None:
        return [Fault(f"{pointer}/dish", "unknown_dish", f"{line.dish!r} is no dish")]
    if food is None:
        return [Fault(f"{pointer}/food", "unknown_food", f"{line.food!r} is no food")]
    role = next((role for role in dish.roles if role.name == line.role), None)
    if role is None or not Pantry([food]).fillers(role):
        return [Fault(f"{pointer}/role", "not_in_dish", f"{line.food} is no {line.role} of {dish.slug}")]
    if not preferences.allows(food):
        return [Fault(f"{pointer}/food", "excluded", f"{line.food} is not eaten by this athlete: replace it first")]
    return []


def _served(lines: Sequence[MenuLine], dishes: Mapping[str, Dish], foods: Mapping[str, Food]) -> tuple[ServedDish, ...]:
    items: dict[str, list[Item]] = {}
    for line in lines:
        food = foods[line.food]
        units = line.grams / food.unit.grams if food.unit else None
        items.setdefault(line.dish, []).append(Item(food, line.role, line.grams, units))
    return tuple(ServedDish(dishes[slug], tuple(listed)) for slug, listed in items.items())


def _alternatives(
    swap: Swap, day: Sequence[PlannedMeal], foods: Mapping[str, Food], preferences: FoodPreferences,
    rng: np.random.Generator,
) -> tuple[FoodOption, ...]:  # fmt: skip
    """What may stand in the food's place: of its role, allowed, and not in the menu yet where once a day is enough."""
    dish, item = next(
        (one.dish, item)
        for meal in day
        if meal.slot == swap.slot
        for one in meal.dishes
        for item in one.items
        if item.food.slug == swap.food
    )
    role = next(role for role in dish.roles if role.name == item.role)
    served = {item.food.slug for meal in day for item in meal.items}
    here = {item.food.slug for meal in day if meal.slot == swap.slot for item in meal.items}
    pantry = Pantry(food for food in foods.values() if preferences.allows(food))
    left = [
        option
        for option in pantry.fillers(role)
        if option.food.slug not in (here if option.portion.role in REPEATED else served)
    ]
    wanted = left if swap.by is None else [option for option in left if option.food.slug == swap.by]
    if not wanted:
        may = f": there are {', '.join(option.food.slug for option in left)}" if left else ""
        pointer = "/replace/food" if swap.by is None else "/replace/by"
        raise Invalid.field(pointer, "no_alternative", f"nothing else may be the {role.name} of {dish.slug}{may}")
    if role.flavour:
        wanted = [replace(option, portion=_smallest(option.portion)) for option in wanted]
    return tuple(replace(option, cost=food_cost(preferences.weight(option.food), rng)) for option in wanted)


def _smallest(portion: Portion) -> Portion:
    return replace(portion, most=portion.least)


def _set(served: ServedDish, replaced: str, alternatives: tuple[FoodOption, ...]) -> DishOption:
    """A dish as it stands, with a choice where the food was."""
    roles: Roles = []
    flavours: list[Item] = []
    for item in served.items:
        role = next(role for role in served.dish.roles if role.name == item.role)
        if item.food.slug == replaced and alternatives:
            roles.append((replace(role, least=1, most=1), alternatives))
        elif role.flavour:
            flavours.append(item)
        else:
            (option,) = Pantry([item.food]).fillers(role)
            roles.append((replace(role, least=1, most=1), (replace(option, usual=item.grams),)))
    return DishOption(served.dish, 0.0, tuple(roles), tuple(flavours))
