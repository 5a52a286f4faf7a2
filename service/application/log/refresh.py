"""What a write changes beside its own row: suspect entries, computed body fat, the two roll-ups.

Everything here runs in the transaction of the write. The result depends only on the entries that are there, never on
the order in which they came: verdicts on weigh-ins are settled by one pass in date order. A weigh-in can change the
verdict on an earlier one; the reviews that looked at that day are then stale too.
"""

import uuid
from collections import defaultdict
from collections.abc import Mapping

from service.application.log import body_fat, masses, meals, menstruation, sessions
from service.application.log.changes import Change, Changes, EntryId, write_changes
from service.application.log.days import Days, put_days
from service.application.log.rolled_up import New, RolledUp, RollUp
from service.application.log.session_lifts import Trained
from service.application.log.stale import mark_all_stale, mark_stale
from service.store.scope import Scope, Table, table_of
from service.store.tables import FoodDay, Meal, Measurement, TrainingSession, WeighIn, WellbeingNote

ROLL_UPS: dict[Table, RollUp] = {
    WeighIn: RollUp(masses.Weighed, masses.read, masses.settle),
    Meal: RollUp(meals.Eaten, meals.read, meals.settle),
    FoodDay: RollUp(meals.Eaten, meals.read, meals.settle),
    Measurement: RollUp(body_fat.Measured, body_fat.read, body_fat.settle),
    WellbeingNote: RollUp(menstruation.Noted, menstruation.read, menstruation.settle),
    TrainingSession: RollUp(Trained, sessions.read, sessions.settle),
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
    roll_up = ROLL_UPS[table]
    new = New(added=added)
    rolled_up = roll_up.settle(await roll_up.read(scope, days, new), days, new)
    await put_roll_ups(scope, {table: rolled_up})
    return rolled_up.changes


async def put_roll_ups(scope: Scope, roll_ups: Mapping[Table, RolledUp]) -> None:
    """Write what entries of some kinds come to: what changes on them, their days, their lifts, stale reviews."""
    for table, rolled_up in roll_ups.items():
        by_kind: dict[type[Change], dict[EntryId, Change]] = defaultdict(dict)
        for entry, changes in rolled_up.changes.items():
            for change in changes:
                by_kind[type(change)][entry] = change
        for same in by_kind.values():
            await write_changes(scope, table, same)
    await put_days(scope, [rolled_up.days for rolled_up in roll_ups.values()])
    for rolled_up in roll_ups.values():
        if rolled_up.lifts is not None:
            await sessions.replace_lifts(scope, rolled_up.lifts)
        if rolled_up.stale:
            await mark_stale(scope, rolled_up.stale)


async def facts_changed(scope: Scope, athlete_id: uuid.UUID, names: set[str]) -> None:
    """What follows from an athlete's changed fields: computed body fat, suspect weigh-ins, stale reviews."""
    for table, facts in ((Measurement, {"sex", "birth_date", "height_cm"}), (WeighIn, {"height_cm"})):
        if facts & names:
            row = table_of(table)
            logged = scope.select(row.c.date, of=[table]).where(row.c.athlete_id == athlete_id).distinct()
            await refresh(scope, table, {(athlete_id, day.date) for day in await scope.rows(logged)})
    await mark_all_stale(scope, athlete_id)
