"""Foods: the catalogue, a practice's own foods and its recipes."""

import re
import unicodedata
import uuid
from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Any, Literal, Self

from fastapi import APIRouter, Depends, Query, Request, Response
from pydantic import AfterValidator, Field, ValidationError, model_validator

from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.fields import Answer, Body, Name, Note, Number, ShortText, change_of, fault
from service.api.http.paging import Cursor, Limit, Page, page
from service.api.http.problems import documented, faults_of
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.application.food.menu_program import ROLES
from service.application.log import rollups
from service.application.log.foods import OWN, load_foods, meaning, own_food, recipe, with_own
from service.auth import requires
from service.catalogue.foods import find, foods, groups
from service.domain.nutrition.foods import ALLERGENS, Food, Nutrients
from service.errors import Conflict, Invalid, Malformed, NotFound, PreconditionFailed, PreconditionRequired
from service.store.scope import Scope, table_of
from service.store.tables import Meal, OwnFood
from service.store.types import new_id, now

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
Allergen = Literal[ALLERGENS]  # type: ignore[valid-type]


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

    role: Literal[ROLES]  # type: ignore[valid-type]
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
    state: Literal["raw", "cooked", "dry", "ready", "canned", "dried"] = "ready"
    diet: Literal["vegan", "vegetarian", "omnivore"] = Field(description="the strictest pattern that eats it")
    allergens: list[Allergen] = Field(description="all that it contains or may contain; an empty list says none")
    per_100g: Composition
    unit: UnitBody | None = None
    portion: PortionBody | None = None
    source: Note | None = Field(None, description="where the values are from, e.g. the label")


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
    diet: Annotated[Literal["vegan", "vegetarian", "omnivore"] | None, Query(description="eaten by")] = None,
    without: Annotated[list[str] | None, Query(description="allergens, groups or slugs to leave out")] = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[FoodAnswer]:
    """The catalogue and the practice's own foods: by slug, or, with `q`, the nearest names on one page."""
    known = await load_foods(scope)
    unknown = [word for word in without or () if word not in meaning(known)]
    if unknown:
        raise Invalid.field("without", "unknown_food", f"{', '.join(unknown)}: no food, group or allergen")
    chosen = [
        food
        for food in known.values()
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
    found = re.fullmatch(r"after-([a-z0-9-]+)", cursor)
    if found is None:
        raise Malformed("the cursor is not one that this list gave out")
    return found[1]


@router.get("/foods/{slug}", dependencies=[READ], responses=documented(NotFound))
async def get_food(slug: str, scope: Here, response: Response) -> FoodAnswer | OwnFoodAnswer:
    """One food; own foods and recipes with their version."""
    if not slug.startswith(OWN):
        if slug not in foods():
            raise NotFound()
        return FoodAnswer(**shown(foods()[slug]))
    row = await _find(scope, slug)
    show_version(response, row.revision)
    return await _answer(scope, row)


@router.post(
    "/foods", status_code=201, dependencies=[WRITE], responses=documented(Conflict), response_model=OwnFoodAnswer
)
async def add_food(body: FoodBody, scope: Here, response: Response, _: DryRun) -> Any:
    """Add a food of the practice's own; meals that named it before it was there are added up now."""
    return await _add(scope, response, {**body.model_dump(), "ingredients": None, "yield_g": None})


@router.post(
    "/recipes", status_code=201, dependencies=[WRITE], responses=documented(Conflict), response_model=OwnFoodAnswer
)
async def add_recipe(body: RecipeBody, scope: Here, response: Response, _: DryRun) -> Any:
    """Add a recipe; it is a food like any other from then on."""
    await _check_ingredients(scope, body.ingredients)
    return await _add(scope, response, {**body.model_dump(), "state": "cooked", "diet": None, "per_100g": None})


@router.get("/recipes", dependencies=[READ])
async def list_recipes(
    scope: Here, request: Request, response: Response, limit: Limit = 100, cursor: Cursor = None
) -> Page[OwnFoodAnswer]:
    """The practice's recipes, by slug."""
    statement = scope.select(OwnFood).where(_TABLE.c.ingredients.is_not(None))
    rows = await page(scope, statement, (_TABLE.c.slug,), request, response, limit, cursor)
    known = await load_foods(scope)
    return Page(items=[_shown_row(row, recipe(row, known)) for row in rows])


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
    row = await _find(scope, slug, of_recipe=False)
    return await _change(scope, response, row, FoodBody, body, if_match)


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
    row = await _find(scope, slug, of_recipe=True)
    return await _change(scope, response, row, RecipeBody, body, if_match)


@router.delete(
    "/foods/{slug}",
    status_code=204,
    dependencies=[WRITE],
    responses=documented(NotFound, Conflict, PreconditionFailed),
)
async def delete_food(slug: str, scope: Here, if_match: IfMatch = None) -> None:
    """Remove an own food or a recipe; meals keep the sum that they were logged with."""
    row = await _find(scope, slug)
    check_version(if_match, row.revision, required=False)
    for other in await scope.rows(scope.select(OwnFood).where(_TABLE.c.ingredients.is_not(None))):
        if any(one["food"] == slug for one in other.ingredients):
            raise Conflict(f"the recipe {other.slug} is made with it")
    await scope.run(scope.delete(OwnFood).where(_TABLE.c.slug == slug))


async def _find(scope: Scope, slug: str, of_recipe: bool | None = None) -> Any:
    row = await scope.first(scope.select(OwnFood).where(_TABLE.c.slug == slug))
    if row is None or (of_recipe is not None and (row.ingredients is not None) != of_recipe):
        raise NotFound("only a practice's own foods and recipes can be changed" if slug in foods() else "")
    return row


async def _answer(scope: Scope, row: Any) -> OwnFoodAnswer:
    food = own_food(row) if row.ingredients is None else recipe(row, await load_foods(scope))
    return _shown_row(row, food)


def _shown_row(row: Any, food: Food) -> OwnFoodAnswer:
    more = {name: getattr(row, name) for name in ("ingredients", "yield_g", "revision", "updated_at")}
    return OwnFoodAnswer(**shown(food), **more)


async def _add(scope: Scope, response: Response, values: dict[str, Any]) -> OwnFoodAnswer:
    slug = _slug(values["name"])
    row = {**_columns(values), "id": new_id(), "slug": slug}
    if not await scope.insert_new(OwnFood, [row], key=("practice_id", "slug")):
        raise Conflict(f"there is a food {slug} already; change it, or choose another name")
    await _add_up_waiting_meals(scope, slug)
    show_version(response, 1)
    return await _answer(scope, await _find(scope, slug))


def _slug(name: str) -> str:
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    words = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:50].strip("-")
    return OWN + (words or uuid.uuid5(uuid.NAMESPACE_OID, name).hex[:12])


def _columns(values: dict[str, Any]) -> dict[str, Any]:
    renamed = {("food_group" if name == "group" else name): value for name, value in values.items()}
    return {**renamed, "allergens": sorted(set(values["allergens"])), "source": values["source"] or "the practice"}


async def _change(
    scope: Scope, response: Response, row: Any, kind: type[FoodBody | RecipeBody], change: Any, if_match: str | None
) -> OwnFoodAnswer:
    check_version(if_match, row.revision)
    old = {**row._mapping, "group": row.food_group}
    merged = {name: old[name] for name in kind.model_fields} | change.model_dump(exclude_unset=True)
    try:
        body = kind.model_validate({name: value for name, value in merged.items() if value is not None})
    except ValidationError as error:
        faults = faults_of(error.errors())
        raise Invalid(faults[0].detail, faults) from error
    if isinstance(body, RecipeBody):
        await _check_ingredients(scope, body.ingredients)
    values = {**_columns(body.model_dump()), "revision": row.revision + 1, "updated_at": now()}
    statement = scope.update(OwnFood).where(_TABLE.c.slug == row.slug, _TABLE.c.revision == row.revision)
    if not await scope.run(statement.values(**values)):
        raise PreconditionFailed()
    show_version(response, values["revision"])
    return await _answer(scope, await _find(scope, row.slug))


async def _check_ingredients(scope: Scope, ingredients: Sequence[Ingredient]) -> None:
    rows = await scope.rows(scope.select(OwnFood).where(_TABLE.c.ingredients.is_(None)))
    known = with_own(rows)
    faults = [
        Invalid.field(
            f"/ingredients/{index}/food", "unknown_food", f"no food that recipes can be made of is called {one.food!r}"
        ).faults[0]
        for index, one in enumerate(ingredients)
        if one.food not in known
    ]
    if faults:
        raise Invalid(faults[0].detail, faults)


async def _add_up_waiting_meals(scope: Scope, slug: str) -> None:
    """Add up the meals that named a food before it was there."""
    meal = table_of(Meal)
    doubted = scope.select(meal.c.athlete_id, meal.c.date, meal.c.suspect, of=[Meal]).where(meal.c.suspect.is_not(None))
    days = {(row.athlete_id, row.date) for row in await scope.rows(doubted) if slug in row.suspect.get("foods", ())}
    await rollups.refresh(scope, Meal, days)
    await rollups.mark_stale(scope, days)
