"""What meals logged as foods come to, which meals are suspect, and each day's energy and food state without them."""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

from service.application.log.changes import Changes, MealSums, Verdict, write_changes
from service.application.log.days import DayKey, Days, around, put_days
from service.application.log.foods import load_foods, names_own_food, sum_of_foods, with_own
from service.domain.plausibility.suspect_readings import suspect_energy
from service.domain.records import FoodState
from service.store.scope import Scope, table_of
from service.store.tables import FoodDay, Json, Meal
from service.store.types import DeclaredFoodDay


class Eaten(NamedTuple):
    """What is looked at of a meal."""

    id: uuid.UUID
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


@dataclass
class DayFood:
    """The sums of a day's accepted meals, as columns of `athlete_day`; a meal without a value makes its sum unknown."""

    meals: int = 0
    energy_kcal: float | None = None
    protein_g: float | None = None
    carbohydrate_g: float | None = None
    food_state: int = FoodState.NOT_LOGGED

    def add(self, meal: Eaten) -> None:
        """Add a meal."""
        self.meals += 1
        self.energy_kcal = self._sum(self.energy_kcal, meal.energy_kcal)
        self.protein_g = self._sum(self.protein_g, meal.protein_g)
        self.carbohydrate_g = self._sum(self.carbohydrate_g, meal.carbohydrate_g)

    def _sum(self, before: float | None, value: float | None) -> float | None:
        if value is None or (self.meals > 1 and before is None):
            return None
        return (before or 0.0) + value

    def settle(self, declared: DeclaredFoodDay | None, suspect: bool) -> None:
        """Say what is known of the day as a whole; a declared fast is a day of nothing."""
        self.food_state = int(_food_state(self.meals, declared, suspect))
        if self.food_state == FoodState.FAST:
            self.energy_kcal = self.protein_g = self.carbohydrate_g = 0.0


async def roll_up(scope: Scope, days: Days) -> Changes:
    """The day's sums without suspect meals, and what is known of the day as a whole."""
    meals, sums = await _added_up(scope, await _meals(scope, days))
    verdicts: dict[uuid.UUID, Verdict] = {}
    by_day: dict[DayKey, DayFood] = {key: DayFood() for key in days}
    with_suspects: Days = set()
    for meal in sorted(meals, key=_by_content):  # a sum's last bit follows the order
        key = (meal.athlete_id, meal.date)
        suspect = None if meal.confirmed else _suspect_meal(meal)
        if suspect != meal.suspect:
            verdicts[meal.id] = Verdict(suspect)
        if key not in by_day:
            continue
        if suspect is None:
            by_day[key].add(meal)
        else:
            with_suspects.add(key)
    declared = await _declared(scope, days)
    for key, day in by_day.items():
        day.settle(declared.get(key), key in with_suspects)
    await write_changes(scope, Meal, sums)
    await write_changes(scope, Meal, verdicts)
    await put_days(scope, {key: vars(day) for key, day in by_day.items()})
    return {
        entry: [change for change in (sums.get(entry), verdicts.get(entry)) if change is not None]
        for entry in sums.keys() | verdicts.keys()
    }


async def _meals(scope: Scope, days: Days) -> list[Eaten]:
    table = table_of(Meal)
    statement = scope.select(*(table.c[name] for name in Eaten._fields), of=[Meal])
    return [Eaten._make(row) for row in await scope.rows(statement.where(*around(Meal, days)))]


async def _declared(scope: Scope, days: Days) -> dict[DayKey, DeclaredFoodDay]:
    table = table_of(FoodDay)
    statement = scope.select(table.c.athlete_id, table.c.date, table.c.state, of=[FoodDay])
    rows = await scope.rows(statement.where(*around(FoodDay, days)))
    return {(row.athlete_id, row.date): row.state for row in rows}


async def _added_up(scope: Scope, meals: Sequence[Eaten]) -> tuple[list[Eaten], Mapping[uuid.UUID, MealSums]]:
    """The meals, those logged as foods with their totals, and which of these are new.

    What the caller gave as a total stays. A meal keeps the sum of the day on which it was logged when the practice
    changes a food later.
    """
    own = any(names_own_food(meal.foods) for meal in meals if meal.foods and not _is_added_up(meal))
    foods = await load_foods(scope) if own else with_own(())
    added: list[Eaten] = []
    changes: dict[uuid.UUID, MealSums] = {}
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
