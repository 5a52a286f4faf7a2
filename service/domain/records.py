"""What the domain is told: athletes and their logged days, as arrays; and how records of arrays are cut and joined.

Shapes: (athletes,) for what is known of a person, (athletes, days) for what was logged. NaN means not logged. All
athletes of a batch share one calendar grid; an athlete whose log starts later has NaN before. One athlete is a batch
of one.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, is_dataclass
from enum import IntEnum
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Record = TypeVar("Record")  # a dataclass of arrays and of such dataclasses


class PhaseKind(IntEnum):
    """The kind of training phase in force on a day."""

    NONE = 0
    BUILD = 1
    CUT = 2
    MAINTAIN = 3


class FoodState(IntEnum):
    """What is known of a calendar day's food log as a whole."""

    NOT_LOGGED = 0
    UNKNOWN = 1  # meals were logged, nobody said whether all of them
    PARTIAL = 2  # meals are missing: the sum is a lower bound
    COMPLETE = 3
    FAST = 4  # declared: nothing was eaten


class CycleKind(IntEnum):
    """What was answered about the menstrual cycle."""

    UNKNOWN = 0  # nobody asked
    NATURAL = 1
    NONE = 2  # hormonal contraception, menopause, men


@dataclass(frozen=True)
class Athletes:
    """Who the batch is about; every array has shape (athletes,)."""

    male: Bools
    birth_year: Floats  # decimal year, e.g. 1994.33
    height_cm: Floats
    activity_factor: Floats  # total over resting expenditure as the coach judged it; NaN = unknown
    cycle: Ints  # CycleKind


@dataclass(frozen=True)
class DailyLog:
    """What was logged and planned, by calendar day; every array has shape (athletes, days) but `days`."""

    days: NDArray[np.datetime64]  # (days,) consecutive calendar days, datetime64[D]
    mass_kg: Floats  # the day's weigh-in, NaN when there is none
    intake_kcal: Floats  # sum of the day's logged meals; 0 on a declared fast; NaN when nothing was logged
    carbohydrate_g: Floats  # likewise, NaN when unknown
    food_state: Ints  # FoodState
    target_kcal: Floats  # energy target in force, NaN when there is none
    phase: Ints  # PhaseKind
    phase_day: Ints  # 1 on the first day of each phase, 0 outside phases
    menstruation_started: Bools
    body_fat_pct: Floats  # a measurement of that day (several are fused by their errors), NaN when there is none
    body_fat_se_pct: Floats  # its standard error in percentage points, NaN likewise


@dataclass(frozen=True)
class Estimate:
    """A quantity with its mean, standard deviation and central 90 % interval; four arrays of one shape."""

    mean: Floats
    sd: Floats
    lo: Floats
    hi: Floats


def arrays(record: Any) -> Iterator[NDArray[Any]]:
    """The arrays of a record, those of nested records too, in the order of their fields."""
    for f in fields(record):
        part = getattr(record, f.name)
        yield from arrays(part) if is_dataclass(part) else (part,)


def mapped(change: Callable[..., Any], *records: Record) -> Record:
    """A record whose every array, of nested records too, is `change` of the arrays that the given ones have there."""
    first: Any = records[0]
    values = {}
    for f in fields(first):
        parts = [getattr(record, f.name) for record in records]
        values[f.name] = mapped(change, *parts) if is_dataclass(parts[0]) else change(*parts)
    return type(first)(**values)  # type: ignore[no-any-return]


def take(record: Record, rows: slice | Ints | Bools) -> Record:
    """A copy of some members of the batch, which is the last axis of every array of the record."""
    return mapped(lambda values: np.array(values[..., rows], order="C"), record)


def put(record: Record, rows: slice | Ints, others: Record) -> None:
    """Replace some members of the batch by those of another record, in place."""
    for values, other in zip(arrays(record), arrays(others), strict=True):
        values[..., rows] = other


def replaced(record: Record, rows: Ints, others: Record) -> Record:
    """The record with some members of the batch replaced by those of another one; itself it stays as it is."""
    copy = mapped(np.copy, record)
    put(copy, rows, others)
    return copy
