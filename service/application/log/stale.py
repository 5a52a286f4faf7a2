"""What is made of the log before it changed: reviews marked stale, work under way that has to look again, checks due.

What was stored is looked at within seconds by a check of the athlete, which falls due in the write's own transaction.
"""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import BindParameter, Date, bindparam, case, or_, update

from service.application.log.days import Days, dates_by_athlete, first_days
from service.application.schedule import today_of
from service.store.prepared import PRACTICE, Among, PreparedStatement
from service.store.scope import Scope, locked, of_practice, table_of
from service.store.tables import Athlete, Review
from service.store.types import Instant

CHECK_AFTER = timedelta(seconds=3)  # what comes together is looked at together
CHECK_HISTORY_AFTER = timedelta(seconds=30)  # history comes in many pieces
HISTORY = timedelta(days=7)
EVERY_DAY = date.min  # stands for all days of an athlete
_ATHLETE, _REVIEW = table_of(Athlete), table_of(Review)


async def mark_stale(scope: Scope, days: Days) -> None:
    """Mark the reviews that looked at any of these days, tell work under way of the change, and have it looked at."""
    if not days:
        return
    await _note_change(scope, days)
    by_day = defaultdict(list)
    for athlete, day in first_days(days).items():
        by_day[day].append(athlete)
    await scope.run_each(_MARK, [{"athletes": athletes, "since": day} for day, athletes in by_day.items()])


async def mark_all_stale(scope: Scope, athlete_id: uuid.UUID) -> None:
    """Mark every review of an athlete."""
    await mark_stale(scope, {(athlete_id, EVERY_DAY)})


class _Where(NamedTuple):
    """An athlete and where they live."""

    id: uuid.UUID
    time_zone: str


def _noted(*, checked: bool) -> PreparedStatement:
    later: BindParameter[date | None] = bindparam("until", type_=Date)
    sooner: BindParameter[datetime] = bindparam("due", type_=Instant)
    until, due = _ATHLETE.c.inputs_until, _ATHLETE.c.next_check_in_at
    values: dict[str, Any] = {
        "inputs_revision": _ATHLETE.c.inputs_revision + 1,
        "inputs_until": case((or_(until.is_(None), until < later), later), else_=until),
    }
    if checked:
        values["next_check_in_at"] = case((or_(due.is_(None), due > sooner), sooner), else_=due)
    of_athlete = (_ATHLETE.c.practice_id == PRACTICE, _ATHLETE.c.id == bindparam("of_athlete"))
    return PreparedStatement(update(_ATHLETE).where(*of_athlete).values(values))


_WHERE = PreparedStatement(  # in one order for all, against deadlocks
    locked(
        of_practice(_ATHLETE.c.id, _ATHLETE.c.time_zone, of=[Athlete])
        .where(Among(_ATHLETE.c.id, "athletes"))
        .order_by(_ATHLETE.c.id)
    )
)
_NOTE, _NOTE_UNCHECKED = _noted(checked=True), _noted(checked=False)
_MARK = PreparedStatement(
    update(_REVIEW)
    .where(
        _REVIEW.c.practice_id == PRACTICE,
        Among(_REVIEW.c.athlete_id, "athletes"),
        _REVIEW.c.as_of >= bindparam("since"),
        _REVIEW.c.stale.is_(False),
    )
    .values(stale=True)
)


async def _note_change(scope: Scope, days: Days) -> None:
    """Before the marks: a review kept meanwhile has either seen the change, or is there to be marked."""
    changed = dates_by_athlete(days)
    if changed.keys() <= scope.held.keys():
        rows: Sequence[_Where] = [_Where(athlete, scope.held[athlete].time_zone) for athlete in sorted(changed)]
    else:
        rows = await scope.fetch(_WHERE, athletes=list(changed))
    changes = [_change(scope, row, changed[row.id]) for row in rows]
    await scope.run_each(_NOTE if scope.to_check is None else _NOTE_UNCHECKED, changes)
    if scope.to_check is not None:
        scope.to_check.update(changed)


def _change(scope: Scope, athlete: _Where, days: Sequence[date]) -> dict[str, Any]:
    """Up to which day something was stored of an athlete, and when a check falls due: at once where time stands still.

    Parameters: `days` of which something was stored.
    """
    today = today_of(scope, athlete)
    recent = any(day == EVERY_DAY or day >= today - HISTORY for day in days)
    until = max((day for day in days if EVERY_DAY < day <= today), default=None)
    settling = CHECK_AFTER if recent else CHECK_HISTORY_AFTER
    due = scope.now() if scope.clock_at is not None else scope.now() + settling
    return {"of_athlete": athlete.id, "until": until, "due": due}


async def check_on(scope: Scope, athletes: Sequence[uuid.UUID]) -> None:
    """Have athletes looked at at once: the file that told of them has ended."""
    due = _ATHLETE.c.next_check_in_at
    waiting = scope.update(Athlete).where(_ATHLETE.c.id.in_(athletes), or_(due.is_(None), due > scope.now()))
    await scope.run(waiting.values(next_check_in_at=scope.now()))


async def held(scope: Scope, athletes: Sequence[Athlete]) -> dict[uuid.UUID, Athlete]:
    """The present rows of those athletes that are still there, by id, held against writers until the transaction ends.

    Work kept in it rests on all that was stored before, where `changed_meanwhile` finds nothing that it has not seen.
    """
    wanted = scope.select(Athlete).where(_ATHLETE.c.id.in_([row.id for row in athletes])).order_by(_ATHLETE.c.id)
    return {row.id: row for row in await scope.all(Athlete, locked(wanted))}


def changed_meanwhile(present: Mapping[uuid.UUID, Athlete], read: Sequence[Athlete]) -> list[Athlete]:
    """The present rows of athletes of whom something that reviews look at was stored since their rows were read."""
    return [
        present[row.id] for row in read if row.id in present and present[row.id].inputs_revision != row.inputs_revision
    ]
