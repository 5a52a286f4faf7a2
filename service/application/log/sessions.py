"""Which training sessions are suspect, how many each day has, and what the lifts of each measured."""

import uuid
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import fields
from datetime import date
from typing import Any

from service.application.log import session_lifts
from service.application.log.changes import Changes, Verdict, write_changes
from service.application.log.days import DayKey, Days, first_days, put_days
from service.domain.strength import sets
from service.store.scope import Scope, table_of
from service.store.tables import SessionLift, TrainingSession

_MEASURED = tuple(field.name for field in fields(sets.SessionLift))


async def roll_up(scope: Scope, days: Days) -> Changes:
    """Verdicts, sessions counted by day, and each session's lifts summarised; a suspect one measures no strength."""
    first = first_days(days)
    sessions = await _sessions(scope, first)
    known = await _known_lifts(scope, first)
    changes: dict[uuid.UUID, Verdict] = {}
    touched: dict[DayKey, int] = dict.fromkeys(days, 0)
    summaries: list[dict[str, Any]] = []
    for athlete, rows in sessions.items():
        judged = session_lifts.judge_sessions(rows, known[athlete])
        changed = [one for one in judged if one.suspect != one.session.suspect]
        changes |= {one.session.id: Verdict(one.suspect) for one in changed}
        touched |= {(athlete, one.session.date): 0 for one in changed}
        for one in judged:
            if (athlete, one.session.date) in touched:
                touched[athlete, one.session.date] += 1
                summaries += one.lifts()
    await write_changes(scope, TrainingSession, changes)
    await put_days(scope, {key: {"sessions": count} for key, count in touched.items()})
    await _replace_lifts(scope, set(touched), summaries)
    return {entry: (verdict,) for entry, verdict in changes.items()}


async def _sessions(scope: Scope, first: Mapping[uuid.UUID, date]) -> dict[uuid.UUID, list[TrainingSession]]:
    """The sessions of each athlete from the first touched day on: all that a change may put in another light."""
    table = table_of(TrainingSession)
    wanted = scope.select(TrainingSession).where(table.c.athlete_id.in_(first), table.c.date >= min(first.values()))
    by_athlete: dict[uuid.UUID, list[TrainingSession]] = {athlete: [] for athlete in first}
    for row in await scope.all(TrainingSession, wanted):
        if row.date >= first[row.athlete_id]:
            by_athlete[row.athlete_id].append(row)
    return by_athlete


async def _known_lifts(scope: Scope, first: Mapping[uuid.UUID, date]) -> dict[uuid.UUID, session_lifts.Lifts]:
    """What accepted sessions before each athlete's first touched day showed."""
    lift = table_of(SessionLift)
    since = min(first.values()) - session_lifts.HISTORY
    known: dict[uuid.UUID, session_lifts.Lifts] = {athlete: defaultdict(list) for athlete in first}
    before = scope.select(SessionLift).where(
        lift.c.athlete_id.in_(first), lift.c.date >= since, lift.c.date < max(first.values())
    )
    for row in await scope.all(SessionLift, before):
        if row.date < first[row.athlete_id]:
            measured = sets.SessionLift(**{name: getattr(row, name) for name in _MEASURED})
            known[row.athlete_id][row.exercise].append((row.date, measured))
    return known


async def _replace_lifts(scope: Scope, days: Days, summaries: list[dict[str, Any]]) -> None:
    lift = table_of(SessionLift)
    dates = defaultdict(list)
    for athlete, day in days:
        dates[athlete].append(day)
    for athlete, on in dates.items():
        await scope.run(scope.delete(SessionLift).where(lift.c.athlete_id == athlete, lift.c.date.in_(on)))
    await scope.insert(SessionLift, summaries)
