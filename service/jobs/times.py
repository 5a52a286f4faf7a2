"""Whose time it is: real practices live by the real time, test practices each by a clock of their own."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, literal_column, select

from service.store.engine import Database
from service.store.guard import CROSS_PRACTICE
from service.store.scope import table_of
from service.store.tables import Athlete, Practice

ATHLETE, PRACTICE = table_of(Athlete), table_of(Practice)
ACTIVE = ATHLETE.c.status == literal_column("'active'")  # not a parameter: SQLite then knows that the index is of these
ACROSS = {CROSS_PRACTICE: "the clock serves every practice"}


@dataclass(frozen=True)
class Time:
    """An instant that counts as now, for one test practice whose clock was moved, or for all that live by real time."""

    at: datetime
    practice_id: uuid.UUID | None = None

    def of(self, practice_id: ColumnElement[uuid.UUID]) -> ColumnElement[bool]:
        """The condition that a practice lives by this time."""
        if self.practice_id is not None:
            return practice_id == self.practice_id
        return practice_id.not_in(select(PRACTICE.c.id).where(PRACTICE.c.clock_at.is_not(None)))


async def times(database: Database, at: datetime) -> Sequence[Time]:
    """The real time, and those of the test practices whose clocks were moved.

    Parameters
    ----------
    database : Database
        Where.
    at : datetime
        The instant that counts as now for all others.
    """
    moved = select(PRACTICE.c.id, PRACTICE.c.clock_at).where(PRACTICE.c.clock_at.is_not(None))
    async with database.reading() as connection:
        rows = (await connection.execute(moved.order_by(PRACTICE.c.id), execution_options=ACROSS)).all()
    return [Time(at), *(Time(row.clock_at, row.id) for row in rows)]
