"""A practice's own foods and recipes: added, changed, removed; meals keep the sum that they were logged with."""

import re
import unicodedata
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

from service.application.log.foods import OWN, load_foods, own_food, recipe, with_own
from service.application.log.refresh import refresh
from service.application.log.stale import mark_stale
from service.catalogue.foods import foods
from service.domain.nutrition.foods import Allergen, Diet, Food, Portion, Unit
from service.errors import Conflict, Fault, Invalid, NotFound, PreconditionFailed
from service.store.scope import Scope, table_of
from service.store.tables import Meal, OwnFood
from service.store.types import PreparationState, new_id

_TABLE = table_of(OwnFood)


class Ingredient(NamedTuple):
    """A food as it goes into a recipe."""

    food: str
    grams: float


@dataclass(frozen=True)
class FoodContent:
    """What a practice says of a food of its own; `per_100g` is energy (kcal) and nutrients (g), None where unknown."""

    name: str
    group: str
    state: PreparationState
    diet: Diet
    allergens: Sequence[Allergen]
    per_100g: Mapping[str, float | None]
    unit: Unit | None
    portion: Portion | None
    source: str | None

    def columns(self) -> dict[str, Any]:
        """The columns of `own_food`."""
        own = {"state": self.state, "diet": self.diet, "per_100g": dict(self.per_100g)}
        return {**_shared_columns(self), **own, "ingredients": None, "yield_g": None}


@dataclass(frozen=True)
class RecipeContent:
    """What a practice says of a recipe; `allergens` beside those of its ingredients."""

    name: str
    group: str
    ingredients: Sequence[Ingredient]
    yield_g: float | None
    allergens: Sequence[Allergen]
    unit: Unit | None
    portion: Portion | None
    source: str | None

    def columns(self) -> dict[str, Any]:
        """The columns of `own_food`."""
        made_of = {"ingredients": [part._asdict() for part in self.ingredients], "yield_g": self.yield_g}
        return {**_shared_columns(self), **made_of, "state": "cooked", "diet": None, "per_100g": None}


def _shared_columns(content: FoodContent | RecipeContent) -> dict[str, Any]:
    return {
        "name": content.name,
        "food_group": content.group,
        "allergens": sorted(set(content.allergens)),
        "unit": content.unit and asdict(content.unit),
        "portion": content.portion and asdict(content.portion),
        "source": content.source or "the practice",
    }


async def find_own(scope: Scope, slug: str, *, is_recipe: bool | None = None) -> OwnFood:
    """The row of an own food or a recipe.

    Raises NotFound when there is none, or it is of the other kind.
    """
    row = await scope.one(OwnFood, scope.select(OwnFood).where(_TABLE.c.slug == slug))
    if row is None or (is_recipe is not None and (row.ingredients is not None) != is_recipe):
        raise NotFound("only a practice's own foods and recipes can be changed" if slug in foods() else "")
    return row


async def as_food(scope: Scope, row: OwnFood) -> Food:
    """An own food or a recipe as a food."""
    return own_food(row) if row.ingredients is None else recipe(row, await load_foods(scope))


async def add(scope: Scope, content: FoodContent | RecipeContent) -> OwnFood:
    """Add a food or a recipe; meals that named it before it was there are added up now.

    Raises Conflict when there is one of its name, Invalid when a recipe is made of what nobody knows.
    """
    if isinstance(content, RecipeContent):
        await _refuse_unknown(scope, content.ingredients)
    slug = _slug(content.name)
    row = {**content.columns(), "id": new_id(), "slug": slug}
    if not await scope.insert_new(OwnFood, [row], key=("practice_id", "slug")):
        raise Conflict(f"there is a food {slug} already; change it, or choose another name")
    await _add_up_waiting_meals(scope, slug)
    return await find_own(scope, slug)


async def change(scope: Scope, row: OwnFood, content: FoodContent | RecipeContent) -> OwnFood:
    """Give an own food or a recipe new content; its slug stays.

    Raises PreconditionFailed when it has changed since it was read, Invalid as `add`.
    """
    if isinstance(content, RecipeContent):
        await _refuse_unknown(scope, content.ingredients)
    values = {**content.columns(), "revision": row.revision + 1, "updated_at": scope.now()}
    statement = scope.update(OwnFood).where(_TABLE.c.slug == row.slug, _TABLE.c.revision == row.revision)
    if not await scope.run(statement.values(**values)):
        raise PreconditionFailed()
    return await find_own(scope, row.slug)


async def remove(scope: Scope, slug: str) -> None:
    """Remove an own food or a recipe.

    Raises Conflict when a recipe is made with it.
    """
    for other in await scope.all(OwnFood, scope.select(OwnFood).where(_TABLE.c.ingredients.is_not(None))):
        if any(part["food"] == slug for part in other.ingredients or ()):
            raise Conflict(f"the recipe {other.slug} is made with it")
    await scope.run(scope.delete(OwnFood).where(_TABLE.c.slug == slug))


def _slug(name: str) -> str:
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    words = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:50].strip("-")
    return OWN + (words or uuid.uuid5(uuid.NAMESPACE_OID, name).hex[:12])


async def _refuse_unknown(scope: Scope, ingredients: Sequence[Ingredient]) -> None:
    known = with_own(await scope.all(OwnFood, scope.select(OwnFood).where(_TABLE.c.ingredients.is_(None))))
    faults = [
        Fault(
            pointer=f"/ingredients/{index}/food",
            code="unknown_food",
            detail=f"no food that recipes can be made of is called {part.food!r}",
        )
        for index, part in enumerate(ingredients)
        if part.food not in known
    ]
    if faults:
        raise Invalid(faults[0].detail, faults)


async def _add_up_waiting_meals(scope: Scope, slug: str) -> None:
    """Add up the meals that named a food before it was there."""
    meal = table_of(Meal)
    doubted = scope.select(meal.c.athlete_id, meal.c.date, meal.c.suspect, of=[Meal]).where(meal.c.suspect.is_not(None))
    days = {(row.athlete_id, row.date) for row in await scope.rows(doubted) if slug in row.suspect.get("foods", ())}
    await refresh(scope, Meal, days)
    await mark_stale(scope, days)
