"""Answers to the screening questions: kept beside the older ones; the latest count."""

import uuid

from service.application.log.stale import mark_all_stale
from service.store.scope import Scope, table_of
from service.store.tables import Json, Screening

_TABLE = table_of(Screening)


async def latest_screening(scope: Scope, athlete_id: uuid.UUID) -> Screening | None:
    """The newest answers of an athlete, or None."""
    of_athlete = scope.select(Screening).where(_TABLE.c.athlete_id == athlete_id)
    return await scope.one(Screening, of_athlete.order_by(_TABLE.c.revision.desc()).limit(1))


async def answer_screening(scope: Scope, athlete_id: uuid.UUID, answers: Json) -> Screening:
    """Store answers beside the older ones; reviews made before are marked stale."""
    old = await latest_screening(scope, athlete_id)
    new = Screening(
        practice_id=scope.practice_id,
        athlete_id=athlete_id,
        answers=answers,
        revision=1 + (old.revision if old else 0),
        answered_at=scope.now(),
    )
    await scope.insert(Screening, [new.model_dump()])
    await mark_all_stale(scope, athlete_id)
    return new
