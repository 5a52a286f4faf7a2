"""On which days a menstruation started."""

import uuid
from datetime import date
from typing import NamedTuple

from service.application.log.changes import EntryId
from service.application.log.days import Days, around, of_days
from service.application.log.rolled_up import New, RolledUp
from service.store.scope import Scope, table_of
from service.store.tables import WellbeingNote


class Noted(NamedTuple):
    """What is looked at of a wellbeing note."""

    id: EntryId
    athlete_id: uuid.UUID
    date: date
    menstruation_started: bool


_STARTED = of_days(WellbeingNote, ("athlete_id", "date"), table_of(WellbeingNote).c.menstruation_started.is_(True))


async def read(scope: Scope, days: Days, _: New) -> Days:
    """Days on which a stored note says so."""
    return {(row.athlete_id, row.date) for row in await around(scope, _STARTED, days)}


def settle(stored: Days, days: Days, new: New) -> RolledUp:
    """The mark of the day, from whichever of its notes says so; the notes stay as they are."""
    started = stored | {(note.athlete_id, note.date) for note in new.rows if note.menstruation_started}
    return RolledUp({}, {key: {"menstruation_started": key in started} for key in days})
