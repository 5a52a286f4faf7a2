"""What meals logged as foods come to, which meals are suspect, and each day's energy and food state without them."""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date
from typing import NamedTuple

from service.application.log.changes import Change, EntryId, MealSums, Verdict
from service.application.log.days import DayKey, Days, DayValues, around, of_days
from service.application.log.foods import load_foods, names_own_food, sum_of_foods, with_own
from service.application.log.rolled_up import New, RolledUp
from service.domain.nutrition.foods import Food
from service.domain.plausibility.suspect_readings import suspect_energy
from service.domain.records import FoodState
from service.store.scope import Scope
from service.store.tables import FoodDay, Json, Meal
from service.store.types import DeclaredFoodDay


class Eaten(NamedTuple):
    """What is looked at of a meal."""

    id: EntryId
    athlete_id: uuid.UUID
    date: date
    suspect: Json | None
    confirmed: bool
    energy_kcal: float
    protein_g: float | None
    fat_g: float | None
    carbohydrate_g: float | None
    fibre_g: float | None
    alcohol_g: float | None
    foods: list[Json] | None
    given: dict[str, float] | None
    from_foods: Json | None


_EATEN = of_days(Meal, Eaten._fields)
_DECLARED = of_days(FoodDay, ("athlete_id", "date", "state"))


class Stored(NamedTuple):
    """What is stored: the meals of the days, what was declared of them, and the foods that can be named."""

    meals: list[Eaten]
    declared: dict[DayKey, DeclaredFoodDay]
    foods: Mapping[str, Food]


async def read(scope: Scope, days: Days, new: New) -> Stored:
    """What is stored that the meals of these days are to be judged with."""
    meals = await _meals(scope, days)
    own = any(names_own_food(meal.foods) for meal in (*meals, *new.rows) if meal.foods and not _is_added_up(meal))
    return Stored(meals, await _declared(scope, days), await load_foods(scope) if own else with_own(()))


def settle(stored: Stored, days: Days, new: New) -> RolledUp:
    """The day's sums without suspect meals, and what is known of the day as a whole."""
    meals, sums = _added_up([*stored.meals, *new.rows], stored.foods)
    declared = {**stored.declared, **new.declared}
    changes: dict[EntryId, list[Change]] = {entry: [change] for entry, change in sums.items()}
    by_day: dict[int, dict[date, list[Eaten]]] = defaultdict(lambda: defaultdict(list))  # by the athlete's number
    for meal in meals:
        by_day[meal.athlete_id.int][meal.date].append(meal)
    values: dict[DayKey, DayValues] = {}
    for key in days:
        accepted, suspects = [], False
        for meal in by_day[key[0].int].pop(key[1], ()):
            suspect = _settled(meal, changes)
            if suspect is None:
                accepted.append(meal)
            suspects |= suspect is not None
        values[key] = _day(accepted, _food_state(len(accepted), declared.get(key), suspects))
    for meal in (meal for of_athlete in by_day.values() for day in of_athlete.values() for meal in day):
        _settled(meal, changes)
    return RolledUp(changes, values)


def _settled(meal: Eaten, changes: dict[EntryId, list[Change]]) -> Json | None:
    """Why a meal is suspect; noted where it was not known so."""
    suspect = None if meal.confirmed else _suspect_meal(meal)
    if suspect != meal.suspect:
        changes.setdefault(meal.id, []).append(Verdict(suspect))
    return suspect


def _day(meals: list[Eaten], state: FoodState) -> DayValues:
    """The sums of a day's accepted meals, as columns of `athlete_day`; a meal without a value makes its sum unknown.

    A declared fast is a day of nothing.
    """
    if state == FoodState.FAST:
        return {
            "meals": 0, "energy_kcal": 0.0, "protein_g": 0.0, "carbohydrate_g": 0.0, "food_state": int(state),
        }  # fmt: skip
    if len(meals) > 1:
        meals.sort(key=_by_content)  # a sum's last bit follows the order
    return {
        "meals": len(meals),
        "energy_kcal": _sum([meal.energy_kcal for meal in meals]),
        "protein_g": _sum([meal.protein_g for meal in meals]),
        "carbohydrate_g": _sum([meal.carbohydrate_g for meal in meals]),
        "food_state": int(state),
    }


def _sum(values: Sequence[float | None]) -> float | None:
    total = 0.0
    for value in values:
        if value is None:
            return None
        total += value
    return total if values else None


async def _meals(scope: Scope, days: Days) -> list[Eaten]:
    return [Eaten._make(row) for row in await around(scope, _EATEN, days)]


async def _declared(scope: Scope, days: Days) -> dict[DayKey, DeclaredFoodDay]:
    return {(row.athlete_id, row.date): row.state for row in await around(scope, _DECLARED, days)}


def _added_up(meals: Sequence[Eaten], foods: Mapping[str, Food]) -> tuple[list[Eaten], Mapping[EntryId, MealSums]]:
    """The meals, those logged as foods with their totals, and which of these are new.

    What the caller gave as a total stays. A meal keeps the sum of the day on which it was logged when the practice
    changes a food later.
    """
    added: list[Eaten] = []
    changes: dict[EntryId, MealSums] = {}
    for meal in meals:
        if meal.foods:
            from_foods = meal.from_foods if _is_added_up(meal) else sum_of_foods(meal.foods, foods)
            assert from_foods is not None
            sums = MealSums(**{**from_foods["totals"], **(meal.given or {})}, from_foods=from_foods)
            if any(getattr(meal, name) != value for name, value in vars(sums).items()):
                changes[meal.id] = sums
                meal = meal._replace(**vars(sums))
        added.append(meal)
    return added, changes


def _is_added_up(meal: Eaten) -> bool:
    """Whether the sum on a meal is of the foods that it names now, all of them known."""
    made = meal.from_foods
    return made is not None and not made["unknown"] and bool(made["said"] == meal.foods)


def _suspect_meal(meal: Eaten) -> Json | None:
    unknown = meal.from_foods["unknown"] if meal.foods and meal.from_foods else ()
    if unknown:
        return {"reason": "unknown_food", "foods": unknown}
    suspect = suspect_energy(meal.energy_kcal)
    return None if suspect is None else {"reason": suspect.reason, "best_guess_kcal": suspect.best_guess_kcal}


def _by_content(meal: Eaten) -> tuple[float, ...]:
    values = (meal.energy_kcal, meal.protein_g, meal.carbohydrate_g)
    return tuple(-1.0 if value is None else value for value in values)


def _food_state(meals: int, declared: DeclaredFoodDay | None, suspect: bool) -> FoodState:
    if suspect:
        return FoodState.PARTIAL if meals else FoodState.NOT_LOGGED
    if meals == 0:
        return FoodState.FAST if declared == "fast" else FoodState.NOT_LOGGED
    if declared == "partial":
        return FoodState.PARTIAL
    return FoodState.UNKNOWN if declared is None else FoodState.COMPLETE
