"""Menus: ordinary meals that come to the targets, a shopping list, and targets split over training and rest days."""

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from math import ceil
from typing import Annotated, Any, Self

import orjson
from fastapi import APIRouter, Depends, Request, Response
from pydantic import ConfigDict, Field, model_validator

from service.api.athletes import AthletePath
from service.api.day_targets import (
    SPLIT_PCT,
    WEEKDAYS,
    Grams,
    MenuTargets,
    Weekday,
    refuse,
    shown_targets,
    targets_on,
)
from service.api.food_preferences import Words, preferences_row, refuse_unknown
from service.api.http.fields import Answer, Body, Date, Number, WholeNumber, fault
from service.api.http.problems import documented
from service.api.http.transaction import Here, ReadingRoute
from service.application.evidence.gather import evidence_for
from service.application.food.menu_program import Item, Relaxed
from service.application.food.menus import FoodPreferences, Infeasible, MenuDay, nutrients_of, plan_menus, shopping
from service.application.log.foods import load_foods
from service.application.schedule import today_of
from service.auth import requires
from service.domain import evidence as ev
from service.domain.nutrition.day_split import split_targets
from service.domain.nutrition.foods import NUTRIENTS, Diet, Food, Nutrients, total
from service.domain.nutrition.menu_limits import DayLimits, day_limits, eaten_so_far
from service.domain.policy import Policy
from service.domain.rules.gate import gate
from service.domain.rules.menu_safety import cautions, protein_ceiling_g, refusals
from service.domain.rules.targets import energy_floor_kcal
from service.errors import Fault, Invalid, NotFound
from service.store.scope import Scope, table_of
from service.store.tables import Meal

NDJSON = "application/x-ndjson"
router = APIRouter(tags=["foods"], route_class=ReadingRoute)


class EatenSoFar(Body):
    """What was eaten already today."""

    energy_kcal: Annotated[Number, Field(ge=0, le=30000)]
    protein_g: Grams | None = None
    fat_g: Grams | None = Field(None, description="unknown fat and carbohydrate are taken as the targets have them")
    carbohydrate_g: Grams | None = None
    fibre_g: Grams | None = None
    alcohol_g: Grams | None = None


class MenuBody(Body):
    """Menus for some days; everything is optional."""

    model_config = ConfigDict(populate_by_name=True)

    from_: Date | None = Field(None, alias="from", description="today by default")
    days: Annotated[WholeNumber, Field(ge=1, le=14)] = 7
    targets: MenuTargets | None = Field(None, description="by default those in force on each day")
    pattern: Diet | None = Field(None, description="the athlete's by default, else omnivore")
    meals_per_day: Annotated[WholeNumber, Field(ge=1, le=4)] | None = None
    exclude: Words = Field(default_factory=list, description="beside the athlete's standing exclusions")
    prefer: Words = Field(default_factory=list)
    less: Words = Field(default_factory=list)
    at_hand: Words = Field(default_factory=list, description="when given, only these are used")
    meals_left: Annotated[WholeNumber, Field(ge=1, le=4)] | None = Field(
        None, description="the first day is under way: so many meals are left of it"
    )
    eaten: EatenSoFar | None = Field(None, description="on the first day so far; the logged meals by default")
    training_days: Annotated[list[Weekday], Field(max_length=7)] | None = Field(
        None, description="split the week's carbohydrate: more on these days, the week's sum kept"
    )
    split_pct: Annotated[Number, Field(ge=0, le=40)] = SPLIT_PCT
    seed: Annotated[WholeNumber, Field(ge=0, le=2**31 - 1)] = 1

    @model_validator(mode="after")
    def _a_day_under_way(self) -> Self:
        if self.eaten is not None and self.meals_left is None:
            raise fault("meals_left_missing", "say how many meals are left of the day")
        return self


class MenuItem(Answer):
    """A food in a meal, in the state that it is eaten in."""

    food: str
    name: str
    grams: float
    units: float | None
    unit: str | None


class MenuMeal(Answer):
    """A meal and its sums."""

    slot: int
    items: list[MenuItem]
    energy_kcal: float
    protein_g: float
    fat_g: float
    carbohydrate_g: float
    fibre_g: float


class MenuOfDay(Answer):
    """A day's meals, their sums and what they are held against."""

    date: date
    meals: list[MenuMeal]
    eaten: dict[str, float] | None
    totals: dict[str, float]
    targets: dict[str, Any]


class Purchase(Answer):
    """A food with its grams as eaten, and what to buy where that is another: raw for cooked, on the same protein."""

    food: str
    name: str
    grams: float
    buy: dict[str, Any] | None


class MenuAnswer(Answer):
    """Menus and the shopping list."""

    days: list[MenuOfDay]
    shopping: list[Purchase]
    eating_window: dict[str, str] | None
    cautions: list[str]
    seed: int


@router.post(
    "/athletes/{athlete_id}/menus",
    dependencies=[Depends(requires("coaching:read"))],
    response_model=MenuAnswer,
    responses={
        **documented(NotFound),
        200: {"content": {NDJSON: {"schema": {"type": "string", "description": "a line a day, then the shopping"}}}},
    },
)
async def make_menus(athlete: AthletePath, body: MenuBody, scope: Here, request: Request) -> Any:
    """Menus that keep the targets: energy ± 3 %, fat and carbohydrate ± 10 %, protein and fibre at least.

    Where none exists, 422 with `code` `infeasible` and in `relax` which limits would have to move, and by how much;
    where safety forbids one, 422 with `code` `referral`, or `energy_floor` for targets that are only too low. Safety is
    judged by what is known today, also for targets of the request. The same request gives the same menus.
    """
    today = today_of(athlete)
    first = body.from_ or today
    dates = [first + timedelta(days=offset) for offset in range(body.days)]
    foods = await load_foods(scope)
    preferences = await _preferences(scope, athlete, body, foods)
    (batch,) = await evidence_for(scope, [athlete], {today, min(first, today)})
    evidence, then = batch.evidence[athlete.id, today], batch.evidence[athlete.id, min(first, today)]
    policy = batch.policies[athlete.id].policy
    targets = await targets_on(scope, athlete, then, body.targets, dates)
    for one in dict.fromkeys(targets):
        refuse(refusals(evidence, policy, one))
    targets = _split_days(body, dates, targets, energy_floor_kcal(evidence, policy))
    per_day = body.meals_per_day or len(targets[0].meals) or athlete.meals_per_day or policy.meals_per_day
    eaten = await _eaten(scope, athlete, body, first, targets[0])
    limits = _limits(targets, per_day, eaten, body.meals_left, _ceiling(evidence, policy))
    try:
        days = await asyncio.to_thread(
            plan_menus, list(foods.values()), preferences, first, limits, body.seed, max(per_day, len(limits[-1].meals))
        )
    except Infeasible as none:
        raise _infeasible(none) from none
    answer = MenuAnswer(
        days=[_shown_day(day, targets[index], eaten if index == 0 else None) for index, day in enumerate(days)],
        shopping=[_purchase(food, grams, foods) for food, grams in shopping(days)],
        eating_window=_window(athlete, evidence, policy),
        cautions=list(cautions(evidence, policy, targets[0])),
        seed=body.seed,
    )
    return _as_lines(answer) if NDJSON in request.headers.get("accept", "") else answer


async def _preferences(scope: Scope, athlete: Any, body: MenuBody, foods: Mapping[str, Food]) -> FoodPreferences:
    """The request's preferences on top of the standing ones; standing exclusions cannot be taken back."""
    said = {name: getattr(body, name) for name in ("exclude", "prefer", "less", "at_hand")}
    refuse_unknown(said, foods)
    row = await preferences_row(scope, athlete.id)
    pattern: Diet = body.pattern or athlete.food_pattern or "omnivore"
    return FoodPreferences(
        pattern=pattern,
        exclude=(*(row.exclude if row else ()), *body.exclude),
        prefer=(*(row.prefer if row else ()), *body.prefer),
        less=(*(row.less if row else ()), *body.less),
        at_hand=tuple(body.at_hand),
    )


def _split_days(
    body: MenuBody, dates: Sequence[date], targets: list[ev.Targets], floor_kcal: float
) -> list[ev.Targets]:
    if body.training_days is None:
        return targets
    training = set(body.training_days)
    halves = [split_targets(one, len(training), body.split_pct, floor_kcal) for one in targets]
    return [
        half.training_day if WEEKDAYS[day.weekday()] in training else half.rest_day
        for day, half in zip(dates, halves, strict=True)
    ]


async def _eaten(scope: Scope, athlete: Any, body: MenuBody, first: date, targets: ev.Targets) -> Nutrients | None:
    """What is behind on a day under way: said, else logged (doubted meals left out)."""
    if body.meals_left is None:
        return None
    if body.eaten is not None:
        return eaten_so_far(targets, **body.eaten.model_dump())
    meal = table_of(Meal)
    logged = scope.select(Meal).where(meal.c.athlete_id == athlete.id, meal.c.date == first, meal.c.suspect.is_(None))
    parts = [
        eaten_so_far(targets, **{name: getattr(row, name) for name in NUTRIENTS}) for row in await scope.rows(logged)
    ]
    return total(parts)


def _limits(
    targets: Sequence[ev.Targets], per_day: int, eaten: Nutrients | None, left: int | None, ceiling: float | None
) -> list[DayLimits]:
    whole = [_in_meals(one, per_day) for one in targets]
    first = day_limits(whole[0], per_day, eaten, left, ceiling)
    return [first, *(day_limits(one, per_day, protein_most_g=ceiling) for one in whole[1:])]


def _in_meals(targets: ev.Targets, per_day: int) -> ev.Targets:
    """Targets without their meals where another number of meals is asked for."""
    return targets if len(targets.meals) == per_day else replace(targets, meals=())


def _ceiling(evidence: ev.Evidence, policy: Policy) -> float | None:
    return protein_ceiling_g(evidence, policy) if gate(evidence, policy).kidney_closed else None


def _window(athlete: Any, evidence: ev.Evidence, policy: Policy) -> dict[str, str] | None:
    """The eating window that the meals fall into; none for anybody on the referral list."""
    window = evidence.targets.eating_window if evidence.targets else None
    if gate(evidence, policy).on_referral_list:
        return None
    return {"from": window.start, "to": window.end} if window else athlete.eating_window


def _infeasible(none: Infeasible) -> Invalid:
    relax = [_shown_relaxed(one) for one in none.relax]
    words = "; ".join(
        f"{one['limit']} {one['side'].replace('_', ' ')} {one['value']:g} moved to {one['to']:g}" for one in relax
    )
    detail = f"no menu of these foods keeps the limits of {none.date}"
    detail += f"; there is one with {words}" if relax else ", whatever limit is moved: allow more foods"
    faults = [Fault(pointer="/targets", code="infeasible", detail=detail)]
    return Invalid(detail, faults, code="infeasible", date=none.date.isoformat(), relax=relax)


def _shown_relaxed(one: Relaxed) -> dict[str, Any]:
    """How far a limit has to move: down for what must be reached, up for what must not be passed; rounded outward."""
    scale = 1.0 if "energy" in one.limit else 10.0
    by = ceil(one.by * scale) / scale * (-1.0 if one.side == "at_least" else 1.0)
    return {
        "limit": one.limit,
        "side": one.side,
        "value": round(one.value, 1),
        "by": by,
        "to": round(one.value + by, 1),
    }


def _shown_day(day: MenuDay, targets: ev.Targets, eaten: Nutrients | None) -> MenuOfDay:
    planned = nutrients_of(day.items)
    behind = eaten or Nutrients()
    sums = {name: round(value + getattr(behind, name), 1) for name, value in vars(planned).items()}
    return MenuOfDay(
        date=day.date,
        meals=[_shown_meal(slot, items) for slot, items in day.menu.meals],
        eaten=vars(eaten.rounded()) if eaten else None,
        totals=sums,
        targets=shown_targets(targets),
    )


def _shown_meal(slot: int, items: Sequence[Item]) -> MenuMeal:
    listed = [
        MenuItem(
            food=item.food.slug,
            name=item.food.name,
            grams=item.grams,
            units=item.units,
            unit=item.food.unit.name if item.food.unit else None,
        )
        for item in items
    ]
    return MenuMeal(slot=slot, items=listed, **vars(nutrients_of(items).rounded()))


def _purchase(food: Food, grams: float, foods: Mapping[str, Food]) -> Purchase:
    raw = foods.get(food.raw) if food.raw else None
    buy = raw and {"food": raw.slug, "name": raw.name, "grams": round(food.bought_grams(grams, raw))}
    return Purchase(food=food.slug, name=food.name, grams=grams, buy=buy)


def _as_lines(answer: MenuAnswer) -> Response:
    """One line for each day, then one with the shopping list and the rest."""
    said = answer.model_dump(mode="json")
    lines = [{"type": "menu_day", **day} for day in said.pop("days")] + [{"type": "shopping_list", **said}]
    return Response(b"".join(orjson.dumps(line) + b"\n" for line in lines), media_type=NDJSON)
