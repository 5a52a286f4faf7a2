"""Food preferences: what an athlete never eats, likes, and likes less; every menu keeps to them."""

from typing import Annotated

from fastapi import APIRouter, Depends, Response
from pydantic import Field

from service.api.athletes import AthletePath
from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.fields import Answer, Body, ShortText
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.application.food.food_preferences import keep_preferences, refuse_unknown, standing_preferences
from service.application.log.foods import load_foods
from service.auth import requires
from service.errors import NotFound, PreconditionFailed

router = APIRouter(tags=["foods"], route_class=CommittedRoute)
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
    row = await standing_preferences(scope, athlete.id)
    show_version(response, row.revision if row else 0)
    if row is None:
        return FoodPreferencesAnswer(exclude=[], prefer=[], less=[], revision=0)
    return FoodPreferencesAnswer(exclude=row.exclude, prefer=row.prefer, less=row.less, revision=row.revision)


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
    row = await standing_preferences(scope, athlete.id)
    revision = row.revision if row else 0
    check_version(if_match, revision, required=False)
    refuse_unknown(body.model_dump(), await load_foods(scope))
    await keep_preferences(scope, athlete.id, body.model_dump(), revision + 1)
    show_version(response, revision + 1)
    return FoodPreferencesAnswer(**body.model_dump(), revision=revision + 1)
