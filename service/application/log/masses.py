"""Which weigh-ins are suspect, and each day's body mass without them."""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import bindparam

from service.application.log.changes import EntryId, Verdict
from service.application.log.days import DayKey, Days, DayValues, around, dates_by_athlete, first_days, of_days
from service.application.log.facts import facts_of
from service.application.log.rolled_up import New, RolledUp
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

    id: EntryId
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


_WEIGHED = of_days(WeighIn, Weighed._fields)


class Series(NamedTuple):
    """Weigh-ins of one athlete in order, and of how many of the oldest the verdicts stand."""

    weighed: list[Weighed]
    standing: int


class Stored(NamedTuple):
    """What is stored of some athletes: their weigh-ins that are to be judged, and their height."""

    series: dict[uuid.UUID, Series]
    height_cm: dict[uuid.UUID, float]


async def read(scope: Scope, days: Days, new: New) -> Stored:
    """What is stored that the weigh-ins of these days are to be judged with."""
    first = first_days(days)
    facts = await facts_of(scope, first)
    series = (await _newest(scope, days) if new.added else None) or await _to_judge(scope, days, first)
    return Stored(series, {athlete: known.height_cm for athlete, known in facts.items()})


def settle(stored: Stored, days: Days, new: New) -> RolledUp:
    """Verdicts and the day's mass: the first accepted weigh-in of the day (by instant, else the lightest)."""
    first = first_days(days)
    added: dict[uuid.UUID, list[Weighed]] = defaultdict(list)
    for weighed in new.rows:
        added[weighed.athlete_id].append(weighed)
    changes: dict[EntryId, list[Verdict]] = {}
    masses: dict[DayKey, DayValues] = {}
    stale: Days = set()
    for athlete, touched in dates_by_athlete(days).items():
        series = stored.series.get(athlete, Series([], 0))
        if athlete in added:
            series = Series(sorted(series.weighed + added[athlete], key=_in_order), series.standing)
        accepted: dict[date, float] = {}
        moved = set(touched)
        for weighed, verdict in zip(series.weighed, _verdicts(series, stored.height_cm[athlete]), strict=True):
            if verdict is None:
                accepted.setdefault(weighed.date, weighed.mass_kg)
            if verdict != weighed.suspect:
                changes[weighed.id] = [Verdict(verdict)]
                moved.add(weighed.date)
        for day in moved:
            masses[athlete, day] = {"mass_kg": accepted.get(day)}
        stale |= {(athlete, day) for day in moved if day < first[athlete]}
    return RolledUp(changes, masses, stale=stale)


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
    whole_days = rows if all_there else [row for row in rows if row.date > rows[0].date]
    if not whole_days:  # so many of one day
        return None
    *before, new = whole_days
    enough = all_there or sum(row.suspect is None for row in before) >= COMPARED
    if enough and before and before[-1].date < day == new.date and before[-1].suspect is None:
        return {athlete: Series([*before, new], len(before))}
    return None


async def _to_judge(scope: Scope, days: Days, first: Mapping[uuid.UUID, date]) -> dict[uuid.UUID, Series]:
    """The weigh-ins of each athlete from a settled point on; where there is none, all of them."""
    series: dict[uuid.UUID, list[Weighed]] = defaultdict(list)
    for row in await around(scope, _WEIGHED, days, HISTORY, open_end=True):
        series[row.athlete_id].append(Weighed._make(row))
    standing = {athlete: _standing(rows, first[athlete]) for athlete, rows in series.items()}
    unsettled = [athlete for athlete, count in standing.items() if count == 0]
    if unsettled:
        before = min(first.values()) - HISTORY - timedelta(days=1)
        for row in await scope.fetch(_WEIGHED, athletes=unsettled, since=date.min, until=before):
            series[row.athlete_id].append(Weighed._make(row))
    return {athlete: Series(sorted(rows, key=_in_order), standing[athlete]) for athlete, rows in series.items()}


def _standing(rows: list[Weighed], first: date) -> int:
    rows.sort(key=_in_order)
    return settled(_readings(rows), [row.suspect is not None for row in rows], first.toordinal())


def _readings(rows: Sequence[Weighed]) -> list[Reading]:
    return [Reading(row.date.toordinal(), row.mass_kg, bool(row.confirmed)) for row in rows]


def _in_order(weighed: Weighed) -> tuple[Any, ...]:
    if weighed.at:
        return (weighed.date, False, weighed.at, weighed.mass_kg)
    return (weighed.date, True, weighed.mass_kg)


def _verdicts(series: Series, height_cm: float) -> list[Json | None]:
    """Why each weigh-in of one athlete is suspect (None: accepted), in date order."""
    known = [None if row.suspect is None else Suspect(**row.suspect) for row in series.weighed[: series.standing]]
    verdicts = judge_weigh_ins(_readings(series.weighed), height_cm, known)
    return [
        None if suspect is None else {"reason": suspect.reason, "best_guess_kg": suspect.best_guess_kg}
        for suspect in verdicts
    ]
