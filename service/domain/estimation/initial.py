"""Records of arrays, one value per athlete, as they are before anything is known of anybody."""

from collections.abc import Callable
from dataclasses import fields, is_dataclass
from functools import partial
from typing import Any, TypeVar

import numpy as np

from service.domain.kalman import Moments

Record = TypeVar("Record")
Initial = dict[str, Callable[[int], Any]]


def initially(value: float | bool, *shape: int) -> Initial:
    """What a field starts with, as its metadata: one value; `shape` are the axes before that of the athletes."""
    return {"initial": lambda count: np.full((*shape, count), value)}


def no_moments(states: int) -> Initial:
    """The same of a field with moments: zeros."""
    return {"initial": lambda count: Moments(np.zeros((states, count)), np.zeros((states, states, count)))}


def initial(kind: type[Record], count: int, /, **known: Any) -> Record:
    """A record of `count` athletes: what is `known`, else what its fields start with, zero where they say nothing."""
    values = dict(known)
    for f in fields(kind):  # type: ignore[arg-type]
        if f.name not in known:
            default: Callable[[int], Any] = partial(initial, f.type) if is_dataclass(f.type) else np.zeros  # type: ignore[arg-type]
            values[f.name] = f.metadata.get("initial", default)(count)
    return kind(**values)
