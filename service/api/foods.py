"""Foods: the catalogue, a practice's own foods and its recipes."""

import re
from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Any, Self, TypeVar, cast

from fastapi import APIRouter, Depends, Query, Request, Response
from pydantic import AfterValidator, Field, ValidationError, model_validator

from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.fields import Answer, Body, Name, Note, Number, ShortText, change_of, fault
from service.api.http.paging import Cursor, Limit, Page, page
from service.api.http.problems import documented, faults_of
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.application.food import own_foods
from service.application.food.own_foods import FoodContent, RecipeContent
from service.application.log.foods import OWN, load_foods, meaning, recipe
from service.auth import requires
from service.catalogue.foods import find, foods, groups
from service.domain.nutrition.foods import Allergen, Diet, Food, Nutrients, Portion, Role, Unit
from service.errors import Conflict, Invalid, Malformed, NotFound, PreconditionFailed, PreconditionRequired
from service.store.scope import Scope, table_of
from service.store.tables import OwnFood
from service.store.types import PreparationState

router = APIRouter(tags=["foods"], route_class=CommittedRoute)
_TABLE = table_of(OwnFood)
READ, WRITE = Depends(requires("entries:read")), Depends(requires("coaching:write", whole_practice=True))
Per100g = Annotated[Number, Field(ge=0, le=100, description="g per 100 g")]
OTHER_GROUP = "recipe"


def _known_group(group: str) -> str:
    if group not in groups() | {OTHER_GROUP}:
        raise fault("unknown_group", f"must be one of {', '.join(sorted(groups()))}")
    return group


Group = Annotated[ShortText, AfterValidator(_known_group)]


class Composition(Body):
    """Energy and nutrients of 100 g; carbohydrate with its fibre, by difference."""

    energy_kcal: Annotated[Number, Field(ge=0, le=930)]
    protein_g: Per100g
    fat_g: Per100g
    carbohydrate_g: Per100g
    fibre_g: Per100g | None = None
    alcohol_g: Per100g | None = None

    @model_validator(mode="after")
    def _fits_into_100_g(self) -> Self:
        if self.protein_g + self.fat_g + self.carbohydrate_g + (self.alcohol_g or 0.0) > 101.0:
            raise fault("over_100_g", "protein, fat, carbohydrate and alcohol weigh more than the 100 g they are in")
        if (self.fibre_g or 0.0) > self.carbohydrate_g:
            raise fault("fibre_over_carbohydrate", "carbohydrate_g includes the fibre; it cannot be less")
        return self


class UnitBody(Body):
    """The unit that a food comes in."""

    name: ShortText
    grams: Annotated[Number, Field(gt=0, le=2000)]


class PortionBody(Body):
    """What the food does in a meal and an ordinary amount of it, in its units or else in grams; needed for menus."""

    role: Role
    least: Annotated[Number, Field(gt=0, le=1000)]
    most: Annotated[Number, Field(gt=0, le=1000)]
    step: Annotated[Number, Field(gt=0, le=100)]

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.step <= self.least <= self.most:
            raise fault("out_of_order", "step, least and most must not fall")
        return self


class FoodBody(Body):
    """A food of the practice's own."""

    name: Name
    group: Group
    state: PreparationState = "ready"
    diet: Diet = Field(description="the strictest pattern that eats it")
    allergens: list[Allergen] = Field(description="all that it contains or may contain; an empty list says none")
    per_100g: Composition
    unit: UnitBody | None = None
    portion: PortionBody | None = None
    source: Note | None = Field(None, description="where the values are from, e.g. the label")

    def content(self) -> FoodContent:
        """What the practice says of the food."""
        return FoodContent(
            name=self.name,
            group=self.group,
            state=self.state,
            diet=self.diet,
            allergens=self.allergens,
            per_100g=self.per_100g.model_dump(),
            unit=_unit(self.unit),
            portion=_portion(self.portion),
            source=self.source,
        )


class Ingredient(Body):
    """A food as it goes into a recipe."""

    food: ShortText
    grams: Annotated[Number, Field(gt=0, le=100000)]


class RecipeBody(Body):
    """A dish made of catalogue foods and own foods; its composition, allergens and diet are theirs."""

    name: Name
    ingredients: Annotated[list[Ingredient], Field(min_length=1, max_length=100)]
    yield_g: Annotated[Number, Field(gt=0, le=1000000)] | None = Field(
        None, description="weight of the finished dish; the ingredients' when absent"
    )
    group: Group = OTHER_GROUP
    allergens: list[Allergen] = Field(default=[], description="beside those of the ingredients")
    unit: UnitBody | None = None
    portion: PortionBody | None = None
    source: Note | None = None

    def content(self) -> RecipeContent:
        """What the practice says of the recipe."""
        return RecipeContent(
            name=self.name,
            group=self.group,
            ingredients=[own_foods.Ingredient(part.food, part.grams) for part in self.ingredients],
            yield_g=self.yield_g,
            allergens=self.allergens,
            unit=_unit(self.unit),
            portion=_portion(self.portion),
            source=self.source,
        )


def _unit(body: UnitBody | None) -> Unit | None:
    return None if body is None else Unit(body.name, body.grams)


def _portion(body: PortionBody | None) -> Portion | None:
    return None if body is None else Portion(body.role, body.least, body.most, body.step)


FoodChange = change_of(FoodBody, "FoodChange")
RecipeChange = change_of(RecipeBody, "RecipeChange")


class FoodAnswer(Answer):
    """A food, per 100 g of what is eaten; null is unknown."""

    slug: str
    name: str
    group: str
    state: str
    diet: str
    allergens: list[str]
    per_100g: dict[str, float | None]
    unit: dict[str, Any] | None
    portion: dict[str, Any] | None
    raw: str | None = Field(description="slug of what is bought to cook it")
    source: str
    energy_difference_kcal: float = Field(description="energy minus 4-4-9-7 of the nutrients")


class OwnFoodAnswer(FoodAnswer):
    """An own food or a recipe."""

    ingredients: list[dict[str, Any]] | None
    yield_g: float | None
    revision: int
    updated_at: datetime


def shown(food: Food) -> dict[str, Any]:
    """A food as the API shows it."""
    made = food.per_100g
    values = {name: round(value, 2) for name, value in vars(made).items()}
    return {
        "slug": food.slug,
        "name": food.name,
        "group": food.group,
        "state": food.state,
        "diet": food.diet,
        "allergens": sorted(food.allergens),
        "per_100g": values if food.fibre_known else {**values, "fibre_g": None},
        "unit": vars(food.unit) if food.unit else None,
        "portion": vars(food.portion) if food.portion else None,
        "raw": food.raw,
        "source": food.source,
        "energy_difference_kcal": round(made.energy_kcal - _atwater_kcal(made), 1),
    }


def _atwater_kcal(made: Nutrients) -> float:
    return 4.0 * (made.protein_g + made.carbohydrate_g) + 9.0 * made.fat_g + 7.0 * made.alcohol_g


@router.get("/foods", dependencies=[READ])
async def list_foods(
    scope: Here,
    request: Request,
    response: Response,
    q: Annotated[str | None, Query(max_length=100, description="name, typing errors forgiven; best first")] = None,
    group: Annotated[str | None, Query(max_length=64)] = None,
    diet: Annotated[Diet | None, Query(description="eaten by")] = None,
    without: Annotated[list[str] | None, Query(description="allergens, groups or slugs to leave out")] = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[FoodAnswer]:
    """The catalogue and the practice's own foods: by slug, or, with `q`, the nearest names on one page."""
    foods_here = await load_foods(scope)
    unknown = [word for word in without or () if word not in meaning(foods_here)]
    if unknown:
        raise Invalid.field("without", "unknown_food", f"{', '.join(unknown)}: no food, group or allergen")
    chosen = [
        food
        for food in foods_here.values()
        if group in (None, food.group)
        and (diet is None or food.fits(diet))
        and not any(food.called(word) for word in without or ())
    ]
    if q is not None:
        return Page(items=[FoodAnswer(**shown(food)) for food in find(q, chosen, limit)])
    after = "" if cursor is None else _slug_in(cursor)
    rest = sorted((food for food in chosen if food.slug > after), key=lambda food: food.slug)
    if len(rest) > limit:
        address = request.url.include_query_params(cursor=f"after-{rest[limit - 1].slug}")
        response.headers["Link"] = f'<{address.path}?{address.query}>; rel="next"'
    return Page(items=[FoodAnswer(**shown(food)) for food in rest[:limit]])


def _slug_in(cursor: str) -> str:
    slug = re.fullmatch(r"after-([a-z0-9-]+)", cursor)
    if slug is None:
        raise Malformed("the cursor is not one that this list gave out")
    return slug[1]


@router.get("/foods/{slug}", dependencies=[READ], responses=documented(NotFound))
async def get_food(slug: str, scope: Here, response: Response) -> FoodAnswer | OwnFoodAnswer:
    """One food; own foods and recipes with their version."""
    if not slug.startswith(OWN):
        if slug not in foods():
            raise NotFound()
        return FoodAnswer(**shown(foods()[slug]))
    return await _answer(scope, response, await own_foods.find_own(scope, slug))


@router.post(
    "/foods", status_code=201, dependencies=[WRITE], responses=documented(Conflict), response_model=OwnFoodAnswer
)
async def add_food(body: FoodBody, scope: Here, response: Response, _: DryRun) -> Any:
    """Add a food of the practice's own; meals that named it before it was there are added up now."""
    return await _answer(scope, response, await own_foods.add(scope, body.content()))


@router.post(
    "/recipes", status_code=201, dependencies=[WRITE], responses=documented(Conflict), response_model=OwnFoodAnswer
)
async def add_recipe(body: RecipeBody, scope: Here, response: Response, _: DryRun) -> Any:
    """Add a recipe; it is a food like any other from then on."""
    return await _answer(scope, response, await own_foods.add(scope, body.content()))


@router.get("/recipes", dependencies=[READ])
async def list_recipes(
    scope: Here, request: Request, response: Response, limit: Limit = 100, cursor: Cursor = None
) -> Page[OwnFoodAnswer]:
    """The practice's recipes, by slug."""
    statement = scope.select(OwnFood).where(_TABLE.c.ingredients.is_not(None))
    rows = cast(Sequence[OwnFood], await page(scope, statement, (_TABLE.c.slug,), request, response, limit, cursor))
    foods_here = await load_foods(scope)
    return Page(items=[_shown_row(row, recipe(row, foods_here)) for row in rows])


@router.patch(
    "/foods/{slug}",
    dependencies=[WRITE],
    response_model=OwnFoodAnswer,
    responses=documented(NotFound, Conflict, PreconditionFailed, PreconditionRequired),
)
async def change_food(
    slug: str,
    body: FoodChange,  # type: ignore[valid-type]
    scope: Here,
    response: Response,
    _: DryRun,
    if_match: IfMatch = None,
) -> Any:
    """Change an own food (RFC 7396 merge patch); meals keep the sum that they were logged with."""
    row = await own_foods.find_own(scope, slug, is_recipe=False)
    check_version(if_match, row.revision)
    return await _answer(scope, response, await own_foods.change(scope, row, _merged(FoodBody, row, body).content()))


@router.patch(
    "/recipes/{slug}",
    dependencies=[WRITE],
    response_model=OwnFoodAnswer,
    responses=documented(NotFound, Conflict, PreconditionFailed, PreconditionRequired),
)
async def change_recipe(
    slug: str,
    body: RecipeChange,  # type: ignore[valid-type]
    scope: Here,
    response: Response,
    _: DryRun,
    if_match: IfMatch = None,
) -> Any:
    """Change a recipe (RFC 7396 merge patch); meals keep the sum that they were logged with."""
    row = await own_foods.find_own(scope, slug, is_recipe=True)
    check_version(if_match, row.revision)
    return await _answer(scope, response, await own_foods.change(scope, row, _merged(RecipeBody, row, body).content()))


@router.delete(
    "/foods/{slug}",
    status_code=204,
    dependencies=[WRITE],
    responses=documented(NotFound, Conflict, PreconditionFailed),
)
async def delete_food(slug: str, scope: Here, if_match: IfMatch = None) -> None:
    """Remove an own food or a recipe; meals keep the sum that they were logged with."""
    row = await own_foods.find_own(scope, slug)
    check_version(if_match, row.revision, required=False)
    await own_foods.remove(scope, slug)


async def _answer(scope: Scope, response: Response, row: OwnFood) -> OwnFoodAnswer:
    show_version(response, row.revision)
    return _shown_row(row, await own_foods.as_food(scope, row))


def _shown_row(row: OwnFood, food: Food) -> OwnFoodAnswer:
    more = {name: getattr(row, name) for name in ("ingredients", "yield_g", "revision", "updated_at")}
    return OwnFoodAnswer(**shown(food), **more)


B = TypeVar("B", FoodBody, RecipeBody)


def _merged(kind: type[B], row: OwnFood, change: Body) -> B:
    """The body that a change makes of a row.

    Raises Invalid with every fault of it.
    """
    old = {name: getattr(row, "food_group" if name == "group" else name) for name in kind.model_fields}
    merged = old | change.model_dump(exclude_unset=True)
    try:
        return kind.model_validate({name: value for name, value in merged.items() if value is not None})
    except ValidationError as error:
        faults = faults_of(error.errors())
        raise Invalid(faults[0].detail, faults) from error
