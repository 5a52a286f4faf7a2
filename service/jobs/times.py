"""Whose time it is: real practices live by the real time, test practices each by a clock of their own."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, and_, or_, select

from service.store.engine import Database
from service.store.guard import CROSS_PRACTICE
from service.store.scope import table_of
from service.store.tables import Athlete, Practice

ATHLETE, PRACTICE = table_of(Athlete), table_of(Practice)
ACROSS = {CROSS_PRACTICE: "the clock serves every practice"}


@dataclass(frozen=True)
class Time:
    """An instant that counts as now, for one test practice whose clock was moved, or for all that live by real time."""

    at: datetime
    practice_id: uuid.UUID | None = None

    @property
    def clock_at(self) -> datetime | None:
        """The practice's own clock, None where it lives by the real time."""
        return None if self.practice_id is None else self.at

    def of(self, practice_id: ColumnElement[uuid.UUID]) -> ColumnElement[bool]:
        """The condition that a practice lives by this time."""
        if self.practice_id is not None:
            return practice_id == self.practice_id
        return practice_id.not_in(select(PRACTICE.c.id).where(PRACTICE.c.clock_at.is_not(None)))


async def times(database: Database, at: datetime) -> Sequence[Time]:
    """The real time, and the times of test practices in which something is due.

    Parameters
    ----------
    database : Database
        Where.
    at : datetime
        The instant that counts as now for all practices whose clock was not moved.
    """
    due = select(ATHLETE.c.id).where(
        ATHLETE.c.practice_id == PRACTICE.c.id,
        or_(ATHLETE.c.next_review_at.is_(None), *(ATHLETE.c[name] <= PRACTICE.c.clock_at for name in _DUE)),
    )
    moved = select(PRACTICE.c.id, PRACTICE.c.clock_at).where(and_(PRACTICE.c.clock_at.is_not(None), due.exists()))
    async with database.reading() as connection:
        rows = (await connection.execute(moved, execution_options=ACROSS)).all()
    return [Time(at), *(Time(row.clock_at, row.id) for row in rows)]


_DUE = ("next_review_at", "next_check_in_at")
