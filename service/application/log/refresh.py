"""What a write changes beside its own row: suspect entries, computed body fat, the two roll-ups.

Everything here runs in the transaction of the write. The result depends only on the entries that are there, never on
the order in which they came: verdicts on weigh-ins are settled by one pass in date order. A weigh-in can change the
verdict on an earlier one; the reviews that looked at that day are then stale too.
"""

import uuid
from collections.abc import Callable, Coroutine
from typing import Any

from service.application.log import body_fat, masses, meals, menstruation, sessions
from service.application.log.changes import Changes
from service.application.log.days import Days
from service.application.log.stale import mark_all_stale
from service.store.scope import Scope, Table, table_of
from service.store.tables import FoodDay, Meal, Measurement, TrainingSession, WeighIn, WellbeingNote

_ROLL_UPS: dict[Table, Callable[[Scope, Days], Coroutine[Any, Any, Changes]]] = {
    Meal: meals.roll_up,
    FoodDay: meals.roll_up,
    Measurement: body_fat.roll_up,
    WellbeingNote: menstruation.roll_up,
    TrainingSession: sessions.roll_up,
}


async def refresh(scope: Scope, table: Table, days: Days, *, added: bool = False) -> Changes:
    """Bring the roll-ups of these athlete-days up to date after entries of one kind changed.

    Parameters
    ----------
    scope : Scope
        The practice, on the transaction of the write.
    table : table class
        The kind of entry that changed.
    days : set of (athlete id, date)
        Where; old and new dates of an entry that moved.
    added : bool
        Nothing but new entries: none that was there says or stands for something else now.

    Returns
    -------
    mapping
        What changed on the entries themselves, by entry id.
    """
    if not days:
        return {}
    if table is WeighIn:
        return await masses.roll_up(scope, days, added=added)
    return await _ROLL_UPS[table](scope, days)


async def facts_changed(scope: Scope, athlete_id: uuid.UUID, names: set[str]) -> None:
    """What follows from an athlete's changed fields: computed body fat, suspect weigh-ins, stale reviews."""
    for table, facts in ((Measurement, {"sex", "birth_date", "height_cm"}), (WeighIn, {"height_cm"})):
        if facts & names:
            row = table_of(table)
            logged = scope.select(row.c.date, of=[table]).where(row.c.athlete_id == athlete_id).distinct()
            await refresh(scope, table, {(athlete_id, day.date) for day in await scope.rows(logged)})
    await mark_all_stale(scope, athlete_id)
