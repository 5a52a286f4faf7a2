"""The exercise catalogue, read once from `exercises.json`."""

import json
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

from service.domain.training.exercise import Exercise


@cache
def _document() -> dict[str, Any]:
    text = files(__package__).joinpath("exercises.json").read_text(encoding="utf-8")
    document: dict[str, Any] = json.loads(text)
    return document


@cache
def exercises() -> Mapping[str, Exercise]:
    """Every exercise by slug, in the catalogue's order; read-only."""
    return MappingProxyType({row["slug"]: _exercise(row) for row in _document()["exercises"]})


@cache
def default_main_lifts() -> tuple[str, ...]:
    """Slugs of the lifts that stand for an athlete's strength unless the training plan names others."""
    return tuple(_document()["main_lifts"])


@cache
def equipment() -> tuple[str, ...]:
    """Every piece of equipment an exercise of the catalogue may need, sorted."""
    return tuple(sorted({item for exercise in exercises().values() for item in exercise.equipment}))


def _exercise(row: dict[str, Any]) -> Exercise:
    muscles = row["muscles"]
    plain = {
        key: value for key, value in row.items() if key not in ("muscles", "regions", "equipment", "cues", "cautions")
    }
    return Exercise(
        **plain,
        direct=tuple(muscles["direct"]),
        indirect=tuple(muscles["indirect"]),
        equipment=tuple(row["equipment"]),
        cues=tuple(row["cues"]),
        cautions=tuple(row["cautions"]),
        regions=tuple(row["regions"]["loaded"]),
    )
