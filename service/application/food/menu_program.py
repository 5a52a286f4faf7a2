"""One day's menu as a mixed-integer linear program, solved by HiGHS.

For every food of every meal there is a whole number of steps (units, or a few grams) and a switch; a food that is
switched on stands in an ordinary portion. Rows keep the day's and the meals' limits and the structure of a meal: a
plate (a main food or two sides, vegetables, a starch, a fat) and what may follow it or make a breakfast (milk foods,
flakes, fruit, nuts). The objective is a cost per food, for large portions, and for energy beside its target, so that
few, liked and not lately eaten foods in middling portions are taken.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import highspy
import numpy as np
from numpy.typing import NDArray

from service.domain.nutrition.foods import Food, Portion
from service.domain.nutrition.menu_limits import DAY_NUTRIENTS, INF, Band, DayLimits, MealLimits

NODES = 400  # of the search tree: a count and no time, so that the answer does not depend on the machine
BIG_MEAL_KCAL = 900.0  # from here on a second starch and a second milk food are ordinary
FOODS_PER_MEAL = 6.0  # at most, two more in a big meal
REPEATED = ("fat",)  # roles whose foods may stand in several meals of a day
BREAKFAST_SIDES = ("egg", "dairy", "fat")
LARGE = 0.75  # of the largest portion: more costs extra
LARGE_COST = 1.0  # for the largest portion, against costs of foods near 1
BESIDE_COST = 1.0  # for energy at the edge of its band
ROLE_COST = {"vegetable": 0.6, "fruit": 0.4, "powder": 2.0, "sweet": 1.5}  # greens and fruit freely, powder last
RELAX_COST = 1000.0  # of a whole target missed, against costs of foods near 1


@dataclass(frozen=True)
class Item:
    """A food in a meal."""

    food: Food
    grams: float
    units: float | None


@dataclass(frozen=True)
class Relaxed:
    """A limit that no menu keeps, its value, and the nearest that a menu keeps."""

    limit: str
    side: str  # at_least | at_most
    value: float
    by: float


@dataclass(frozen=True)
class Menu:
    """Meals by slot, in order, and the limits that had to give way."""

    meals: tuple[tuple[int, tuple[Item, ...]], ...]
    relaxed: tuple[Relaxed, ...] = ()


class _Solver(highspy.Highs):
    """HiGHS, silent before its first word: setting up the callbacks would write a banner to standard output."""

    def enableCallbacks(self) -> None:
        self.silent()
        super().enableCallbacks()  # type: ignore[no-untyped-call]


@dataclass
class _Program:
    """Columns and sparse rows as they are written."""

    cost: list[float] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    whole: list[bool] = field(default_factory=list)
    lows: list[float] = field(default_factory=list)
    highs: list[float] = field(default_factory=list)
    starts: list[int] = field(default_factory=lambda: [0])
    columns: list[int] = field(default_factory=list)
    values: list[float] = field(default_factory=list)

    def column(self, cost: float, upper: float, whole: bool = True) -> int:
        self.cost.append(cost)
        self.upper.append(upper)
        self.whole.append(whole)
        return len(self.cost) - 1

    def row(self, terms: Sequence[tuple[int, float]], least: float, most: float) -> None:
        self.columns += [column for column, _ in terms]
        self.values += [value for _, value in terms]
        self.starts.append(len(self.columns))
        self.lows.append(least)
        self.highs.append(most)

    def solve(self, nodes: int) -> NDArray[np.float64] | None:
        """Values of the columns, None when there are none that keep all rows."""
        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = len(self.cost), len(self.lows)
        lp.col_cost_ = np.array(self.cost)
        lp.col_lower_, lp.col_upper_ = np.zeros(len(self.cost)), np.array(self.upper)
        lp.row_lower_, lp.row_upper_ = np.array(self.lows), np.array(self.highs)
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.start_ = np.array(self.starts, dtype=np.int32)
        lp.a_matrix_.index_ = np.array(self.columns, dtype=np.int32)
        lp.a_matrix_.value_ = np.array(self.values)
        kinds = highspy.HighsVarType
        lp.integrality_ = [kinds.kInteger if whole else kinds.kContinuous for whole in self.whole]
        solver = _Solver()  # type: ignore[no-untyped-call]
        for name, value in _OPTIONS.items():
            solver.setOptionValue(name, value)
        solver.setOptionValue("mip_max_nodes", nodes)
        solver.passModel(lp)
        solver.run()
        if solver.getInfo().primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
            return None
        return np.array(solver.getSolution().col_value)


_OPTIONS: Mapping[str, bool | int | float | str] = {
    "output_flag": False,
    "threads": 1,
    "parallel": "off",
    "random_seed": 1,
    "mip_rel_gap": 0.25,
    "mip_max_improving_sols": 4,
    "mip_feasibility_tolerance": 1e-7,
}


@dataclass(frozen=True)
class _Place:
    """A food's two columns in one meal."""

    food: Food
    portion: Portion
    steps: int
    chosen: int

    @property
    def grams_per_step(self) -> float:
        return self.food.grams(self.portion.step) if self.food.unit else self.portion.step

    def terms(self, nutrient: str) -> tuple[int, float]:
        return self.steps, getattr(self.food.per_100g, nutrient) * self.grams_per_step / 100.0


def plan_day(
    foods: Sequence[tuple[Food, float]], limits: DayLimits, breakfasts: Sequence[int], *, relax: bool = False
) -> Menu | None:
    """A menu of some foods for one day.

    Parameters: `foods`, each with the cost of choosing it; all have portions; `limits`, of the day and its meals;
    `breakfasts`, slots of the meals that need no plate; `relax`, let limits of energy and nutrients give way, as little
    as possible, instead of failing. Structure, portions and the choice of foods never give way. None when there is no
    such menu within the search.
    """
    program = _Program()
    meals = [(meal, [_place(program, food, cost) for food, cost in foods]) for meal in limits.meals]
    slack = _Slack(program) if relax else None
    for meal, places in meals:
        _structure(program, meal, places, breakfast=meal.slot in breakfasts)
        _keep(program, slack, f"meal {meal.slot} energy_kcal", places, "energy_kcal", meal.energy_kcal)
        _keep(program, slack, f"meal {meal.slot} protein_g", places, "protein_g", meal.protein_g)
    everything = [place for _, places in meals for place in places]
    for nutrient in DAY_NUTRIENTS:
        _keep(program, slack, nutrient, everything, nutrient, getattr(limits, nutrient))
    _near_the_middle(program, everything, limits.energy_kcal)
    _once_a_day(program, meals)
    values = program.solve(NODES)
    if values is None:
        return None
    chosen = tuple((meal.slot, tuple(_items(places, values))) for meal, places in meals)
    return Menu(chosen, slack.given(values) if slack else ())


def _place(program: _Program, food: Food, cost: float) -> _Place:
    portion = food.portion
    assert portion is not None, f"{food.slug} has no ordinary portion"
    most = round(portion.most / portion.step)
    cost *= ROLE_COST.get(portion.role, 1.0)
    place = _Place(food, portion, program.column(0.0, most), program.column(cost, 1.0))
    large = program.column(LARGE_COST / most / (1.0 - LARGE), INF, whole=False)
    program.row([(place.steps, 1.0), (large, -1.0)], -INF, LARGE * most)
    program.row([(place.steps, 1.0), (place.chosen, -portion.least / portion.step)], 0.0, INF)
    program.row([(place.steps, 1.0), (place.chosen, -portion.most / portion.step)], -INF, 0.0)
    return place


@dataclass
class _Slack:
    """Columns by which limits may be missed."""

    program: _Program
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


def _keep(
    program: _Program, slack: _Slack | None, limit: str, places: Sequence[_Place], nutrient: str, band: Band
) -> None:
    terms = [place.terms(nutrient) for place in places]
    if slack is None:
        program.row(terms, band.least, band.most)
        return
    if band.least > 0.0:
        program.row([*terms, (slack.give(limit, "at_least", band.least), 1.0)], band.least, INF)
    if band.most < INF:
        program.row([*terms, (slack.give(limit, "at_most", band.most), -1.0)], -INF, band.most)


def _near_the_middle(program: _Program, places: Sequence[_Place], band: Band) -> None:
    middle, half = (band.least + band.most) / 2.0, max((band.most - band.least) / 2.0, 1.0)
    over, under = (program.column(BESIDE_COST / half, INF, whole=False) for _ in range(2))
    terms = [place.terms("energy_kcal") for place in places]
    program.row([*terms, (over, -1.0), (under, 1.0)], middle, middle)


def _structure(program: _Program, meal: MealLimits, places: Sequence[_Place], breakfast: bool) -> None:
    """How many foods of each role make a meal."""

    def role(*names: str) -> list[tuple[int, float]]:
        return [(place.chosen, 1.0) for place in places if place.portion.role in names]

    def minus(terms: Sequence[tuple[int, float]]) -> list[tuple[int, float]]:
        return [(column, -value) for column, value in terms]

    def at_least_one(*names: str, most: float) -> None:
        terms = role(*names)
        program.row(terms, 1.0 if terms else 0.0, most)  # where nobody may eat any, the meal goes without

    more = 1.0 if meal.energy_kcal.most > BIG_MEAL_KCAL else 0.0
    if breakfast:
        wrong = [
            place
            for place in places
            if place.portion.role == "main"
            or (place.portion.role == "side" and place.food.group not in BREAKFAST_SIDES)
            or (place.portion.role == "starch" and place.food.group != "bread")
        ]
        program.row([(place.chosen, 1.0) for place in wrong], 0.0, 0.0)
        at_least_one("dairy", "powder", "side", "cereal", most=4.0)
        program.row(role("vegetable"), 0.0, 1.0)
        program.row([*role("fat"), *minus(role("starch"))], -INF, 0.0)  # on bread
    else:
        at_least_one("main", "side", most=2.0 + more)
        at_least_one("vegetable", most=3.0)
    all_of_it = [(place.chosen, 1.0) for place in places]
    program.row(all_of_it, 0.0, FOODS_PER_MEAL + 2.0 * more)
    for names, most in (("main", 1.0), ("side", 2.0), ("starch", 1.0 + more), ("fat", 2.0), ("dairy", 1.0 + more),
                        ("powder", 1.0), ("cereal", 1.0), ("fruit", 2.0), ("dried", 1.0), ("nut", 1.0 + more),
                        ("sweet", 1.0)):  # fmt: skip
        program.row(role(names), 0.0, most)
    program.row([*role("cereal"), *minus(role("dairy", "powder"))], -INF, 0.0)  # flakes are not eaten dry
    program.row([*role("powder"), *minus(role("dairy", "fruit"))], -INF, 0.0)
    program.row([*role("sweet"), *minus(role("dairy", "cereal", "fruit"))], -INF, 0.0)


def _once_a_day(program: _Program, meals: Sequence[tuple[MealLimits, Sequence[_Place]]]) -> None:
    if len(meals) < 2:
        return
    for same in zip(*(places for _, places in meals), strict=True):
        if same[0].portion.role not in REPEATED:
            program.row([(place.chosen, 1.0) for place in same], 0.0, 1.0)


def _items(places: Sequence[_Place], values: NDArray[np.float64]) -> list[Item]:
    items = []
    for place in places:
        steps = round(float(values[place.steps]))
        if steps > 0:
            units = steps * place.portion.step if place.food.unit else None
            items.append(Item(place.food, steps * place.grams_per_step, units))
    return items
