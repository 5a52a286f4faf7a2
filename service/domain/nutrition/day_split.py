"""Targets of training days and rest days, with the weekly sum kept."""

from dataclasses import dataclass, replace
from math import gcd

from service.domain.evidence import Meal, Targets
from service.domain.physiology.energy import CARBOHYDRATE_KCAL_PER_G

STEP_KCAL = 20.0  # 5 g of carbohydrate: people weigh in round numbers


@dataclass(frozen=True)
class Split:
    """What to eat on either kind of day."""

    training_day: Targets
    rest_day: Targets


def split_targets(targets: Targets, training_days_per_week: int, swing_pct: float, energy_floor_kcal: float) -> Split:
    """Move carbohydrate from rest days to training days; the week's energy and protein stay exactly the same.

    Parameters: `training_days_per_week`, 0–7; `swing_pct`, wished difference between the two kinds of day, percent
    of the daily energy (common practice, no source); `energy_floor_kcal`, below which no rest day goes. With t training
    and r rest days, g their greatest common divisor and k a multiple of 20 kcal, a training day gets r/g·k more and a
    rest day t/g·k less, so that t·(r/g·k) = r·(t/g·k); k is the largest that keeps to the swing, the floor and the
    carbohydrate there is. Protein, fat and fibre stay. Both kinds equal the targets where no k does.
    """
    training, rest = training_days_per_week, 7 - training_days_per_week
    if training == 0 or rest == 0:
        return Split(targets, targets)
    up, down = rest // gcd(training, rest), training // gcd(training, rest)
    spare = max(targets.energy_kcal - energy_floor_kcal, 0.0)
    if targets.carbohydrate_g is not None:
        spare = min(spare, CARBOHYDRATE_KCAL_PER_G * targets.carbohydrate_g)
    steps = min(targets.energy_kcal * swing_pct / 100.0 / (up + down), spare / down) // STEP_KCAL
    return Split(_moved(targets, up * steps * STEP_KCAL), _moved(targets, -down * steps * STEP_KCAL))


def _moved(targets: Targets, by_kcal: float) -> Targets:
    energy = targets.energy_kcal + by_kcal
    carbohydrate = targets.carbohydrate_g
    return replace(
        targets,
        energy_kcal=energy,
        carbohydrate_g=None if carbohydrate is None else carbohydrate + by_kcal / CARBOHYDRATE_KCAL_PER_G,
        meals=_meals(targets.meals, energy),
    )


def _meals(meals: tuple[Meal, ...], energy_kcal: float) -> tuple[Meal, ...]:
    """The meals in their proportions on the new sum, in whole tens; what rounding leaves goes to the largest."""
    if not meals:
        return ()
    old = sum(meal.energy_kcal for meal in meals)
    shares = [round(meal.energy_kcal * energy_kcal / old / 10.0) * 10.0 for meal in meals]
    shares[shares.index(max(shares))] += energy_kcal - sum(shares)
    return tuple(replace(meal, energy_kcal=share) for meal, share in zip(meals, shares, strict=True))
