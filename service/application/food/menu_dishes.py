"""Which dishes somebody may be served: the foods that fill their roles, and a draw of them by seed and liking."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from service.application.food.food_preferences import FoodPreferences
from service.application.food.menu_program import DishOption, FoodOption, Item
from service.application.log.foods import OWN
from service.domain.nutrition.dishes import COURSES, DISPENSABLE, Course, Dish, DishRole, MealTime
from service.domain.nutrition.foods import Food, Role

DISHES: Mapping[Course, int] = {"dish": 3, "side": 1, "afters": 3}  # drawn for a meal
FOODS_BESIDE = 1  # drawn for a role beyond those that may stand in it
LIKED_BONUS = 0.6  # taken off the cost of a liked food
EATEN_BEFORE = 0.5  # a food or dish is drawn half as often for each day on which it was eaten this week
STAPLES = ("fat", "cereal", "powder", "seasoning")  # nobody minds these every day
COURSE_COST: Mapping[Course, float] = {"dish": 1.0, "side": 0.5, "afters": 0.3}
DENSITIES = ("protein_g", "fat_g", "carbohydrate_g", "fibre_g")
ANY_COST = 0.01  # of every dish and food where only the limits matter


@dataclass(frozen=True)
class PossibleDish:
    """A dish and the foods that fill its roles for somebody, at no cost yet."""

    dish: Dish
    roles: tuple[tuple[DishRole, tuple[FoodOption, ...]], ...]


class Kitchen:
    """The dishes that the allowed foods make."""

    def __init__(self, dishes: Iterable[Dish], foods: Sequence[Food], preferences: FoodPreferences) -> None:
        allowed = [food for food in foods if preferences.allows(food)]
        self._liking = {food.slug: preferences.weight(food) for food in allowed}
        pantry = Pantry(allowed)
        possible = [possible_dish(dish, pantry) for dish in dishes]
        self._dishes = [one for one in possible if one is not None]

    def extremes(self, times: frozenset[MealTime]) -> tuple[DishOption, ...]:
        """The dishes for these times of day that can be most or least of anything, with the foods that make them so.

        Where no menu is made of these, there is hardly one of any; and they are few enough to be sure of it.
        """
        at = self._at(times)
        chosen: list[PossibleDish] = []
        for course in COURSES:
            here = [one for one in at if one.dish.course == course]
            spans = np.array([_span([foods for role, foods in one.roles if not role.flavour]) for one in here])
            chosen += [here[index] for index in _most_of_each(spans)] if here else []
        options = []
        for one in chosen:
            roles = [(role, foods if role.flavour else _extreme_foods(foods, role.most)) for role, foods in one.roles]
            priced = [(role, [replace(food, cost=ANY_COST) for food in foods]) for role, foods in roles]
            options.append(_option(one.dish, ANY_COST, priced))
        return tuple(options)

    def draw(
        self, times: frozenset[MealTime], eaten: Mapping[str, int], rng: np.random.Generator
    ) -> tuple[DishOption, ...]:
        """Some dishes for a meal, each with some foods.

        Parameters: `times`, which the meal may be; `eaten`, on how many days of the week so far each food and dish
        stood in the menu.
        """
        drawn: list[DishOption] = []
        at = self._at(times)
        for course, count in DISHES.items():
            here = [one for one in at if one.dish.course == course]
            weights = [self._dish_weight(one, eaten) for one in here]
            for index in _sample(weights, count, rng):
                cost = float(rng.uniform(0.5, 1.5)) / max(weights[index], 0.1) ** 0.5
                roles = [(role, self._drawn(role, foods, eaten, rng)) for role, foods in here[index].roles]
                drawn.append(_option(here[index].dish, cost * COURSE_COST[course], roles))
        return tuple(drawn)

    def _at(self, times: frozenset[MealTime]) -> list[PossibleDish]:
        """The dishes for these times; where nothing allowed makes one, of any time."""
        here = [one for one in self._dishes if one.dish.times & times]
        return here if any(one.dish.course == "dish" for one in here) else self._dishes

    def _drawn(
        self, role: DishRole, foods: Sequence[FoodOption], eaten: Mapping[str, int], rng: np.random.Generator
    ) -> list[FoodOption]:
        count = int(rng.integers(role.least, role.most + 1)) if role.flavour else role.most + FOODS_BESIDE
        weights = [self._food_weight(option.food, eaten) for option in foods]
        return [replace(foods[index], cost=food_cost(weights[index], rng)) for index in _sample(weights, count, rng)]

    def _dish_weight(self, one: PossibleDish, eaten: Mapping[str, int]) -> float:
        """How gladly a dish is taken: by its best liked food, less gladly where it needs one that is not."""
        best = [
            (role, max((self._liking[option.food.slug] for option in foods), default=1.0)) for role, foods in one.roles
        ]
        liked = max(weight for _, weight in best)
        disliked = min([1.0, *(weight for role, weight in best if role.least > 0)])
        return liked * disliked * EATEN_BEFORE ** eaten.get(one.dish.slug, 0)  # fmt: skip

    def _food_weight(self, food: Food, eaten: Mapping[str, int]) -> float:
        assert food.portion is not None
        fresh = 1.0 if food.portion.role in STAPLES else EATEN_BEFORE ** eaten.get(food.slug, 0)
        return self._liking[food.slug] * fresh


def food_cost(weight: float, rng: np.random.Generator) -> float:
    """Cost of taking a food that is drawn with a weight: by chance, less for one that is gladly taken."""
    return float(rng.uniform(0.5, 1.5) / max(weight, 1e-6) ** 0.5 - LIKED_BONUS * (weight > 1.0))


class Pantry:
    """Foods by the words and kinds by which roles take them."""

    def __init__(self, foods: Iterable[Food]) -> None:
        self._by_word: dict[str, list[int]] = defaultdict(list)
        self._by_kind: dict[Role, list[int]] = defaultdict(list)  # a practice's own
        self._foods = list(foods)
        for index, food in enumerate(self._foods):
            self._by_word[food.slug].append(index)
            self._by_word[food.group].append(index)
            if food.portion is not None and food.slug.startswith(OWN):
                self._by_kind[food.portion.role].append(index)

    def fillers(self, role: DishRole) -> tuple[FoodOption, ...]:
        """The foods that can fill a role, each with its portion there, at no cost; in the order of the foods."""
        taken = {index for word in role.words for index in self._by_word.get(word, ())}
        taken |= {index for kind in role.own for index in self._by_kind.get(kind, ())}
        foods = [(self._foods[index], role.portion(self._foods[index])) for index in sorted(taken)]
        return tuple(FoodOption(food, portion) for food, portion in foods if portion is not None)


def possible_dish(dish: Dish, pantry: Pantry) -> PossibleDish | None:
    """A dish with all that can fill its roles; None where a role that it cannot do without stays empty."""
    roles = []
    for role in dish.roles:
        foods = pantry.fillers(role)
        if len(foods) < role.least:
            if role.name not in DISPENSABLE:
                return None
            role = replace(role, least=len(foods))
        roles.append((role, foods))
    eaten = any(foods for role, foods in roles if not role.flavour)
    return PossibleDish(dish, tuple(roles)) if eaten else None


def _extreme_foods(foods: Sequence[FoodOption], count: int) -> list[FoodOption]:
    """Of foods that can fill a role those that are most or least of anything; `count`, how many may stand in it."""
    if not foods:
        return []
    return [foods[index] for index in _most_of_each(np.array([_span([[food]]) for food in foods]), count)]


def _span(roles: Sequence[Sequence[FoodOption]]) -> list[float]:
    """How far some roles together go: most of each nutrient in a kcal, most and (negative) least energy, in kcal."""
    rows = []
    for foods in filter(None, roles):
        made = [option.food.per_100g for option in foods]
        energy = [max(one.energy_kcal, 1.0) for one in made]
        dense = [max(getattr(one, name) / kcal for one, kcal in zip(made, energy, strict=True)) for name in DENSITIES]
        portions = [
            (kcal * option.grams_per_step / 100.0, option.steps) for kcal, option in zip(energy, foods, strict=True)
        ]
        most = max(step * steps[1] for step, steps in portions)
        rows.append([*dense, most, -min(step * steps[0] for step, steps in portions)])
    table = np.array(rows)
    shares = table[:, -2] / table[:, -2].sum()
    return [*(shares @ table[:, :-2]), *table[:, -2:].sum(axis=0)]


def _most_of_each(spans: NDArray[np.float64], count: int = 1) -> list[int]:
    """Rows that are first in some column, and the first `count` in the first column."""
    order = np.argsort(-spans, axis=0, kind="stable")
    return sorted({*order[:count, 0].tolist(), *order[0].tolist()})


def _sample(weights: Sequence[float], count: int, rng: np.random.Generator) -> list[int]:
    """Indices of some, by weight, without putting back; in order."""
    keys = rng.exponential(1.0, len(weights)) / np.maximum(weights, 1e-9)  # the smallest are a weighted sample
    return sorted(int(index) for index in np.argsort(keys, kind="stable")[:count])


def _option(dish: Dish, cost: float, roles: Iterable[tuple[DishRole, Sequence[FoodOption]]]) -> DishOption:
    """A dish to choose; of what flavours it the first stand in it, in their smallest ordinary amount."""
    listed = list(roles)
    flavours = [flavour(role, option) for role, foods in listed if role.flavour for option in foods[: role.most]]
    return DishOption(
        dish, cost, tuple((role, tuple(foods)) for role, foods in listed if not role.flavour), tuple(flavours)
    )


def flavour(role: DishRole, option: FoodOption) -> Item:
    """A food that is there for the taste."""
    least, food = option.portion.least, option.food
    return Item(food, role.name, food.grams(least) if food.unit else least, least if food.unit else None)
