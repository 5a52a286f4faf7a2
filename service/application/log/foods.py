"""The foods that a practice may name, the catalogue's and its own, and what a meal logged as foods comes to."""

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any

from service.catalogue.foods import foods as catalogue
from service.domain.nutrition.foods import (
    ALLERGENS,
    NUTRIENTS,
    Food,
    Nutrients,
    Portion,
    Unit,
    broadest_diet,
    mixture,
    total,
)
from service.store.scope import Scope, table_of
from service.store.tables import OwnFood

OWN = "own-"  # slugs of a practice's own foods and recipes begin with it, so that no catalogue food is ever shadowed
_TABLE = table_of(OwnFood)


async def load_foods(scope: Scope) -> dict[str, Food]:
    """Every food of the catalogue and of the practice, by slug."""
    return with_own(await scope.all(OwnFood, scope.select(OwnFood).order_by(_TABLE.c.slug)))


def with_own(rows: Iterable[OwnFood]) -> dict[str, Food]:
    """The catalogue with rows of `own_food`; recipes are made of the other foods, never of recipes."""
    foods = dict(catalogue())
    recipes = []
    for row in rows:
        if row.ingredients is None:
            foods[row.slug] = own_food(row)
        else:
            recipes.append(row)
    return foods | {row.slug: recipe(row, foods) for row in recipes}


def own_food(row: OwnFood) -> Food:
    """A practice's own food from its row."""
    assert row.per_100g is not None and row.diet is not None  # only recipes have neither
    values = {name: row.per_100g.get(name) for name in NUTRIENTS}
    return Food(
        slug=row.slug,
        name=row.name,
        group=row.food_group,
        state=row.state,
        diet=row.diet,
        allergens=frozenset(row.allergens),
        per_100g=Nutrients(**{name: value or 0.0 for name, value in values.items()}),
        source=row.source,
        fibre_known=values["fibre_g"] is not None,
        **_amounts(row),
    )


def recipe(row: OwnFood, foods: Mapping[str, Food]) -> Food:
    """A recipe as a food: composition, allergens and diet are those of its ingredients.

    What the coach adds to the allergens counts too; nothing can be taken away.
    """
    parts = [(foods[one["food"]], float(one["grams"])) for one in row.ingredients or ()]
    return Food(
        slug=row.slug,
        name=row.name,
        group=row.food_group,
        state=row.state,
        diet=broadest_diet(food for food, _ in parts),
        allergens=frozenset(row.allergens).union(*(food.allergens for food, _ in parts)),
        per_100g=mixture(parts, row.yield_g),
        source=row.source,
        fibre_known=all(food.fibre_known for food, _ in parts),
        made_of=frozenset(food.slug for food, _ in parts) | frozenset(food.group for food, _ in parts),
        **_amounts(row),
    )


def _amounts(row: OwnFood) -> dict[str, Any]:
    return {"unit": row.unit and Unit(**row.unit), "portion": row.portion and Portion(**row.portion)}


def sum_of_foods(said: Iterable[Mapping[str, Any]], foods: Mapping[str, Food]) -> dict[str, Any]:
    """What foods and amounts come to: each with grams and energy, their sum, and the slugs that nobody knows.

    A food given in units that it does not come in counts as unknown.
    """
    said = list(said)
    items: list[dict[str, Any]] = []
    amounts: list[Nutrients] = []
    unknown: list[str] = []
    for one in said:
        food = foods.get(one["food"])
        if food is None or ("grams" not in one and food.unit is None):
            unknown.append(one["food"])
            continue
        grams = one["grams"] if "grams" in one else food.grams(one["units"])
        amounts.append(food.nutrients(grams))
        items.append({**one, "grams": grams, "energy_kcal": round(amounts[-1].energy_kcal, 1)})
    return {"said": said, "items": items, "totals": asdict(total(amounts).rounded(2)), "unknown": unknown}


def names_own_food(said: Iterable[Mapping[str, Any]]) -> bool:
    """Whether any of the foods is not the catalogue's."""
    return any(one["food"].startswith(OWN) for one in said)


def meaning(foods: Mapping[str, Food]) -> set[str]:
    """Every word that means some food: slugs, groups and allergens."""
    return {*foods, *ALLERGENS, *(food.group for food in foods.values())}
