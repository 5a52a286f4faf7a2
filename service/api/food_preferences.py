"""Food preferences: what an athlete never eats, likes, and likes less; every menu keeps to them."""

from collections.abc import Mapping, Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Response
from pydantic import Field

from service.api.athletes import AthletePath
from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.fields import Answer, Body, ShortText
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.application.log.foods import load_foods, meaning
from service.auth import requires
from service.domain.nutrition.foods import Food
from service.errors import Fault, Invalid, NotFound, PreconditionFailed
from service.store.scope import Scope, table_of
from service.store.tables import FoodPreferences
from service.store.types import now

router = APIRouter(tags=["foods"], route_class=CommittedRoute)
_PREFERENCES = table_of(FoodPreferences)
Words = Annotated[list[ShortText], Field(max_length=200)]


class FoodPreferencesBody(Body):
    """What the athlete never eats, likes, and likes less: slugs, groups or allergens."""

    exclude: Words = Field(default_factory=list, description="allergies too: in no menu, whatever a request says")
    prefer: Words = Field(default_factory=list)
    less: Words = Field(default_factory=list)


class FoodPreferencesAnswer(Answer):
    """Standing preferences."""

    exclude: list[str]
    prefer: list[str]
    less: list[str]
    revision: int


@router.get(
    "/athletes/{athlete_id}/food-preferences",
    dependencies=[Depends(requires("entries:read"))],
    responses=documented(NotFound),
)
async def get_food_preferences(athlete: AthletePath, scope: Here, response: Response) -> FoodPreferencesAnswer:
    """The athlete's standing exclusions and preferences."""
    row = await preferences_row(scope, athlete.id)
    show_version(response, row.revision if row else 0)
    empty: dict[str, Any] = {"exclude": [], "prefer": [], "less": [], "revision": 0}
    return FoodPreferencesAnswer.model_validate(row._mapping if row else empty)


@router.put(
    "/athletes/{athlete_id}/food-preferences",
    dependencies=[Depends(requires("athletes:write"))],
    responses=documented(NotFound, PreconditionFailed),
)
async def put_food_preferences(
    athlete: AthletePath,
    body: FoodPreferencesBody,
    scope: Here,
    response: Response,
    _: DryRun,
    if_match: IfMatch = None,
) -> FoodPreferencesAnswer:
    """Set them as a whole; a word that means no food is refused, so that no allergy is lost to a typing error."""
    row = await preferences_row(scope, athlete.id)
    revision = row.revision if row else 0
    check_version(if_match, revision, required=False)
    refuse_unknown(body.model_dump(), await load_foods(scope))
    values = {**body.model_dump(), "athlete_id": athlete.id, "revision": revision + 1, "updated_at": now()}
    await scope.upsert(FoodPreferences, [values], key=("practice_id", "athlete_id"))
    show_version(response, revision + 1)
    return FoodPreferencesAnswer.model_validate(values)


async def preferences_row(scope: Scope, athlete_id: Any) -> Any:
    """The athlete's standing preferences, None when there never were any."""
    return await scope.first(scope.select(FoodPreferences).where(_PREFERENCES.c.athlete_id == athlete_id))


def refuse_unknown(said: Mapping[str, Sequence[str]], foods: Mapping[str, Food]) -> None:
    """Refuse words that mean no food.

    Raises Invalid with a fault for each.
    """
    known = meaning(foods)
    faults = [
        Fault(pointer=f"/{name}/{index}", code="unknown_food", detail=f"{word!r} is no food, group or allergen")
        for name, words in said.items()
        for index, word in enumerate(words)
        if word not in known
    ]
    if faults:
        raise Invalid(faults[0].detail, faults)
