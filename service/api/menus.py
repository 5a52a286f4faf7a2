"""Menus: ordinary meals that come to the targets, a shopping list, and targets split over training and rest days."""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from math import ceil
from typing import Annotated, Any, Self

import orjson
from fastapi import APIRouter, Depends, Request, Response
from pydantic import ConfigDict, Field, model_validator

from service.api.athletes import AthletePath
from service.api.day_targets import (
    SPLIT_PCT,
    Grams,
    MenuTargets,
    refuse,
    shown_targets,
    targets_on,
)
from service.api.food_preferences import Words
from service.api.http.fields import Answer, Body, Date, Number, WholeNumber, fault
from service.api.http.problems import documented
from service.api.http.transaction import Here, ReadingRoute
from service.application.evidence.gather import evidence_for
from service.application.food import menu_orders
from service.application.food.food_preferences import FoodPreferences, refuse_unknown, standing_preferences
from service.application.food.menu_program import Item, Relaxed
from service.application.food.menus import Infeasible, MenuDay, nutrients_of
from service.application.log.foods import load_foods
from service.application.schedule import today_of
from service.auth import requires
from service.domain import evidence as ev
from service.domain.nutrition.foods import Diet, Food, Nutrients
from service.domain.nutrition.menu_limits import EatenPart
from service.domain.rules.menu_safety import refusals
from service.errors import Fault, Invalid, NotFound
from service.store.scope import Scope
from service.store.tables import Athlete
from service.store.types import Weekday

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
    today = today_of(scope, athlete)
    first = body.from_ or today
    dates = [first + timedelta(days=offset) for offset in range(body.days)]
    foods = await load_foods(scope)
    order = await _order(scope, athlete, body, first, foods)
    (batch,) = await evidence_for(scope, [athlete], {today, min(first, today)})
    evidence, then = batch.evidence[athlete.id, today], batch.evidence[athlete.id, min(first, today)]
    policy = batch.policies[athlete.id].policy
    targets = await targets_on(scope, athlete, then, body.targets, dates)
    for day in dict.fromkeys(targets):
        refuse(refusals(evidence, policy, day))
    try:
        menus = await menu_orders.make_menus(scope, athlete, order, targets, (evidence, policy), foods)
    except Infeasible as none:
        raise _infeasible(none) from none
    answer = MenuAnswer(
        days=[
            _shown_day(day, menus.targets[index], menus.eaten if index == 0 else None)
            for index, day in enumerate(menus.days)
        ],
        shopping=[_purchase(food, grams, foods) for food, grams in menus.shopping],
        eating_window=menus.eating_window and dict(menus.eating_window),
        cautions=list(menus.cautions),
        seed=body.seed,
    )
    return _as_lines(answer) if NDJSON in request.headers.get("accept", "") else answer


async def _order(
    scope: Scope, athlete: Athlete, body: MenuBody, first: date, foods: Mapping[str, Food]
) -> menu_orders.MenuOrder:
    """What the request asks for, its preferences on top of the athlete's standing ones."""
    words = {name: getattr(body, name) for name in ("exclude", "prefer", "less", "at_hand")}
    refuse_unknown(words, foods)
    asked = FoodPreferences(
        pattern=body.pattern or athlete.food_pattern or "omnivore",
        **{name: tuple(listed) for name, listed in words.items()},
    )
    return menu_orders.MenuOrder(
        first=first,
        preferences=asked.on_top_of(await standing_preferences(scope, athlete.id)),
        meals_per_day=body.meals_per_day,
        meals_left=body.meals_left,
        eaten=None if body.eaten is None else EatenPart(**body.eaten.model_dump()),
        training_days=body.training_days,
        split_pct=body.split_pct,
        seed=body.seed,
    )


def _infeasible(none: Infeasible) -> Invalid:
    relax = [_shown_relaxed(limit) for limit in none.relax]
    words = "; ".join(
        f"{limit['limit']} {limit['side'].replace('_', ' ')} {limit['value']:g} moved to {limit['to']:g}"
        for limit in relax
    )
    detail = f"no menu of these foods keeps the limits of {none.date}"
    detail += f"; there is one with {words}" if relax else ", whatever limit is moved: allow more foods"
    faults = [Fault(pointer="/targets", code="infeasible", detail=detail)]
    return Invalid(detail, faults, code="infeasible", date=none.date.isoformat(), relax=relax)


def _shown_relaxed(relaxed: Relaxed) -> dict[str, Any]:
    """How far a limit has to move: down for what must be reached, up for what must not be passed; rounded outward."""
    scale = 1.0 if "energy" in relaxed.limit else 10.0
    by = ceil(relaxed.by * scale) / scale * (-1.0 if relaxed.side == "at_least" else 1.0)
    return {
        "limit": relaxed.limit,
        "side": relaxed.side,
        "value": round(relaxed.value, 1),
        "by": by,
        "to": round(relaxed.value + by, 1),
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
    rest = answer.model_dump(mode="json")
    lines = [{"type": "menu_day", **day} for day in rest.pop("days")] + [{"type": "shopping_list", **rest}]
    return Response(b"".join(orjson.dumps(line) + b"\n" for line in lines), media_type=NDJSON)
