"""One day's menu as a mixed-integer linear program, solved by HiGHS.

Each meal takes exactly one of some dishes, and maybe something beside and after it; each role of a dish that is taken
is filled by its number of foods, each within an ordinary portion. What flavours a dish comes with it. Rows keep the
day's and the meals' limits. A first program chooses, at a cost per dish and per food, so that liked and not lately
eaten dishes of few foods are taken; there amounts are not yet whole numbers of kitchen steps (units, or a few grams),
which makes it quick. A second one weighs out what was chosen, in whole steps and middling portions. Energy well inside
its band is as good as in the middle. Where limits give way, amounts are whole from the start, so that what is said to
help does.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from service.application.food.linear_program import LinearProgram
from service.domain.nutrition.dishes import COURSES, Course, Dish, DishRole
from service.domain.nutrition.foods import Food, Portion
from service.domain.nutrition.menu_limits import DAY_NUTRIENTS, INF, Band, DayLimits, MealLimits

GOOD_ENOUGH = (0.5, 4)  # gap to the best cost, improvements: a menu need not be the best
SMALL_CHANGE = (0.1, 1000)  # but a change of limits had better be small
BIG_MEAL_KCAL = 900.0  # from here on two things may follow a dish
REPEATED = ("fat", "powder", "seasoning")  # kinds of food that may stand in several meals of a day
LARGE = 0.75  # of the largest portion: more costs extra
LARGE_COST = 1.0  # for the largest portion, against costs of foods near 1
FAR = 0.5  # of the way from the usual amount to the end of a portion: farther costs twice
FAR_COST = 0.5  # for an amount at the end of a portion, against energy at the edge of its band
NEAR = 0.5  # of the way from the middle of the day's energy band to its edge: nearer is no better
BESIDE_COST = 1.0  # for energy at the edge of its band
ROLE_COST = {"vegetable": 0.3, "fruit": 0.3, "powder": 2.0, "sweet": 1.5}  # greens and fruit freely, powder last
GREENS = ("vegetable", "fruit")
GREENS_G = 400.0  # of vegetables and fruit a day, not enforced: WHO 2003, Technical Report Series 916, table 6
GREENS_COST = 4.0  # for a day without any
NO_FRUIT_COST = 1.5  # for a day without fruit: common practice, no source
RELAX_COST = 1000.0  # of a whole target missed, against costs of foods near 1


@dataclass(frozen=True)
class Item:
    """A food in a meal and its role there."""

    food: Food
    role: str
    grams: float
    units: float | None


@dataclass(frozen=True)
class ServedDish:
    """A dish, a side or afters, and what it is made of."""

    dish: Dish
    items: tuple[Item, ...]

    @property
    def title(self) -> str:
        """What it is called with its foods."""
        names = {item.role for item in self.items}
        return self.dish.title({name: [item.food for item in self.items if item.role == name] for name in names})


@dataclass(frozen=True)
class PlannedMeal:
    """A meal: the dish, then what stands beside it and comes after it."""

    slot: int
    dishes: tuple[ServedDish, ...]

    @property
    def items(self) -> tuple[Item, ...]:
        """Everything eaten at the meal."""
        return tuple(item for served in self.dishes for item in served.items)


@dataclass(frozen=True)
class Relaxed:
    """A limit that no menu keeps, its value, and the nearest that a menu keeps."""

    limit: str
    side: str  # at_least | at_most
    value: float
    by: float


@dataclass(frozen=True)
class Menu:
    """Meals in order, and the limits that had to give way."""

    meals: tuple[PlannedMeal, ...]
    relaxed: tuple[Relaxed, ...] = ()


@dataclass(frozen=True)
class FoodOption:
    """A food that may fill a role, its portion there, and the cost of taking it."""

    food: Food
    portion: Portion
    cost: float = 0.0
    usual: float | None = None  # amount in grams that it had better have, where known; else a middling one

    @property
    def grams_per_step(self) -> float:
        """Grams of one kitchen step."""
        return self.food.grams(self.portion.step) if self.food.unit else self.portion.step

    @property
    def steps(self) -> tuple[int, int]:
        """Fewest and most steps."""
        return round(self.portion.least / self.portion.step), round(self.portion.most / self.portion.step)


@dataclass(frozen=True)
class DishOption:
    """A dish that may be taken: its cost, the foods that may fill its roles, and what flavours it."""

    dish: Dish
    cost: float
    roles: tuple[tuple[DishRole, tuple[FoodOption, ...]], ...]
    flavours: tuple[Item, ...] = ()


@dataclass(frozen=True)
class MealOptions:
    """What a meal has to keep and which dishes it may be."""

    limits: MealLimits
    dishes: tuple[DishOption, ...]


@dataclass(frozen=True)
class _Place:
    """A food's columns in a role of a dish."""

    option: FoodOption
    role: DishRole
    steps: int
    chosen: int

    def amount(self, nutrient: str) -> tuple[int, float]:
        return self.steps, getattr(self.option.food.per_100g, nutrient) * self.option.grams_per_step / 100.0


@dataclass(frozen=True)
class _Plate:
    """A dish's column and its foods' places."""

    option: DishOption
    taken: int
    places: tuple[_Place, ...]

    def amounts(self, nutrient: str) -> list[tuple[int, float]]:
        """What the dish brings of a nutrient; what flavours it comes with its column."""
        flavours = sum(getattr(item.food.per_100g, nutrient) * item.grams / 100.0 for item in self.option.flavours)
        return [(self.taken, flavours), *(place.amount(nutrient) for place in self.places)]


_Tables = list[tuple[MealLimits, list[_Plate]]]


def plan_day(meals: Sequence[MealOptions], limits: DayLimits, *, relax: bool = False) -> Menu | None:
    """A menu for one day: dishes and foods are chosen, then weighed out.

    Parameters: `meals`, what each may be; `limits`, of the day; `relax`, let limits of energy and nutrients give way,
    as little as possible, instead of failing. Dishes, their roles and portions never give way. None when there is no
    such menu within the search.
    """
    program = LinearProgram()
    tables: _Tables = [(meal.limits, [_plate(program, option, relax) for option in meal.dishes]) for meal in meals]
    for meal, plates in tables:
        _one_dish(program, meal, plates)
    everything = [plate for _, plates in tables for plate in plates]
    _once_a_day(program, everything)
    if not relax:
        _greens(program, everything)
    _keep_limits(program, tables, limits, relax)
    values = program.solve(*(SMALL_CHANGE if relax else GOOD_ENOUGH))
    if values is None:
        return None
    chosen = [MealOptions(meal, _taken(plates, values)) for meal, plates in tables]
    menu = weigh_out(chosen, limits)
    return weigh_out(chosen, limits, relax=True) if menu is None and relax else menu


def weigh_out(meals: Sequence[MealOptions], limits: DayLimits, *, relax: bool = False) -> Menu | None:
    """Amounts in whole kitchen steps of dishes that are set, near the usual ones.

    Parameters as `plan_day`; of each role's foods as many are taken as it has at least. None when the limits cannot be
    kept.
    """
    program = LinearProgram()
    tables: _Tables = [(meal.limits, [_set_plate(program, option) for option in meal.dishes]) for meal in meals]
    if not relax:
        for place in (place for _, plates in tables for plate in plates for place in plate.places):
            _near_the_usual(program, place)
    slack = _keep_limits(program, tables, limits, relax)
    values = program.solve(*(SMALL_CHANGE if relax else GOOD_ENOUGH))
    if values is None:
        return None
    served = tuple(PlannedMeal(meal.slot, _served(plates, values)) for meal, plates in tables)
    return Menu(served, slack.given(values) if slack else ())


def _plate(program: LinearProgram, option: DishOption, whole: bool) -> _Plate:
    """A dish's columns; each role is filled when the dish is taken and empty when it is not."""
    taken = program.column(option.cost, 1.0)
    places: list[_Place] = []
    for role, foods in option.roles:
        if len(foods) == 1 and role.least == 1:
            program.cost[taken] += _cost(foods[0])
            here = [_place(program, foods[0], role, taken, whole=whole)]
        else:
            here = [_place(program, food, role, program.column(_cost(food), 1.0), whole=whole) for food in foods]
            chosen = [(place.chosen, 1.0) for place in here]
            program.row([*chosen, (taken, -float(role.least))], 0.0, INF)
            program.row([*chosen, (taken, -float(role.most))], -INF, 0.0)
            if role.most > 1:
                for place in here:
                    program.row([(place.chosen, 1.0), (taken, -1.0)], -INF, 0.0)
        places += here
    return _Plate(option, taken, tuple(places))


def _set_plate(program: LinearProgram, option: DishOption) -> _Plate:
    """The columns of a dish that is taken; only a role with more foods than it may have leaves a choice."""
    taken = program.column(0.0, 1.0, lower=1.0)
    places: list[_Place] = []
    for role, foods in option.roles:
        if len(foods) <= role.least:
            here = [_place(program, food, role, taken, whole=True) for food in foods]
        else:
            here = [_place(program, food, role, program.column(_cost(food), 1.0), whole=True) for food in foods]
            program.row([(place.chosen, 1.0) for place in here], role.least, role.least)
        places += here
    return _Plate(option, taken, tuple(places))


def _cost(option: FoodOption) -> float:
    return option.cost * ROLE_COST.get(option.portion.role, 1.0)


def _place(program: LinearProgram, option: FoodOption, role: DishRole, chosen: int, *, whole: bool) -> _Place:
    least, most = option.steps
    steps = program.column(0.0, most, whole)
    program.row([(steps, 1.0), (chosen, -float(least))], 0.0, INF)
    program.row([(steps, 1.0), (chosen, -float(most))], -INF, 0.0)
    if not whole:
        large = program.column(LARGE_COST / most / (1.0 - LARGE), INF, whole=False)
        program.row([(steps, 1.0), (large, -1.0)], -INF, LARGE * most)
    return _Place(option, role, steps, chosen)


def _near_the_usual(program: LinearProgram, place: _Place) -> None:
    """A cost for the distance from the usual amount, dearer the farther."""
    least, most = place.option.steps
    usual = (least + most) / 2.0 if place.option.usual is None else place.option.usual / place.option.grams_per_step
    half = max((most - least) / 2.0, 1.0)
    terms = [(place.steps, 1.0), (place.chosen, -usual)]
    for room in (0.0, FAR * half):
        beside = program.column(FAR_COST / half, INF, whole=False)
        program.row([*terms, (beside, -1.0)], -INF, room)
        program.row([*terms, (beside, 1.0)], -room, INF)


def _one_dish(program: LinearProgram, meal: MealLimits, plates: Sequence[_Plate]) -> None:
    """One dish; beside it at most one thing, after it one, or two of a big meal, that go with its taste."""
    courses: dict[Course, list[_Plate]] = {course: [] for course in COURSES}
    for plate in plates:
        courses[plate.option.dish.course].append(plate)
    big = meal.energy_kcal.most > BIG_MEAL_KCAL
    most: dict[Course, float] = {"dish": 1.0, "side": 1.0, "afters": 1.0 + big}
    for course, here in courses.items():
        program.row([(plate.taken, 1.0) for plate in here], 1.0 if course == "dish" else 0.0, most[course])
    for plate in [*courses["side"], *courses["afters"]]:
        apart = [dish for dish in courses["dish"] if dish.option.dish.taste not in plate.option.dish.follows]
        if apart:
            program.row([(plate.taken, 1.0), *((dish.taken, 1.0) for dish in apart)], 0.0, 1.0)


@dataclass
class _Slack:
    """Columns by which limits may be missed."""

    program: LinearProgram
    columns: list[tuple[str, str, float, int]] = field(default_factory=list)

    def give(self, limit: str, side: str, value: float) -> int:
        """A new column for one side of one limit; dearer for the day's limits than for a meal's share."""
        weight = RELAX_COST * (0.5 if limit.startswith("meal") else 1.0)
        column = self.program.column(weight / max(abs(value), 1.0), INF, whole=False)
        self.columns.append((limit, side, value, column))
        return column

    def given(self, values: NDArray[np.float64]) -> tuple[Relaxed, ...]:
        return tuple(
            Relaxed(limit, side, value, float(values[column]))
            for limit, side, value, column in self.columns
            if values[column] > 1e-6
        )


def _keep_limits(program: LinearProgram, tables: _Tables, limits: DayLimits, relax: bool) -> _Slack | None:
    slack = _Slack(program) if relax else None
    for meal, plates in tables:
        _keep(program, slack, f"meal {meal.slot} energy_kcal", plates, "energy_kcal", meal.energy_kcal)
        _keep(program, slack, f"meal {meal.slot} protein_g", plates, "protein_g", meal.protein_g)
    everything = [plate for _, plates in tables for plate in plates]
    for nutrient in DAY_NUTRIENTS:
        _keep(program, slack, nutrient, everything, nutrient, getattr(limits, nutrient))
    if not relax:
        _well_inside(program, everything, limits.energy_kcal)
    return slack


def _keep(
    program: LinearProgram, slack: _Slack | None, limit: str, plates: Sequence[_Plate], nutrient: str, band: Band
) -> None:
    terms = [term for plate in plates for term in plate.amounts(nutrient)]
    if slack is None:
        program.row(terms, band.least, band.most)
        return
    if band.least > 0.0:
        program.row([*terms, (slack.give(limit, "at_least", band.least), 1.0)], band.least, INF)
    if band.most < INF:
        program.row([*terms, (slack.give(limit, "at_most", band.most), -1.0)], -INF, band.most)


def _well_inside(program: LinearProgram, plates: Sequence[_Plate], band: Band) -> None:
    middle, half = (band.least + band.most) / 2.0, max((band.most - band.least) / 2.0, 1.0)
    over, under = (program.column(BESIDE_COST / half / (1.0 - NEAR), INF, whole=False) for _ in range(2))
    terms = [term for plate in plates for term in plate.amounts("energy_kcal")]
    program.row([*terms, (over, -1.0), (under, 1.0)], middle - NEAR * half, middle + NEAR * half)


def _greens(program: LinearProgram, plates: Sequence[_Plate]) -> None:
    """Costs for a day with little vegetables and fruit, and for one without fruit."""
    places = [place for plate in plates for place in plate.places]
    grams = [(place.steps, place.option.grams_per_step) for place in places if place.option.portion.role in GREENS]
    missing = program.column(GREENS_COST / GREENS_G, GREENS_G, whole=False)
    program.row([*grams, (missing, 1.0)], GREENS_G, INF)
    fruit = [(place.chosen, 1.0) for place in places if place.option.portion.role == "fruit"]
    none = program.column(NO_FRUIT_COST, 1.0, whole=False)
    program.row([*fruit, (none, 1.0)], 1.0, INF)


def _once_a_day(program: LinearProgram, plates: Sequence[_Plate]) -> None:
    """No dish and no food twice a day, but what may be repeated."""
    same: dict[str, list[tuple[int, float]]] = defaultdict(list)
    for plate in plates:
        same[f"dish {plate.option.dish.slug}"].append((plate.taken, 1.0))
        for place in plate.places:
            if place.option.portion.role not in REPEATED:
                same[place.option.food.slug].append((place.chosen, 1.0))
    for terms in same.values():
        if len(terms) > 1:
            program.row(terms, 0.0, 1.0)


def _taken(plates: Sequence[_Plate], values: NDArray[np.float64]) -> tuple[DishOption, ...]:
    """The dishes that were chosen, with the foods that were."""
    taken = [plate for plate in plates if values[plate.taken] > 0.5]
    dishes = []
    for plate in sorted(taken, key=lambda plate: COURSES.index(plate.option.dish.course)):
        roles = []
        for role, _ in plate.option.roles:
            foods = [place.option for place in plate.places if place.role is role and values[place.chosen] > 0.5]
            roles.append((replace(role, least=len(foods)), tuple(foods)))
        dishes.append(replace(plate.option, roles=tuple(roles)))
    return tuple(dishes)


def _served(plates: Sequence[_Plate], values: NDArray[np.float64]) -> tuple[ServedDish, ...]:
    return tuple(ServedDish(plate.option.dish, (*_items(plate, values), *plate.option.flavours)) for plate in plates)


def _items(plate: _Plate, values: NDArray[np.float64]) -> list[Item]:
    items = []
    for place in plate.places:
        steps = round(float(values[place.steps]))
        if steps > 0:
            option = place.option
            units = steps * option.portion.step if option.food.unit else None
            items.append(Item(option.food, place.role.name, steps * option.grams_per_step, units))
    return items
