"""The food catalogue, read once from `foods.csv`, and finding foods by name in spite of typing errors."""

import csv
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.resources import files
from types import MappingProxyType

from rapidfuzz import fuzz, process, utils

from service.domain.foods import NUTRIENTS, Diet, Food, Nutrients, Portion, Unit

GOOD_ENOUGH = 60.0  # score of 100 from which a name counts as meant
_DIETS: dict[str, Diet] = {"v": "vegan", "veg": "vegetarian", "o": "omnivore"}


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
    names = {index: f"{food.name} {food.slug}" for index, food in enumerate(listed)}
    found = process.extract(
        words, names, scorer=_nearness, processor=utils.default_process, limit=limit, score_cutoff=GOOD_ENOUGH
    )
    return [listed[index] for _, _, index in sorted(found, key=lambda hit: (-hit[1], len(hit[0]), hit[2]))]


def _nearness(typed: str, name: str, score_cutoff: float = 0.0) -> float:
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
        portion=Portion(row["role"], float(row["least"]), float(row["most"]), float(row["step"]))
        if row["role"]
        else None,
        raw=row["raw"] or None,
    )
