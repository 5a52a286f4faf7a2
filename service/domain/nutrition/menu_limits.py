"""What a day's menu has to keep: bands around the targets, shared over the meals, less what was eaten already."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from service.domain.evidence import Meal, Targets
from service.domain.nutrition.foods import Nutrients

ENERGY_BAND = 0.03  # of the day's target
MACRO_BAND = 0.10  # of the day's fat and carbohydrate
FIBRE_MOST = 2.0  # of the day's target: more upsets the gut; common practice, no source
MEAL_ENERGY_BAND = 0.25  # of the meal's share: common practice, no source
MEAL_PROTEIN_BAND = 0.20  # of the meal's share: even protein, Schoenfeld & Aragon 2018, 10.1186/s12970-018-0215-1
INF = float("inf")


@dataclass(frozen=True)
class Band:
    """A quantity must lie between two values, both allowed."""

    least: float = 0.0
    most: float = INF

    def less(self, amount: float) -> "Band":
        """What is left of the band after an amount; it may lie below zero, and then nothing can keep it."""
        return Band(self.least - amount, self.most - amount)


@dataclass(frozen=True)
class MealLimits:
    """What one meal has to keep."""

    slot: int
    energy_kcal: Band
    protein_g: Band


@dataclass(frozen=True)
class DayLimits:
    """What the meals of a day have to keep together and each by itself."""

    energy_kcal: Band
    protein_g: Band
    fat_g: Band
    carbohydrate_g: Band
    fibre_g: Band
    meals: tuple[MealLimits, ...]


DAY_NUTRIENTS = ("energy_kcal", "protein_g", "fat_g", "carbohydrate_g", "fibre_g")


def day_limits(
    targets: Targets, meals_per_day: int, eaten: Nutrients | None = None, meals_left: int | None = None,
    protein_most_g: float | None = None,
) -> DayLimits:  # fmt: skip
    """The limits of a day's menu.

    Parameters: `targets`, of the whole day; `meals_per_day`, used where the targets name no meals; `eaten` and
    `meals_left`, what is behind and how many meals are ahead (bands stay those of the whole day); `protein_most_g`, a
    ceiling for the day. Energy ± 3 %, fat and carbohydrate ± 10 %, protein and fibre at least the target (fibre at most
    twice); each meal within ± 25 % of its energy and ± 20 % of its protein. Targets that say nothing of a nutrient do
    not limit it.
    """
    eaten = eaten or Nutrients()
    energy, protein = targets.energy_kcal, targets.protein_g
    meals = targets.meals or even_meals(energy, protein or 0.0, meals_per_day)
    ahead = meals if meals_left is None else meals[max(0, len(meals) - meals_left) :]
    energy_left = max(energy - eaten.energy_kcal, 0.0)
    protein_left = max((protein or 0.0) - eaten.protein_g, 0.0)
    ahead = share_out(ahead, energy_left, protein_left) if meals_left is not None else ahead
    return DayLimits(
        Band(energy * (1 - ENERGY_BAND), energy * (1 + ENERGY_BAND)).less(eaten.energy_kcal),
        Band(protein or 0.0, INF if protein_most_g is None else protein_most_g).less(eaten.protein_g),
        _around(targets.fat_g).less(eaten.fat_g),
        _around(targets.carbohydrate_g).less(eaten.carbohydrate_g),
        Band(targets.fibre_g or 0.0, FIBRE_MOST * targets.fibre_g if targets.fibre_g else INF).less(eaten.fibre_g),
        tuple(_meal(meal, protein is not None) for meal in ahead),
    )


def limits_of_days(
    targets: Sequence[Targets], meals_per_day: int, eaten: Nutrients | None, meals_left: int | None,
    protein_most_g: float | None,
) -> list[DayLimits]:  # fmt: skip
    """The limits of consecutive days, the first of which may be under way; parameters as `day_limits`.

    Targets give up their meals where another number of meals is asked for.
    """
    whole = [day if len(day.meals) == meals_per_day else replace(day, meals=()) for day in targets]
    first = day_limits(whole[0], meals_per_day, eaten, meals_left, protein_most_g)
    return [first, *(day_limits(day, meals_per_day, protein_most_g=protein_most_g) for day in whole[1:])]


class EatenPart(NamedTuple):
    """What is known of a meal or a day so far, kcal and g; None where it was not said."""

    energy_kcal: float
    protein_g: float | None = None
    fat_g: float | None = None
    carbohydrate_g: float | None = None
    fibre_g: float | None = None
    alcohol_g: float | None = None


def eaten_so_far(
    targets: Targets, energy_kcal: float, protein_g: float | None, fat_g: float | None, carbohydrate_g: float | None,
    fibre_g: float | None, alcohol_g: float | None,
) -> Nutrients:  # fmt: skip
    """What is behind on a day, with what was not said filled in.

    Unknown fat and carbohydrate share the energy that protein, alcohol and the known one leave, in the proportion of
    the targets; unknown protein and fibre count as none, so that the rest of the day makes sure of them.
    """
    rest = energy_kcal - 4.0 * (protein_g or 0.0) - 7.0 * (alcohol_g or 0.0)
    rest = max(rest - 9.0 * (fat_g or 0.0) - 4.0 * (carbohydrate_g or 0.0), 0.0)
    wanted_fat = 9.0 * (targets.fat_g or 0.0) if fat_g is None else 0.0
    wanted_carbohydrate = 4.0 * (targets.carbohydrate_g or 0.0) if carbohydrate_g is None else 0.0
    share = rest / ((wanted_fat + wanted_carbohydrate) or 1.0)
    return Nutrients(
        energy_kcal,
        protein_g or 0.0,
        share * wanted_fat / 9.0 if fat_g is None else fat_g,
        share * wanted_carbohydrate / 4.0 if carbohydrate_g is None else carbohydrate_g,
        fibre_g or 0.0,
        alcohol_g or 0.0,
    )


def even_meals(energy_kcal: float, protein_g: float, count: int) -> tuple[Meal, ...]:
    """Equal shares of a day."""
    return tuple(Meal(slot, energy_kcal / count, protein_g / count) for slot in range(1, count + 1))


def share_out(meals: Sequence[Meal], energy_kcal: float, protein_g: float) -> tuple[Meal, ...]:
    """The same meals made smaller or larger in proportion, so that they come to these sums."""
    energy = sum(meal.energy_kcal for meal in meals) or 1.0
    protein = sum(meal.protein_g for meal in meals) or 1.0
    return tuple(
        replace(
            meal,
            energy_kcal=meal.energy_kcal * energy_kcal / energy,
            protein_g=meal.protein_g * protein_g / protein,
        )
        for meal in meals
    )


def _around(grams: float | None) -> Band:
    return Band() if grams is None else Band(grams * (1 - MACRO_BAND), grams * (1 + MACRO_BAND))


def _meal(meal: Meal, with_protein: bool) -> MealLimits:
    energy, protein = meal.energy_kcal, meal.protein_g
    return MealLimits(
        meal.slot,
        Band(energy * (1 - MEAL_ENERGY_BAND), energy * (1 + MEAL_ENERGY_BAND)),
        Band(protein * (1 - MEAL_PROTEIN_BAND), protein * (1 + MEAL_PROTEIN_BAND)) if with_protein else Band(),
    )
