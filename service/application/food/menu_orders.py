"""From what is asked for an athlete's days to their menus: targets, what is eaten already, limits, the foods."""

import uuid
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from service.application.food.food_preferences import FoodPreferences
from service.application.food.menu_swap import Swap, swap_food
from service.application.food.menus import MenuDay, plan_menus, shopping
from service.application.schedule import WEEKDAYS
from service.catalogue.dishes import dishes
from service.catalogue.sentences import render
from service.domain.evidence import Evidence, Targets
from service.domain.nutrition.day_split import split_targets
from service.domain.nutrition.foods import NUTRIENTS, Food, Nutrients, total
from service.domain.nutrition.logging_scale import LoggingScale
from service.domain.nutrition.menu_limits import DayLimits, EatenPart, eaten_so_far, limits_of_days
from service.domain.policy import Policy
from service.domain.rules.gate import gate
from service.domain.rules.menu_safety import cautions, protein_ceiling_g
from service.domain.rules.targets import energy_floor_kcal
from service.store.scope import Scope, table_of
from service.store.shared_writer import aside
from service.store.tables import Athlete, Meal


@dataclass(frozen=True)
class MenuOrder:
    """Menus asked for, from a day on.

    `meals_left` of a first day that is under way, with what was `eaten` on it (the logged meals where that is not
    said), both as the athlete logs; `training_days` (weekdays by name) where the week's carbohydrate is split over
    them, by `split_pct`.
    """

    first: date
    preferences: FoodPreferences
    meals_per_day: int | None = None
    meals_left: int | None = None
    eaten: EatenPart | None = None
    training_days: Collection[str] | None = None
    split_pct: float = 0.0
    seed: int = 1


@dataclass(frozen=True)
class DayTargets:
    """What a day is to come to as the athlete logs, and as it is weighed out."""

    logged: Targets
    weighed: Targets


@dataclass(frozen=True)
class Eaten:
    """What is behind of a day as the athlete logs, and as it would be weighed out."""

    logged: Nutrients
    weighed: Nutrients


@dataclass(frozen=True)
class Menus:
    """Menus with the targets that they keep, and what was eaten on the first day; what to buy, g as eaten.

    `ratio`, of what is eaten to what is logged, and `why`; `cautions`, what a coach should know.
    """

    days: Sequence[MenuDay]
    targets: Sequence[DayTargets]
    eaten: Eaten | None
    shopping: Sequence[tuple[Food, float]]
    eating_window: Mapping[str, str] | None
    cautions: Sequence[str]
    ratio: float
    why: str


async def make_menus(
    scope: Scope,
    athlete: Athlete,
    order: MenuOrder,
    targets: Sequence[Targets],
    known: tuple[Evidence, Policy],
    foods: Mapping[str, Food],
) -> Menus:
    """Menus for consecutive days; the solver works off the event loop.

    Parameters: `targets`, of each day, which the safety gate has let pass; `known`, what the rules know of the athlete
    today and the policy in force; `foods`, all there are by slug. Raises Infeasible when some day has no menu.
    """
    evidence, policy = known
    targets = _split_days(order, targets, energy_floor_kcal(evidence, policy))
    meals = order.meals_per_day or len(targets[0].meals) or athlete.meals_per_day or policy.meals_per_day
    kept = await _to_keep(scope, athlete, order, targets, known, meals)
    most_meals = max(meals, len(kept.limits[-1].meals))
    days = await aside(
        plan_menus, dishes().values(), list(foods.values()), order.preferences, order.first, kept.limits, order.seed,
        most_meals,
    )  # fmt: skip
    return _menus(athlete, known, kept, days)


async def swap(
    scope: Scope,
    athlete: Athlete,
    order: MenuOrder,
    targets: Targets,
    known: tuple[Evidence, Policy],
    foods: Mapping[str, Food],
    wanted: Swap,
) -> Menus:
    """A day's menu with one food replaced and its amounts moved, so that the day keeps its targets.

    Parameters as `make_menus`. Raises Invalid where the meals are none that a menu could be or nothing may stand in the
    food's place, Infeasible when no amounts keep the targets.
    """
    meals = order.meals_per_day or len(wanted.meals)
    kept = await _to_keep(scope, athlete, order, [targets], known, meals)
    menu = await aside(swap_food, wanted, dishes(), foods, order.preferences, kept.limits[0], order.first, order.seed)
    return _menus(athlete, known, kept, [MenuDay(order.first, menu)])


@dataclass(frozen=True)
class _Kept:
    """What the days have to keep."""

    scale: LoggingScale
    targets: Sequence[DayTargets]
    eaten: Eaten | None
    limits: Sequence[DayLimits]


async def _to_keep(
    scope: Scope, athlete: Athlete, order: MenuOrder, targets: Sequence[Targets], known: tuple[Evidence, Policy],
    meals: int,
) -> _Kept:  # fmt: skip
    evidence, policy = known
    scale = LoggingScale.of(evidence)
    floor_kcal = energy_floor_kcal(evidence, policy)
    both = [DayTargets(logged, scale.weighed(logged, floor_kcal)) for logged in targets]
    logged = await _eaten(scope, athlete.id, order, targets[0])
    eaten = None if logged is None else Eaten(logged, scale.eaten(logged))
    ceiling_g = protein_ceiling_g(evidence, policy) if gate(evidence, policy).kidney_closed else None
    limits = limits_of_days(
        [day.weighed for day in both], meals, eaten.weighed if eaten else None, order.meals_left, ceiling_g
    )
    return _Kept(scale, both, eaten, limits)


def _menus(athlete: Athlete, known: tuple[Evidence, Policy], kept: _Kept, days: Sequence[MenuDay]) -> Menus:
    evidence, policy = known
    first = kept.targets[0]
    return Menus(
        days=days,
        targets=kept.targets,
        eaten=kept.eaten,
        shopping=shopping(days),
        eating_window=_window(athlete, evidence, policy),
        cautions=[render(caution) for caution in cautions(evidence, policy, first.weighed)],
        ratio=kept.scale.ratio,
        why=render(kept.scale.why(first.logged, first.weighed)),
    )


def _split_days(order: MenuOrder, targets: Sequence[Targets], floor_kcal: float) -> Sequence[Targets]:
    if order.training_days is None:
        return targets
    training = set(order.training_days)
    halves = [split_targets(whole, len(training), order.split_pct, floor_kcal) for whole in targets]
    weekdays = [WEEKDAYS[(order.first + timedelta(days=offset)).weekday()] for offset in range(len(targets))]
    return [
        half.training_day if weekday in training else half.rest_day
        for weekday, half in zip(weekdays, halves, strict=True)
    ]


async def _eaten(scope: Scope, athlete_id: uuid.UUID, order: MenuOrder, targets: Targets) -> Nutrients | None:
    """What is behind on a day under way: said, else logged (doubted meals left out)."""
    if order.meals_left is None:
        return None
    if order.eaten is not None:
        return eaten_so_far(targets, *order.eaten)
    meal = table_of(Meal)
    logged = scope.select(Meal).where(
        meal.c.athlete_id == athlete_id, meal.c.date == order.first, meal.c.suspect.is_(None)
    )
    meals = [EatenPart(*(getattr(row, name) for name in NUTRIENTS)) for row in await scope.all(Meal, logged)]
    return total(eaten_so_far(targets, *part) for part in meals)


def _window(athlete: Athlete, evidence: Evidence, policy: Policy) -> Mapping[str, str] | None:
    """The eating window that the meals fall into; none for anybody on the referral list."""
    window = evidence.targets.eating_window if evidence.targets else None
    if gate(evidence, policy).on_referral_list:
        return None
    return {"from": window.start, "to": window.end} if window else athlete.eating_window
