"""What is made of the log before it changed: reviews marked stale, and work under way that has to look again."""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date

from service.application.log.days import Days, first_days
from service.store.scope import Scope, locked, table_of
from service.store.tables import Athlete, Review


async def mark_stale(scope: Scope, days: Days) -> None:
    """Mark the reviews that looked at any of these days, and tell work under way that its inputs have changed."""
    if not days:
        return
    review = table_of(Review)
    await _count_change(scope, {athlete for athlete, _ in days})
    by_day = defaultdict(list)
    for athlete, day in first_days(days).items():
        by_day[day].append(athlete)
    for day, athletes in by_day.items():
        await scope.run(
            scope.update(Review)
            .where(review.c.athlete_id.in_(athletes), review.c.as_of >= day, review.c.stale.is_(False))
            .values(stale=True)
        )


async def mark_all_stale(scope: Scope, athlete_id: uuid.UUID) -> None:
    """Mark every review of an athlete."""
    await mark_stale(scope, {(athlete_id, date.min)})


async def _count_change(scope: Scope, athletes: set[uuid.UUID]) -> None:
    """Before the marks: a review kept meanwhile has either seen the change, or is there to be marked."""
    athlete = table_of(Athlete)
    if len(athletes) > 1:  # one order for all, against deadlocks
        await scope.rows(
            locked(scope.select(athlete.c.id, of=[Athlete]).where(athlete.c.id.in_(athletes)).order_by(athlete.c.id))
        )
    counted = scope.update(Athlete).where(athlete.c.id.in_(athletes))
    await scope.run(counted.values(inputs_revision=athlete.c.inputs_revision + 1))


async def held(scope: Scope, athletes: Sequence[Athlete]) -> dict[uuid.UUID, Athlete]:
    """The present rows of those athletes that are still there, by id, held against writers until the transaction ends.

    Work kept in it rests on all that was stored before, where `changed_meanwhile` finds nothing that it has not seen.
    """
    athlete = table_of(Athlete)
    wanted = scope.select(Athlete).where(athlete.c.id.in_([row.id for row in athletes])).order_by(athlete.c.id)
    return {row.id: row for row in await scope.all(Athlete, locked(wanted))}


def changed_meanwhile(present: Mapping[uuid.UUID, Athlete], read: Sequence[Athlete]) -> list[Athlete]:
    """The present rows of athletes of whom something that reviews look at was stored since their rows were read."""
    return [
        present[row.id] for row in read if row.id in present and present[row.id].inputs_revision != row.inputs_revision
    ]
