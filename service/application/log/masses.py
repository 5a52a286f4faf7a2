"""Which weigh-ins are suspect, and each day's body mass without them."""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import bindparam

from service.application.log.changes import Changes, Verdict, write_changes
from service.application.log.days import DayKey, Days, DayValues, around, first_days, put_days
from service.application.log.facts import facts_of
from service.application.log.stale import mark_stale
from service.domain.plausibility.suspect_readings import (
    COMPARED,
    HISTORY_DAYS,
    Reading,
    Suspect,
    judge_weigh_ins,
    settled,
)
from service.store.prepared import PreparedStatement
from service.store.scope import Scope, of_practice, table_of
from service.store.tables import Json, WeighIn

_TABLE = table_of(WeighIn)
HISTORY = timedelta(days=2 * HISTORY_DAYS)  # of weigh-ins before a change; nearly always all that is needed


class Weighed(NamedTuple):
    """What is looked at of a weigh-in."""

    id: uuid.UUID
    athlete_id: uuid.UUID
    date: date
    at: datetime | None
    mass_kg: float
    suspect: Json | None
    confirmed: bool


LATEST = COMPARED + 4  # some of them suspect
_LATEST = PreparedStatement(
    of_practice(*(_TABLE.c[name] for name in Weighed._fields), of=[WeighIn])
    .where(_TABLE.c.athlete_id == bindparam("athlete_id"))
    .order_by(_TABLE.c.date.desc(), _TABLE.c.id.desc())
    .limit(LATEST)
)


class Series(NamedTuple):
    """Weigh-ins of one athlete in order, and of how many of the oldest the verdicts stand."""

    weighed: list[Weighed]
    standing: int


async def roll_up(scope: Scope, days: Days, *, added: bool = False) -> Changes:
    """Verdicts and the day's mass: the first accepted weigh-in of the day (by instant, else the lightest).

    `added`: nothing but new weigh-ins.
    """
    facts = await facts_of(scope, {athlete for athlete, _ in days})
    first_touched = first_days(days)
    changes: dict[uuid.UUID, Verdict] = {}
    masses: dict[DayKey, DayValues] = {key: {"mass_kg": None} for key in days}
    to_judge = (await _newest(scope, days) if added else None) or await _to_judge(scope, days, first_touched)
    for athlete, series in to_judge.items():
        verdicts = _verdicts(series, facts[athlete].height_cm)
        accepted: dict[date, float] = {}
        for weighed in series.weighed:
            if verdicts[weighed.id] is None:
                accepted.setdefault(weighed.date, weighed.mass_kg)
            if verdicts[weighed.id] != weighed.suspect:
                changes[weighed.id] = Verdict(verdicts[weighed.id])
        moved = {weighed.date for weighed in series.weighed if weighed.id in changes}
        for day in moved | {day for who, day in days if who == athlete}:
            masses[athlete, day] = {"mass_kg": accepted.get(day)}
    await write_changes(scope, WeighIn, changes)
    await put_days(scope, masses)
    if any(day < first_touched[athlete] for athlete, day in masses):
        await mark_stale(scope, set(masses))
    return {entry: (verdict,) for entry, verdict in changes.items()}


async def _newest(scope: Scope, days: Days) -> dict[uuid.UUID, Series] | None:
    """Of one new weigh-in after all others the few before it, by which alone it is judged; None where it is not so.

    Where the one before it is accepted, no suspect one waits for others to agree with it, so that the verdicts on all
    before it stand; and no more are compared with a new one than the latest accepted ones.
    """
    if len(days) != 1:
        return None
    ((athlete, day),) = days
    rows = sorted(map(Weighed._make, await scope.fetch(_LATEST, athlete_id=athlete)), key=_in_order)
    all_there = len(rows) < LATEST
    *before, new = rows if all_there else (row for row in rows if row.date > rows[0].date)  # of a day all or none
    enough = all_there or sum(row.suspect is None for row in before) >= COMPARED
    if enough and before and before[-1].date < day == new.date and before[-1].suspect is None:
        return {athlete: Series([*before, new], len(before))}
    return None


async def _to_judge(scope: Scope, days: Days, first: Mapping[uuid.UUID, date]) -> dict[uuid.UUID, Series]:
    """The weigh-ins of each athlete from a settled point on; where there is none, all of them."""
    table = table_of(WeighIn)
    statement = scope.select(*(table.c[name] for name in Weighed._fields), of=[WeighIn])
    by_athlete: dict[uuid.UUID, list[Weighed]] = defaultdict(list)
    for row in await scope.rows(statement.where(*around(WeighIn, days, HISTORY, open_end=True))):
        by_athlete[row.athlete_id].append(Weighed._make(row))
    standing = {athlete: _standing(rows, first[athlete]) for athlete, rows in by_athlete.items()}
    unsettled = [athlete for athlete, count in standing.items() if count == 0]
    if unsettled:
        older = (table.c.athlete_id.in_(unsettled), table.c.date < min(first.values()) - HISTORY)
        for row in await scope.rows(statement.where(*older)):
            by_athlete[row.athlete_id].append(Weighed._make(row))
    return {athlete: Series(sorted(rows, key=_in_order), standing[athlete]) for athlete, rows in by_athlete.items()}


def _standing(rows: list[Weighed], first: date) -> int:
    rows.sort(key=_in_order)
    return settled(_readings(rows), [row.suspect is not None for row in rows], first.toordinal())


def _readings(rows: Sequence[Weighed]) -> list[Reading]:
    return [Reading(row.date.toordinal(), row.mass_kg, bool(row.confirmed)) for row in rows]


def _in_order(weighed: Weighed) -> tuple[Any, ...]:
    if weighed.at:
        return (weighed.date, False, weighed.at, weighed.mass_kg)
    return (weighed.date, True, weighed.mass_kg)


def _verdicts(series: Series, height_cm: float) -> dict[uuid.UUID, Json | None]:
    """Why each weigh-in of one athlete is suspect (None: accepted), in date order."""
    known = [None if row.suspect is None else Suspect(**row.suspect) for row in series.weighed[: series.standing]]
    verdicts = judge_weigh_ins(_readings(series.weighed), height_cm, known)
    return {
        row.id: None if suspect is None else {"reason": suspect.reason, "best_guess_kg": suspect.best_guess_kg}
        for row, suspect in zip(series.weighed, verdicts, strict=True)
    }
