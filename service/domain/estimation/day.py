"""One calendar day of a log, as the filter takes it in."""

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np

from service.domain.records import Bools, DailyLog, Floats, Ints

DAYS_TURNED = 32  # d, turned to day-major order together: what fits the cache


@dataclass(frozen=True)
class Day:
    """What was logged and planned of one calendar day; arrays (athletes,), as in `records.DailyLog`."""

    date: np.datetime64
    mass_kg: Floats
    intake_kcal: Floats
    carbohydrate_g: Floats
    food_state: Ints
    target_kcal: Floats
    phase: Ints
    phase_day: Ints
    menstruation_started: Bools
    body_fat_pct: Floats
    body_fat_se_pct: Floats


def days_of(log: DailyLog, rows: slice | Ints) -> Iterator[Day]:
    """The days of a log, one by one, for some athletes; turned to day-major order a few weeks at a time."""
    names = [f.name for f in fields(Day) if f.name != "date"]
    for first in range(0, log.days.shape[0], DAYS_TURNED):
        few = slice(first, first + DAYS_TURNED)
        columns = {name: np.ascontiguousarray(getattr(log, name)[rows, few].T) for name in names}
        for t, date in enumerate(log.days[few]):
            yield Day(date=date, **{name: values[t] for name, values in columns.items()})


def empty_day(date: np.datetime64, count: int) -> Day:
    """A day of which nothing is logged, outside phases."""
    unknown = np.full(count, np.nan)
    zeros = np.zeros(count, dtype=np.int64)
    return Day(
        date=date,
        mass_kg=unknown,
        intake_kcal=unknown,
        carbohydrate_g=unknown,
        food_state=zeros,
        target_kcal=unknown,
        phase=zeros,
        phase_day=zeros,
        menstruation_started=np.zeros(count, dtype=np.bool_),
        body_fat_pct=unknown,
        body_fat_se_pct=unknown,
    )
