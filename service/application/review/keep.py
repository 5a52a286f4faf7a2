"""Reviews are kept: one a day, one a week, made anew where entries have come since; earlier open ones lapse."""

import uuid
from collections.abc import Collection, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple, cast

from sqlalchemy import bindparam

from service.application.review.make import Result
from service.store.scope import Scope, table_of
from service.store.tables import Review
from service.store.types import new_id


class KeptReview(NamedTuple):
    """What tells whether a stored review stays as it is."""

    id: uuid.UUID
    athlete_id: uuid.UUID
    as_of: date
    week: str
    state: str
    stale: bool
    revision: int


async def keep_reviews(
    scope: Scope,
    results: Sequence[Result],
    made_at: datetime,
    *,
    weekly: bool = True,
    overtaken: Collection[uuid.UUID] = (),
) -> int:
    """Store reviews; a day that has one keeps it, a week its weekly one. Open reviews of earlier days lapse.

    An open review of the day whose inputs have changed since is made anew, under its id: a coach's look by a coach's
    look or by the weekly review, whose place in the week it then takes.

    Parameters
    ----------
    scope : Scope
        The practice, on a transaction that holds the athletes.
    results : sequence of Result
        One each of some athletes.
    made_at : datetime
        When.
    weekly : bool
        Whether they are the weekly reviews of their ISO weeks, of which there is one; a coach's look at a day of the
        week does not stand in its way.
    overtaken : collection of UUID
        Athletes of whom something was stored that is not in their review: it is stale from the start.

    Returns
    -------
    int
        How many were new or made anew.
    """
    review = table_of(Review)
    athletes, days = {result.athlete_id for result in results}, {result.as_of for result in results}
    columns = (review.c[name] for name in KeptReview._fields)
    same_days = scope.select(*columns, of=[Review]).where(review.c.athlete_id.in_(athletes), review.c.as_of.in_(days))
    rows = cast(Sequence[KeptReview], await scope.rows(same_days))
    there = {(kept.athlete_id, kept.as_of): kept for kept in rows}
    new, newest = 0, []
    for result in results:
        row = {**vars(result), "id": new_id(), "state": "open", "made_at": made_at}
        row["stale"] = result.athlete_id in overtaken
        row["week"] = result.week if weekly else result.as_of.isoformat()
        same_day = there.get((result.athlete_id, result.as_of))
        if same_day is None:
            inserted = await scope.insert_new(Review, [row], key=("practice_id", "athlete_id", "week"))
            if not inserted:
                continue
            new += inserted
        elif same_day.state == "open" and same_day.stale:
            new += await _make_anew(scope, same_day, row)
        newest.append({"of_athlete": result.athlete_id, "before": result.as_of})
    if newest:
        earlier = (review.c.athlete_id == bindparam("of_athlete"), review.c.as_of < bindparam("before"))
        lapse = scope.update(Review).where(*earlier, review.c.state == "open")
        await scope.connection.execute(lapse.values(state="lapsed", revision=review.c.revision + 1), newest)
    return new


async def _make_anew(scope: Scope, old: KeptReview, row: dict[str, Any]) -> int:
    """Put a review in the place of an open one of the same day, unless its week has its weekly review already."""
    review = table_of(Review)
    of_week = scope.select(review.c.id, of=[Review]).where(
        review.c.athlete_id == row["athlete_id"], review.c.week == row["week"], review.c.id != old.id
    )
    weekly_again = old.week != old.as_of.isoformat()
    week = old.week if weekly_again or await scope.first(of_week) is not None else row["week"]
    values = {
        name: row[name] for name in ("action", "severity", "attention", "document", "score", "inputs_digest", "made_at")
    }
    values |= {"week": week, "stale": row["stale"], "revision": old.revision + 1}
    same = (review.c.id == old.id, review.c.revision == old.revision)
    return await scope.run(scope.update(Review).where(*same).values(**values))
