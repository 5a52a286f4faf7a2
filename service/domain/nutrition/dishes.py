"""Dishes: which foods make one, in which roles and amounts, and at which meals of a day they are eaten."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil, floor
from re import split
from typing import Literal, get_args

from service.domain.nutrition.foods import Food, Portion, Role

Course = Literal["dish", "side", "afters"]  # a meal is one dish, and maybe something beside and after it
COURSES: tuple[Course, ...] = get_args(Course)
Taste = Literal["sweet", "savoury"]
TASTES: tuple[Taste, ...] = get_args(Taste)
MealTime = Literal["breakfast", "snack", "main"]
MEAL_TIMES: tuple[MealTime, ...] = get_args(MealTime)
FLAVOURS = ("sauce", "spice", "dressing", "seasoning")  # roles whose foods stand in their smallest ordinary amount
DISPENSABLE = ("vegetable", "fat", "dressing", "seasoning")  # somebody who may eat none gets the dish without
PROPER = ("Greek", "Swiss", "Brussels", "Romaine", "Brazil")  # words of food names that stay capital

_BREAKFAST: frozenset[MealTime] = frozenset(["breakfast"])
_SNACK: frozenset[MealTime] = frozenset(["snack"])
_MAIN: frozenset[MealTime] = frozenset(["main"])
_DAYS: dict[int, tuple[frozenset[MealTime], ...]] = {  # by number of meals: common practice, no source
    1: (_MAIN,),
    2: (_BREAKFAST | _MAIN, _MAIN),
    3: (_BREAKFAST, _MAIN, _MAIN),
    4: (_BREAKFAST, _MAIN, _SNACK, _MAIN),
    5: (_BREAKFAST, _SNACK, _MAIN, _SNACK, _MAIN),
    6: (_BREAKFAST, _SNACK, _MAIN, _SNACK, _MAIN, _SNACK),
}


def meal_times(meals: int) -> tuple[frozenset[MealTime], ...]:
    """What the meals of a day are, in order; from seven on, further snacks."""
    most = max(_DAYS)
    return _DAYS[min(meals, most)] + (_SNACK,) * max(0, meals - most)


@dataclass(frozen=True)
class DishRole:
    """A role in a dish: which foods fill it, how many of them, and amounts in g where the ordinary portion is not it.

    `words` are slugs and groups; a practice's own foods fill it also by what they do in a meal (`own`).
    """

    name: str
    words: frozenset[str]
    own: frozenset[Role] = frozenset()
    least: int = 1
    most: int = 1
    least_g: float = 0.0
    most_g: float = float("inf")

    def portion(self, food: Food) -> Portion | None:
        """The ordinary portion of a food in this role; None where there is none."""
        usual = food.portion
        if usual is None:
            return None
        step_g = food.grams(usual.step) if food.unit else usual.step
        least = max(round(usual.least / usual.step), ceil(self.least_g / step_g - 1e-9))
        most = min(usual.most / usual.step, self.most_g / step_g)
        if least > floor(most + 1e-9):
            return None
        return Portion(usual.role, least * usual.step, floor(most + 1e-9) * usual.step, usual.step)

    @property
    def flavour(self) -> bool:
        """Whether it is there for the taste: its foods stand in their smallest ordinary amount."""
        return self.name in FLAVOURS


@dataclass(frozen=True)
class Dish:
    """A pattern of a dish; in its name stand roles in braces for the foods that fill them."""

    slug: str
    name: str
    course: Course
    taste: Taste
    times: frozenset[MealTime]
    roles: tuple[DishRole, ...]
    follows: frozenset[Taste] = frozenset()  # of a side or afters: tastes of the dishes that it goes with

    def title(self, foods: Mapping[str, Sequence[Food]]) -> str:
        """What the dish is called with these foods, by role: "Curry of chicken thigh and spinach with brown rice"."""
        words = {name: _listed([_short(food) for food in here]) for name, here in foods.items()}
        try:
            title = self.name.format_map(words)
        except KeyError:  # the dish goes without a food that usually gives it its name
            title = self.slug.replace("-", " ")
        return title[0].upper() + title[1:]


def _short(food: Food) -> str:
    """The name of a food within a sentence, without how it was prepared."""
    name = split(r", | \(| with skin", food.name)[0]
    ordinary = name.split()[0] not in PROPER and name[1:2].islower()
    return name[0].lower() + name[1:] if ordinary else name


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
