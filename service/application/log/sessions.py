"""Which training sessions are suspect, how many each day has, and what the lifts of each measured."""

import uuid
from collections import defaultdict
from collections.abc import Mapping
from datetime import date
from typing import Any, NamedTuple

from service.application.log import session_lifts
from service.application.log.changes import EntryId, Verdict
from service.application.log.days import DayKey, Days, DayValues, dates_by_athlete, first_days
from service.application.log.rolled_up import Lifts, New, RolledUp
from service.application.log.session_lifts import Trained
from service.catalogue.exercises import exercises
from service.domain.plausibility.suspect_sets import shown
from service.domain.strength import sets
from service.store import bulk
from service.store.scope import Scope, table_of
from service.store.tables import SessionLift, TrainingSession


class Stored(NamedTuple):
    """What is stored of some athletes: sessions from their first touched day on, and what was shown before."""

    sessions: dict[uuid.UUID, list[Trained]]
    known: dict[uuid.UUID, session_lifts.Lifts]


async def read(scope: Scope, days: Days, _: New) -> Stored:
    """What is stored that the sessions of these days are to be judged with."""
    first = first_days(days)
    return Stored(await _sessions(scope, first), await _known_lifts(scope, first))


def settle(stored: Stored, days: Days, new: New) -> RolledUp:
    """Verdicts, sessions counted by day, and each session's lifts summarised; a suspect one measures no strength."""
    for session in new.rows:
        stored.sessions[session.athlete_id].append(session)
    changes: dict[EntryId, list[Verdict]] = {}
    touched: dict[DayKey, int] = dict.fromkeys(days, 0)
    summaries: list[tuple[Any, ...]] = []
    for athlete, rows in stored.sessions.items():
        judged = session_lifts.judge_sessions(rows, stored.known[athlete])
        changed = [one for one in judged if one.suspect != one.session.suspect]
        changes |= {one.session.id: [Verdict(one.suspect)] for one in changed}
        touched |= {(athlete, one.session.date): 0 for one in changed}
        for one in judged:
            if (athlete, one.session.date) in touched:
                touched[athlete, one.session.date] += 1
                summaries += one.lifts()
    values: dict[DayKey, DayValues] = {key: {"sessions": count} for key, count in touched.items()}
    return RolledUp(changes, values, Lifts(set(touched), summaries))


async def _sessions(scope: Scope, first: Mapping[uuid.UUID, date]) -> dict[uuid.UUID, list[Trained]]:
    """The sessions of each athlete from the first touched day on: all that a change may put in another light."""
    table = table_of(TrainingSession)
    statement = scope.select(*(table.c[name] for name in Trained._fields), of=[TrainingSession])
    wanted = statement.where(table.c.athlete_id.in_(first), table.c.date >= min(first.values()))
    by_athlete: dict[uuid.UUID, list[Trained]] = {athlete: [] for athlete in first}
    for row in await scope.rows(wanted):
        if row.date >= first[row.athlete_id]:
            by_athlete[row.athlete_id].append(Trained._make(row))
    return by_athlete


async def _known_lifts(scope: Scope, first: Mapping[uuid.UUID, date]) -> dict[uuid.UUID, session_lifts.Lifts]:
    """What accepted sessions before each athlete's first touched day showed."""
    lift = table_of(SessionLift)
    since = min(first.values()) - session_lifts.HISTORY
    known: dict[uuid.UUID, session_lifts.Lifts] = {athlete: defaultdict(list) for athlete in first}
    before = scope.select(SessionLift).where(
        lift.c.athlete_id.in_(first), lift.c.date >= since, lift.c.date < max(first.values()), lift.c.hard_sets > 0
    )
    for row in await scope.all(SessionLift, before):
        if row.date < first[row.athlete_id]:
            measured = sets.SessionLift._make(getattr(row, name) for name in sets.SessionLift._fields)
            known[row.athlete_id][row.exercise].append((row.date, shown(exercises()[row.exercise], measured)))
    return known


async def replace_lifts(scope: Scope, lifts: Lifts) -> None:
    """Put the roll-up rows of days in the place of those that they have."""
    lift = table_of(SessionLift)
    dates = dates_by_athlete(lifts.days)
    first = min(day for _, day in lifts.days)
    there = scope.select(lift.c.athlete_id, of=[SessionLift]).where(lift.c.athlete_id.in_(dates), lift.c.date >= first)
    for row in await scope.rows(there.distinct()):
        athlete = row.athlete_id
        on = lift.c.date.in_(dates[athlete])
        await scope.run(scope.delete(SessionLift).where(lift.c.athlete_id == athlete, on))
    if lifts.rows:
        columns = zip(*lifts.rows, strict=True)
        await bulk.insert(scope, SessionLift, dict(zip(session_lifts.LIFT_COLUMNS, columns, strict=True)))
