"""The athlete's day in the log: the days that a write touches, and the row of the roll-up that each has."""

import uuid
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from sqlalchemy import ColumnElement, bindparam, not_, select

from service.store import bulk
from service.store.prepared import Among, PreparedStatement
from service.store.scope import Scope, Table, of_practice, table_of
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


def dates_by_athlete(days: Iterable[DayKey]) -> dict[uuid.UUID, list[date]]:
    """The days of each athlete."""
    dates: dict[uuid.UUID, list[date]] = defaultdict(list)
    for athlete, day in days:
        dates[athlete].append(day)
    return dates


def of_days(table: Table, names: Iterable[str], *conditions: ColumnElement[bool]) -> PreparedStatement:
    """Columns of a table's rows of some athletes and days, for `around`."""
    columns = table_of(table).c
    between = (columns.date >= bindparam("since"), columns.date <= bindparam("until"))
    rows = of_practice(*(columns[name] for name in names), of=[table])
    return PreparedStatement(rows.where(Among(columns.athlete_id, "athletes"), *between, *conditions))


async def around(
    scope: Scope, rows: PreparedStatement, days: Days, before: timedelta = timedelta(0), open_end: bool = False
) -> Sequence[Any]:
    """Rows of these athletes from so long before the first of the days to the last, or to the end."""
    dates = [day for _, day in days]
    until = date.max if open_end else max(dates)
    return await scope.fetch(rows, athletes={who for who, _ in days}, since=min(dates) - before, until=until)


async def put_days(scope: Scope, parts: Sequence[Mapping[DayKey, DayValues]]) -> None:
    """Write columns of the roll-up, in each part the same of each day; a day whose last entry is gone goes too."""
    whole: dict[DayKey, dict[str, float | int | bool | None]] = {}
    for part in parts:
        for key, values in part.items():
            if key in whole:
                whole[key].update(values)
            else:
                whole[key] = dict(values)
    alike: dict[tuple[str, ...], list[DayKey]] = defaultdict(list)  # days of which the same columns are written
    for key, values in whole.items():
        alike[tuple(values)].append(key)
    for names, keys in alike.items():
        columns: dict[str, list[Any]] = {name: [whole[key][name] for key in keys] for name in names}
        columns["athlete_id"] = [athlete for athlete, _ in keys]
        columns["date"] = [day for _, day in keys]
        await bulk.upsert(scope, AthleteDay, columns, key=_KEY)
    emptied = {key for key, values in whole.items() if not any(values.values())}
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
