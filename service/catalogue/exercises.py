"""The exercise catalogue, read once from `exercises.json`."""

import json
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

from service.domain.training.exercise import Exercise

_LISTS = ("equipment", "progressions", "regressions", "cues", "cautions", "aids")


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
def equipment() -> tuple[str, ...]:
    """Every piece of equipment an exercise of the catalogue may need, sorted."""
    return tuple(sorted({item for exercise in exercises().values() for item in exercise.equipment}))


def _exercise(row: Mapping[str, Any]) -> Exercise:
    muscles, regions = row["muscles"], row["regions"]
    values = {key: value for key, value in row.items() if key not in ("muscles", "regions")}
    values |= {name: tuple(row[name]) for name in _LISTS}
    return Exercise(
        **values,
        direct=tuple(muscles["direct"]),
        indirect=tuple(muscles["indirect"]),
        regions=tuple(regions["loaded"]),
        regions_source=_document()["region_sources"][regions["source"]],
    )
