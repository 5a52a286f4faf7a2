"""The food catalogue, read once from `foods.csv`, and finding foods by name in spite of typing errors."""

import csv
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.resources import files
from types import MappingProxyType

from rapidfuzz import fuzz, utils

from service.domain.nutrition.foods import NUTRIENTS, ROLES, Diet, Food, Nutrients, Portion, Unit

GOOD_ENOUGH = 70.0  # score of 100 from which a name counts as meant
_DIETS: dict[str, Diet] = {"v": "vegan", "veg": "vegetarian", "o": "omnivore"}
_ROLES = {str(role): role for role in ROLES}


@cache
def foods() -> Mapping[str, Food]:
    """Every food by slug, in the catalogue's order; read-only."""
    text = files(__package__).joinpath("foods.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))
    return MappingProxyType({row["slug"]: _food(row) for row in rows})


@cache
def groups() -> frozenset[str]:
    """Every group of the catalogue."""
    return frozenset(food.group for food in foods().values())


def find(words: str, among: Iterable[Food], limit: int) -> list[Food]:
    """The foods whose names are nearest to what was typed, best first.

    Each typed word is held against the words of the name, so that order, endings and a wrong letter matter little.
    """
    listed = list(among)
    names = [f"{food.name} {food.slug} {food.also}" for food in listed]
    typed = utils.default_process(words)
    scores = {index: _nearness(typed, utils.default_process(name)) for index, name in enumerate(names)}
    good = [index for index, score in scores.items() if score >= GOOD_ENOUGH]
    best = sorted(good, key=lambda index: (-scores[index], len(names[index]), index))
    return [listed[index] for index in best[:limit]]


def _nearness(typed: str, name: str) -> float:
    """How well every typed word is met by some word of the name, 0–100; a word begun counts as met."""
    words = name.split()
    scores = [max(_word(part, word) for word in words) for part in typed.split()]
    return sum(scores) / len(scores) if scores else 0.0


def _word(typed: str, word: str) -> float:
    if word.startswith(typed):
        return 100.0 if len(word) == len(typed) else 95.0
    return float(max(fuzz.ratio(typed, word), 0.95 * fuzz.ratio(typed, word[: len(typed)])))


def _food(row: dict[str, str]) -> Food:
    return Food(
        slug=row["slug"],
        name=row["name"],
        group=row["group"],
        state=row["state"],
        diet=_DIETS[row["diet"]],
        allergens=frozenset(row["allergens"].split()),
        per_100g=Nutrients(**{name: float(row[name] or 0.0) for name in NUTRIENTS}),
        source=row["source"],
        fibre_known=row["fibre_g"] != "",
        unit=Unit(row["unit"], float(row["unit_g"])) if row["unit"] else None,
        portion=Portion(_ROLES[row["role"]], float(row["least"]), float(row["most"]), float(row["step"]))
        if row["role"]
        else None,
        raw=row["raw"] or None,
        also=row["also"],
    )
