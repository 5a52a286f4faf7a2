"""On which days a menstruation started."""

from service.application.log.changes import Changes
from service.application.log.days import Days, around, put_days
from service.store.scope import Scope, table_of
from service.store.tables import WellbeingNote


async def roll_up(scope: Scope, days: Days) -> Changes:
    """The mark of the day, from whichever of its notes says so; the notes stay as they are."""
    table = table_of(WellbeingNote)
    statement = scope.select(table.c.athlete_id, table.c.date, of=[WellbeingNote]).where(
        *around(WellbeingNote, days), table.c.menstruation_started.is_(True)
    )
    started = {(row.athlete_id, row.date) for row in await scope.rows(statement)}
    await put_days(scope, {key: {"menstruation_started": key in started} for key in days})
    return {}
