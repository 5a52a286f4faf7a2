"""The athlete's day in the log: the days that a write touches, and the row of the roll-up that each has."""

import uuid
from collections.abc import Iterable, Mapping
from datetime import date, timedelta

from sqlalchemy import ColumnElement, not_, select

from service.store.scope import Scope, Table, table_of
from service.store.tables import AthleteDay, FoodDay, Meal, Measurement, TrainingSession, WeighIn, WellbeingNote

DayKey = tuple[uuid.UUID, date]  # an athlete's id and a local date
Days = set[DayKey]
DayValues = Mapping[str, float | int | bool | None]  # columns of `athlete_day`

LOGGED: tuple[Table, ...] = (
    WeighIn,
    Meal,
    FoodDay,
    Measurement,
    WellbeingNote,
    TrainingSession,
)  # what makes a day one of the log
_KEY = ("practice_id", "athlete_id", "date")


def first_days(days: Iterable[DayKey]) -> dict[uuid.UUID, date]:
    """Each athlete's earliest day."""
    first: dict[uuid.UUID, date] = {}
    for athlete, day in days:
        first[athlete] = min(day, first.get(athlete, day))
    return first


def around(
    table: Table, days: Days, before: timedelta = timedelta(0), open_end: bool = False
) -> list[ColumnElement[bool]]:
    """Conditions for rows of these athletes from so long before the first of the days to the last, or to the end."""
    columns, dates = table_of(table).c, [day for _, day in days]
    conditions = [columns.athlete_id.in_({athlete for athlete, _ in days}), columns.date >= min(dates) - before]
    return conditions if open_end else [*conditions, columns.date <= max(dates)]


async def put_days(scope: Scope, values: Mapping[DayKey, DayValues]) -> None:
    """Write some columns of the roll-up, the same of each day; a day whose last entry is gone goes too."""
    rows = [{"athlete_id": athlete, "date": day, **value} for (athlete, day), value in values.items()]
    if not rows:
        return
    only = [name for name in rows[0] if name not in _KEY]
    await scope.upsert(AthleteDay, rows, key=_KEY, only=only)
    emptied = {key for key, value in values.items() if not any(value.values())}
    if emptied:
        await _drop_days_without_entries(scope, emptied)


async def _drop_days_without_entries(scope: Scope, days: Days) -> None:
    day = table_of(AthleteDay)
    logged = []
    for entry in map(table_of, LOGGED):
        same = (entry.c[name] == day.c[name] for name in _KEY)
        logged.append(select(entry.c.date).where(*same).exists())
    at = (day.c.athlete_id.in_({athlete for athlete, _ in days}), day.c.date.in_({on for _, on in days}))
    await scope.run(scope.delete(AthleteDay).where(*at, *(not_(entry) for entry in logged)))
