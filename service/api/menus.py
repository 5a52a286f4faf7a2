"""Menus: ordinary dishes that come to the targets, a shopping list, and one food of a day replaced by another."""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Annotated, Any, Self

import orjson
from fastapi import APIRouter, Depends, Request, Response
from pydantic import ConfigDict, Field, model_validator

from service.api.athletes import AthletePath
from service.api.day_targets import SPLIT_PCT, Grams, MenuTargets, refuse, targets_on
from service.api.food_preferences import Words
from service.api.http.fields import Body, Date, Number, ShortText, WholeNumber, fault
from service.api.http.problems import documented
from service.api.http.transaction import Here, ReadingRoute
from service.api.menu_answers import MenuAnswer, infeasible, shown_menus
from service.application.evidence.gather import evidence_for
from service.application.food import menu_orders
from service.application.food.food_preferences import FoodPreferences, refuse_unknown, standing_preferences
from service.application.food.menu_orders import MenuOrder
from service.application.food.menu_swap import MenuLine, Swap
from service.application.food.menus import Infeasible
from service.application.log.foods import load_foods
from service.application.schedule import today_of
from service.auth import requires
from service.domain.evidence import Evidence, Targets
from service.domain.nutrition.foods import Diet, Food
from service.domain.nutrition.menu_limits import EatenPart
from service.domain.policy import Policy
from service.domain.rules.menu_safety import refusals
from service.errors import NotFound
from service.store.scope import Scope
from service.store.tables import Athlete
from service.store.types import Weekday

NDJSON = "application/x-ndjson"
MOST_MEALS = 6
router = APIRouter(tags=["foods"], route_class=ReadingRoute)
MealCount = Annotated[WholeNumber, Field(ge=1, le=MOST_MEALS)]


class EatenSoFar(Body):
    """What was eaten already today, as the athlete logs."""

    energy_kcal: Annotated[Number, Field(ge=0, le=30000)]
    protein_g: Grams | None = None
    fat_g: Grams | None = Field(None, description="unknown fat and carbohydrate are taken as the targets have them")
    carbohydrate_g: Grams | None = None
    fibre_g: Grams | None = None
    alcohol_g: Grams | None = None


class FoodsAsked(Body):
    """Which foods a menu may be made of, and what it is to come to."""

    targets: MenuTargets | None = Field(
        None, description="as the athlete logs, like all targets; by default those in force on each day"
    )
    pattern: Diet | None = Field(None, description="the athlete's by default, else omnivore")
    exclude: Words = Field(default_factory=list, description="beside the athlete's standing exclusions")
    prefer: Words = Field(default_factory=list)
    less: Words = Field(default_factory=list)
    at_hand: Words = Field(default_factory=list, description="when given, only these are used")
    eaten: EatenSoFar | None = Field(None, description="on the first day so far; the logged meals by default")
    seed: Annotated[WholeNumber, Field(ge=0, le=2**31 - 1)] = 1


class MenuBody(FoodsAsked):
    """Menus for some days; everything is optional."""

    model_config = ConfigDict(populate_by_name=True)

    from_: Date | None = Field(None, alias="from", description="today by default")
    days: Annotated[WholeNumber, Field(ge=1, le=14)] = 7
    meals_per_day: MealCount | None = None
    meals_left: MealCount | None = Field(None, description="the first day is under way: so many meals are left of it")
    training_days: Annotated[list[Weekday], Field(max_length=7)] | None = Field(
        None, description="split the week's carbohydrate: more on these days, the week's sum kept"
    )
    split_pct: Annotated[Number, Field(ge=0, le=40)] = SPLIT_PCT

    @model_validator(mode="after")
    def _a_day_under_way(self) -> Self:
        if self.eaten is not None and self.meals_left is None:
            raise fault("meals_left_missing", "say how many meals are left of the day")
        return self


class SwapItem(Body):
    """A food of a meal as a menu answered it."""

    food: ShortText
    grams: Annotated[Number, Field(gt=0, le=2000)]
    dish: ShortText
    role: ShortText


class SwapMeal(Body):
    """A meal as a menu answered it."""

    slot: MealCount
    items: Annotated[list[SwapItem], Field(min_length=1, max_length=40)]


class Replace(Body):
    """The food to replace, where it stands, and by which; any that fits by default."""

    slot: MealCount
    food: ShortText
    by: ShortText | None = None


class SwapBody(FoodsAsked):
    """A day's meals, and one food of them to be replaced."""

    date: Date | None = Field(None, description="today by default")
    meals: Annotated[list[SwapMeal], Field(min_length=1, max_length=MOST_MEALS)] = Field(
        description="the day's, in order; of a day under way those that are left of it"
    )
    replace: Replace

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        slots = [meal.slot for meal in self.meals]
        if slots != list(range(slots[0], slots[-1] + 1)):
            raise fault("out_of_order", "give the meals in order of their slots, none left out")
        if self.eaten is not None and slots[0] == 1:
            raise fault("nothing_behind", "before the first meal nothing was eaten")
        return self


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
    """Menus of dishes that keep the targets: energy ± 3 %, fat and carbohydrate ± 10 %, protein and fibre at least.

    Targets are on the scale on which the athlete logs; what is weighed out is on the true one: `targets_weighed` are
    `targets_logged` times `logging_scale.ratio` in energy, with the same protein and fibre.

    Where no menu exists, 422 with `code` `infeasible` and in `relax` which limits would have to move, and by how much;
    where safety forbids one, 422 with `code` `referral`, or for targets that are only too low `energy_floor` below the
    floor and `deficit_limit` above it. Where no targets are in force, `detail` says whether they begin later or wait to
    be accepted, and `errors` name what is not known of the athlete yet, by pointers below `/athlete`. Safety is judged
    by what is known today, also for targets of the request. The same request gives the same menus.
    """
    first = body.from_ or today_of(scope, athlete)
    dates = [first + timedelta(days=offset) for offset in range(body.days)]
    foods = await load_foods(scope)
    order = MenuOrder(
        first=first,
        preferences=await _preferences(scope, athlete, body, foods),
        meals_per_day=body.meals_per_day,
        meals_left=body.meals_left,
        eaten=_eaten(body),
        training_days=body.training_days,
        split_pct=body.split_pct,
        seed=body.seed,
    )
    targets, known = await _allowed_targets(scope, athlete, body.targets, dates)
    try:
        menus = await menu_orders.make_menus(scope, athlete, order, targets, known, foods)
    except Infeasible as none:
        raise infeasible(none) from none
    answer = shown_menus(menus, foods, body.seed)
    return _as_lines(answer) if NDJSON in request.headers.get("accept", "") else answer


@router.post(
    "/athletes/{athlete_id}/menus/swap",
    dependencies=[Depends(requires("coaching:read"))],
    responses=documented(NotFound),
)
async def swap_food(athlete: AthletePath, body: SwapBody, scope: Here) -> MenuAnswer:
    """The same day with one food replaced by another of its role, and amounts moved so that the day keeps its targets.

    The other foods stay. Where no amounts keep the targets, 422 with `code` `infeasible` and `relax`, as for menus; the
    limits and the safety gate are theirs too. Nothing is stored.
    """
    on = body.date or today_of(scope, athlete)
    foods = await load_foods(scope)
    under_way = body.meals[0].slot > 1
    order = MenuOrder(
        first=on,
        preferences=await _preferences(scope, athlete, body, foods),
        meals_per_day=body.meals[-1].slot,
        meals_left=len(body.meals) if under_way else None,
        eaten=_eaten(body),
        seed=body.seed,
    )
    wanted = Swap(
        [(meal.slot, [MenuLine(**item.model_dump()) for item in meal.items]) for meal in body.meals],
        body.replace.slot,
        body.replace.food,
        body.replace.by,
    )
    (targets,), known = await _allowed_targets(scope, athlete, body.targets, [on])
    try:
        menus = await menu_orders.swap(scope, athlete, order, targets, known, foods, wanted)
    except Infeasible as none:
        raise infeasible(none) from none
    return shown_menus(menus, foods, body.seed)


async def _allowed_targets(
    scope: Scope, athlete: Athlete, given: MenuTargets | None, dates: list[date]
) -> tuple[list[Targets], tuple[Evidence, Policy]]:
    """The targets of each day, past the safety gate, and what the rules know today."""
    today = today_of(scope, athlete)
    first = min(dates[0], today)
    (batch,) = await evidence_for(scope, [athlete], {today, first})
    evidence, policy = batch.evidence[athlete.id, today], batch.policies[athlete.id].policy
    targets = await targets_on(scope, athlete, (batch.evidence[athlete.id, first], policy), given, dates)
    for day in dict.fromkeys(targets):
        refuse(refusals(evidence, policy, day))
    return targets, (evidence, policy)


async def _preferences(scope: Scope, athlete: Athlete, body: FoodsAsked, foods: Mapping[str, Food]) -> FoodPreferences:
    """The request's preferences on top of the athlete's standing ones."""
    words = {name: getattr(body, name) for name in ("exclude", "prefer", "less", "at_hand")}
    refuse_unknown(words, foods)
    asked = FoodPreferences(
        pattern=body.pattern or athlete.food_pattern or "omnivore",
        **{name: tuple(listed) for name, listed in words.items()},
    )
    return asked.on_top_of(await standing_preferences(scope, athlete.id))


def _eaten(body: FoodsAsked) -> EatenPart | None:
    return None if body.eaten is None else EatenPart(**body.eaten.model_dump())


def _as_lines(answer: MenuAnswer) -> Response:
    """One line for each day, then one with the shopping list and the rest."""
    rest = answer.model_dump(mode="json")
    lines = [{"type": "menu_day", **day} for day in rest.pop("days")] + [{"type": "shopping_list", **rest}]
    return Response(b"".join(orjson.dumps(line) + b"\n" for line in lines), media_type=NDJSON)
