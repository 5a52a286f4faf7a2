"""Patterns of dishes, read once from `dish_patterns.toml`."""

import tomllib
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

from service.domain.nutrition.dishes import COURSES, MEAL_TIMES, TASTES, Dish, DishRole
from service.domain.nutrition.foods import ROLES

_COURSES = {str(course): course for course in COURSES}
_TASTES = {str(taste): taste for taste in TASTES}
_TIMES = {str(time): time for time in MEAL_TIMES}
_ROLES = {str(role): role for role in ROLES}


@cache
def dishes() -> Mapping[str, Dish]:
    """Every pattern by slug, in the file's order; read-only."""
    document = tomllib.loads(files(__package__).joinpath("dish_patterns.toml").read_text(encoding="utf-8"))
    return MappingProxyType({row["slug"]: _dish(row, document["sets"]) for row in document["dish"]})


def _dish(row: Mapping[str, Any], sets: Mapping[str, Sequence[str]]) -> Dish:
    return Dish(
        slug=row["slug"],
        name=row["name"],
        course=_COURSES[row.get("course", "dish")],
        taste=_TASTES[row["taste"]],
        times=frozenset(_TIMES[time] for time in row["times"]),
        roles=tuple(_role(name, role, sets) for name, role in row["roles"].items()),
        follows=frozenset(_TASTES[taste] for taste in row.get("follows", ())),
    )


def _role(name: str, role: Mapping[str, Any], sets: Mapping[str, Sequence[str]]) -> DishRole:
    least, most = role.get("count", (1, 1))
    least_g, most_g = role.get("grams", (0.0, float("inf")))
    return DishRole(
        name,
        frozenset(word for listed in role["of"] for word in (sets[listed[1:]] if listed.startswith("@") else [listed])),
        frozenset(_ROLES[kind] for kind in role.get("own", ())),
        least,
        most,
        float(least_g),
        float(most_g),
    )
