"""What foods are made of, and sums of portions of them.

Composition is per 100 g of the edible part; carbohydrate is total carbohydrate by difference, fibre included.
"""

from collections.abc import Iterable
from dataclasses import dataclass, fields
from typing import Literal, get_args

Diet = Literal["vegan", "vegetarian", "omnivore"]
DIETS: tuple[Diet, ...] = get_args(Diet)  # each eats what stands before it, too
Allergen = Literal[  # the fourteen of Regulation (EU) No 1169/2011, Annex II
    "gluten", "crustaceans", "egg", "fish", "peanuts", "soya", "milk", "nuts", "celery", "mustard", "sesame",
    "sulphites", "lupin", "molluscs",
]  # fmt: skip
ALLERGENS: tuple[Allergen, ...] = get_args(Allergen)
Role = Literal[  # of a food in a meal
    "main", "side", "starch", "vegetable", "fat", "dairy", "powder", "cereal", "fruit", "dried", "nut", "sweet",
    "seasoning",
]  # fmt: skip
ROLES: tuple[Role, ...] = get_args(Role)


@dataclass(frozen=True)
class Nutrients:
    """Energy (kcal) and nutrients (g) of an amount of food; what nobody measured counts as none."""

    energy_kcal: float = 0.0
    protein_g: float = 0.0
    fat_g: float = 0.0
    carbohydrate_g: float = 0.0
    fibre_g: float = 0.0
    alcohol_g: float = 0.0

    def times(self, factor: float) -> "Nutrients":
        """The same food, `factor` times as much."""
        return Nutrients(*(factor * getattr(self, name) for name in NUTRIENTS))

    def rounded(self, digits: int = 1) -> "Nutrients":
        """For showing."""
        return Nutrients(*(round(getattr(self, name), digits) for name in NUTRIENTS))


NUTRIENTS = tuple(f.name for f in fields(Nutrients))


@dataclass(frozen=True)
class Unit:
    """The unit that a food comes in: an egg, a slice."""

    name: str
    grams: float


@dataclass(frozen=True)
class Portion:
    """What a food does in a meal and how much of it is ordinary, in units where it has one, else in grams."""

    role: Role
    least: float
    most: float
    step: float


@dataclass(frozen=True)
class Food:
    """A food of the catalogue or of a practice."""

    slug: str
    name: str
    group: str
    state: str
    diet: Diet
    allergens: frozenset[str]
    per_100g: Nutrients
    source: str
    fibre_known: bool = True
    unit: Unit | None = None
    portion: Portion | None = None  # None: not put into menus
    raw: str | None = None  # slug of what is bought to cook it
    also: str = ""  # other names, for finding it
    made_of: frozenset[str] = frozenset()  # slugs and groups of a recipe's ingredients

    def fits(self, pattern: Diet) -> bool:
        """Whether somebody with this eating pattern eats it."""
        return DIETS.index(self.diet) <= DIETS.index(pattern)

    def called(self, word: str) -> bool:
        """Whether a slug, a group or an allergen means this food.

        The slug of the raw food means the cooked one too, and any word that means an ingredient means the recipe.
        """
        return word in (self.slug, self.group, self.raw) or word in self.allergens or word in self.made_of

    def grams(self, units: float) -> float:
        """Grams of a number of units.

        Raises ValueError when the food does not come in units.
        """
        if self.unit is None:
            raise ValueError(f"{self.slug} does not come in units; give grams")
        return units * self.unit.grams

    def nutrients(self, grams: float) -> Nutrients:
        """Energy and nutrients of an amount."""
        return self.per_100g.times(grams / 100.0)

    def bought_grams(self, grams: float, raw: "Food") -> float:
        """Grams of the raw food that make this many grams cooked, on the same protein (water moves, protein stays)."""
        if raw.per_100g.protein_g <= 0.0 or self.per_100g.protein_g <= 0.0:
            return grams
        return grams * self.per_100g.protein_g / raw.per_100g.protein_g


def total(parts: Iterable[Nutrients]) -> Nutrients:
    """Sum of amounts of food."""
    listed = list(parts)
    return Nutrients(*(sum(getattr(part, name) for part in listed) for name in NUTRIENTS))


def mixture(ingredients: Iterable[tuple[Food, float]], yield_g: float | None = None) -> Nutrients:
    """Composition per 100 g of a recipe.

    Parameters: `ingredients`, foods and grams as they go in; `yield_g`, weight of the finished dish, the sum of the
    ingredients when not given (cooking takes or gives water, not energy). Raises ValueError when nothing goes in.
    """
    listed = list(ingredients)
    weight = sum(grams for _, grams in listed) if yield_g is None else yield_g
    if not listed or weight <= 0.0:
        raise ValueError("a recipe needs ingredients and a weight")
    return total(food.nutrients(grams) for food, grams in listed).times(100.0 / weight)


def broadest_diet(foods: Iterable[Food]) -> Diet:
    """The eating pattern that a mixture of foods needs."""
    return max((food.diet for food in foods), key=DIETS.index, default="vegan")
