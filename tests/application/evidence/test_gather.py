"""Evidence on several days from one pass is, to the bit, what a read of each day alone gives."""

import asyncio
from collections import Counter
from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import pytest

from service.application.evidence import estimates
from service.application.evidence.gather import RosterEvidence, evidence_for
from service.application.review.keep import keep_reviews
from service.application.review.make import make_reviews
from service.auth import Principal
from service.demo.roster import demo_roster
from service.domain.evidence import Evidence
from service.store.engine import Database
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, Decision, Review, WellbeingNote
from service.store.types import new_id, now
from tests.application.review.test_review import kept

LAST = date(2026, 3, 15)
ATHLETES, LOGGED_DAYS = 6, 120


def days_before(count: int) -> date:
    return LAST - timedelta(days=count)


BEFORE_ANY_LOG = days_before(900)
DAYS = [LAST, *map(days_before, (1, 27, 28, 29, 40, 111, 112, 113)), BEFORE_ANY_LOG]


def notes_of(name: str) -> list[dict[str, Any]]:
    """Entries on and beside the first day of every window that evidence looks back over."""
    lines: list[dict[str, Any]] = []
    for days in (0, 1, 27, 28, 29, 55, 69, 70, 71, 111, 112, 113, 140, 224, 225, 226):
        entry = {"athlete": name, "date": str(days_before(days))}
        lifted = {"exercise": "hammer-curl", "load_kg": 14, "reps": 8, "rir": 2, "pain": days % 7}
        sets = [lifted, {**lifted, "pain": 1}, {**lifted, "exercise": "leg-curl", "kind": "warm_up", "pain": 3}]
        lines += [
            {"type": "weigh_in", **entry, "mass_kg": 181.0},  # pounds for kilograms
            {"type": "training_session", **entry, "sets": sets, "deload": days in (29, 113, 225)},
            {"type": "wellbeing", **entry, "sleep_h": 5 + days % 4, "pain": [{"exercise": "bench-press", "level": 2}]},
        ]
    return lines


async def noted_long_ago(database: Database, caller: Principal, name: str) -> None:
    """Symptoms about as long ago as they are remembered, which is longer than an entry may be late."""
    async with database.writing() as connection:
        scope = Scope(connection, caller.practice_id)
        athlete = await scope.one(Athlete, scope.select(Athlete).where(table_of(Athlete).c.external_id == name))
        assert athlete is not None
        content = {"symptoms": ["dizziness"], "months_without_menstruation": 1}
        entry = {"athlete_id": athlete.id, "content": content}
        days = map(days_before, (10, 200, 3659, 3660, 3661, 3699, 3700))
        await scope.insert(WellbeingNote, [{**entry, "id": new_id(), "date": day} for day in days])


async def reviewed(database: Database, caller: Principal) -> None:
    """Reviews of some weeks, of which two recommended a deload: one that was accepted, one that was declined."""
    for week in (13, 12, 9, 6, 2, 1, 0):
        as_of = days_before(7 * week)
        async with database.writing() as connection:
            scope = Scope(connection, caller.practice_id)
            athletes = await scope.all(Athlete, scope.select(Athlete).order_by(table_of(Athlete).c.id))
            await keep_reviews(scope, await make_reviews(scope, athletes, as_of), now())
            for state, of in (("accepted", 12), ("declined", 2)):
                if of == week:
                    await _decide(scope, as_of, state)


async def _decide(scope: Scope, as_of: date, state: str) -> None:
    review = table_of(Review)
    of_day = scope.update(Review).where(review.c.as_of == as_of)
    await scope.run(of_day.values(action="deload", state=state))
    on = str(as_of + timedelta(days=3))
    rows = await scope.all(Review, scope.select(Review).where(review.c.as_of == as_of))
    decision = {"decision": state, "effect": {"effective_on": on}}
    await scope.insert(
        Decision, [{"id": new_id(), "athlete_id": row.athlete_id, "review_id": row.id, **decision} for row in rows]
    )


async def look(database: Database, caller: Principal, days: Sequence[date], **options: Any) -> list[RosterEvidence]:
    async with database.reading() as connection:
        scope = Scope(connection, caller.practice_id)
        athletes = await scope.all(Athlete, scope.select(Athlete).order_by(table_of(Athlete).c.id))
        return await evidence_for(scope, athletes, days, **options)


def by_name(batches: Sequence[RosterEvidence], day: date) -> dict[str, tuple[Evidence, Any]]:
    return {
        athlete.external_id: (batch.evidence[athlete.id, day], batch.notes[athlete.id, day])
        for batch in batches
        for athlete in batch.roster.athletes
    }


@pytest.mark.parametrize("main_lifts_only", [True, False])
async def test_each_day_of_one_pass_is_what_a_read_of_that_day_alone_gives(
    database_url: str, main_lifts_only: bool
) -> None:
    lines = [*demo_roster(ATHLETES, LOGGED_DAYS, LAST, seed=5)]
    names = [line["external_id"] for line in lines if line["type"] == "athlete"]
    name = next(line["external_id"] for line in lines if line["type"] == "athlete" and line["sex"] == "female")
    lines += notes_of(name)
    async with kept(database_url, lines) as (database, caller):
        await noted_long_ago(database, caller, name)
        await reviewed(database, caller)
        together = await look(database, caller, DAYS, main_lifts_only=main_lifts_only)
        seen: Counter[str] = Counter()
        for day in DAYS:
            alone = by_name(await look(database, caller, [day], main_lifts_only=main_lifts_only), day)
            of_all = by_name(together, day)
            assert alone.keys() == of_all.keys() == set(names)
            for who, (evidence, notes) in of_all.items():
                assert repr(evidence) == repr(alone[who][0]), (who, day)
                assert notes == alone[who][1], (who, day)
            evidence, notes = of_all[name]
            seen.update(deloads=len(notes.deloads), reviews=len(notes.reviews), suspects=len(notes.suspect_entries))
            seen.update(pains=len(notes.pains), lifts=len(evidence.lifts), symptoms=len(evidence.wellbeing.symptoms))
        assert min(seen.values()) > 0, seen  # each window held something
        last = by_name(together, LAST)[name][1]
        assert {LAST - note.date for note in last.wellbeing} >= {timedelta(days=days) for days in (0, 226, 3659, 3660)}
        assert max(LAST - note.date for note in last.wellbeing) == timedelta(days=3660)
        assert max(LAST - session.date for session in last.sessions) == timedelta(days=112)
        assert max(LAST - entry.date for entry in last.suspect_entries) == timedelta(days=27)
        assert {LAST - pain.on for pain in last.pains if pain.exercise == "hammer-curl"} >= {timedelta(days=226)}


async def test_however_many_days_are_asked_for_each_athlete_is_filtered_once(
    database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole, sizes = estimates.estimate, []

    def estimate(who: Any, log: Any, **more: Any) -> Any:
        with pytest.raises(RuntimeError, match="no running event loop"):
            asyncio.get_running_loop()
        sizes.append(log.mass_kg.shape[0])
        return whole(who, log, **more)

    async with kept(database_url, [*demo_roster(3, 30, LAST, seed=5)]) as (database, caller):
        monkeypatch.setattr(estimates, "estimate", estimate)
        await look(database, caller, DAYS)
    assert sizes == [3]
