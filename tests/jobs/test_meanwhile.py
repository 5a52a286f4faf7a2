"""What is stored of an athlete while their review is being made is in it, or marks it stale; on both databases."""

import asyncio
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any

import pytest

from service.application.evidence import estimates
from service.application.evidence.athlete_evidence import one_a_week
from service.application.evidence.notes import read_notes
from service.application.review.keep import keep_reviews
from service.application.review.make import make_reviews
from service.jobs import check_in, clock, weekly_review
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, AthleteDay, CheckIn, PolicyVersion, Review
from service.store.types import now
from tests.jobs.conftest import Practice, athlete, log, phase, utc

MONDAY = utc(2026, 3, 16, 6)
SUNDAY = date(2026, 3, 15)


async def take_in(practice: Practice, *names: str) -> None:
    await practice.take_in(
        [
            line
            for name in names
            for line in (athlete(name), phase(name, date(2026, 3, 1)), *log(name, date(2026, 3, 1), 15))
        ]
    )


def late(name: str) -> list[dict[str, Any]]:
    """A weigh-in of the last day that counts, and a symptom."""
    return [
        {"type": "weigh_in", "athlete": name, "date": str(SUNDAY), "mass_kg": 63.1, "ref": "late"},
        {"type": "wellbeing", "athlete": name, "date": str(SUNDAY), "symptoms": ["dizziness"]},
    ]


async def fresh(practice: Practice, name: str) -> Any:
    """The review as it would be made now."""
    async with practice.database.reading() as connection:
        (made,) = await make_reviews(Scope(connection, practice.practice_id), [await practice.athlete(name)], SUNDAY)
    return made


async def look(practice: Practice, name: str, as_of: date, at: datetime) -> None:
    """A review that the coach asked for."""
    async with practice.database.writing() as connection:
        scope = Scope(connection, practice.practice_id)
        made = await make_reviews(scope, [await practice.athlete(name)], as_of)
        await keep_reviews(scope, made, at, weekly=False)


@pytest.mark.parametrize("whose", ["a", "b"])
async def test_what_is_stored_between_a_reviews_read_and_its_write_is_in_it(
    practice: Practice, monkeypatch: pytest.MonkeyPatch, whose: str
) -> None:
    await take_in(practice, "a", "b", "c")
    before = {name: await fresh(practice, name) for name in "abc"}
    whole, meanwhile = weekly_review.make_reviews_across, [late(whose)]

    async def make(groups: Any, as_of: date) -> Any:
        made = await whole(groups, as_of)
        if meanwhile:
            await practice.take_in(meanwhile.pop())
        return made

    monkeypatch.setattr(weekly_review, "make_reviews_across", make)
    assert (await practice.tick(MONDAY)).reviews.done == 3
    for name in "abc":
        (row,) = await practice.reviews(name)
        assert (row.inputs_digest == before[name].inputs_digest) == (name != whose)
        assert (row.document, row.stale) == ((await fresh(practice, name)).document, False)
    checked = {row.athlete_id: row for row in await practice.rows(CheckIn)}
    found = checked[(await practice.athlete(whose)).id]
    assert any("symptom" in reason["code"] for reason in found.attention["reasons"])


async def test_what_is_stored_while_a_review_is_being_written_marks_it(
    practice: Practice, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The writer comes when the review is there but not committed: it waits, and then finds the review to mark."""
    await take_in(practice, "a", "b")
    whole, waiting = weekly_review.keep_reviews, []

    async def keep(scope: Any, results: Any, at: Any, **more: Any) -> int:
        if not waiting:
            waiting.append(asyncio.create_task(practice.take_in(late("a"))))
            await asyncio.sleep(0.3)
            assert not waiting[0].done()
        kept = await whole(scope, results, at, **more)
        await asyncio.sleep(0.1)
        return kept

    monkeypatch.setattr(weekly_review, "keep_reviews", keep)
    assert (await practice.tick(MONDAY)).reviews.done == 2
    await waiting[0]
    assert [row.stale for name in "ab" for row in await practice.reviews(name)] == [True, False]


async def test_who_is_erased_meanwhile_stops_nobody(practice: Practice, monkeypatch: pytest.MonkeyPatch) -> None:
    await take_in(practice, "a", "b")
    whole, erase = weekly_review.make_reviews_across, [(await practice.athlete("b")).id]

    async def make(*arguments: Any) -> Any:
        made = await whole(*arguments)
        if erase:
            async with practice.database.writing() as connection:
                scope = Scope(connection, practice.practice_id)
                await scope.run(scope.delete(Athlete).where(table_of(Athlete).c.id == erase.pop()))
        return made

    monkeypatch.setattr(weekly_review, "make_reviews_across", make)
    result = await practice.tick(MONDAY)
    assert (result.reviews.failed, result.check_ins.done) == (0, 1)
    assert len(await practice.reviews("a")) == 1


async def test_a_change_that_no_review_looks_at_is_no_reason_to_do_it_again(
    practice: Practice, monkeypatch: pytest.MonkeyPatch
) -> None:
    await take_in(practice, "a")
    whole, rounds = weekly_review.make_reviews_across, []

    async def make(*arguments: Any) -> Any:
        rounds.append(1)
        return await whole(*arguments)

    monkeypatch.setattr(weekly_review, "make_reviews_across", make)
    await practice.tick(MONDAY)
    assert len(rounds) == 1


async def test_review_and_check_in_of_one_night_share_the_estimates(
    practice: Practice, monkeypatch: pytest.MonkeyPatch
) -> None:
    await take_in(practice, "a", "b")
    await practice.put("b", next_review_at=utc(2026, 12, 1))
    whole, loaded = check_in.evidence_across, []

    async def load(groups: Sequence[Any], days: list[date]) -> Any:
        loaded.append([athlete.external_id for _, athletes in groups for athlete in athletes])
        return await whole(groups, days)

    monkeypatch.setattr(check_in, "evidence_across", load)
    result = await practice.tick(MONDAY)
    assert (result.reviews.done, result.check_ins.done, loaded) == (1, 2, [["b"]])
    shared = {row.athlete_id: (row.date, row.severity, row.attention) for row in await practice.rows(CheckIn)}
    async with practice.database.writing() as connection:
        scope = Scope(connection, practice.practice_id)
        await scope.run(scope.delete(CheckIn))
    await practice.put(next_check_in_at=MONDAY)
    monkeypatch.setattr(clock, "WeeklyReview", _NothingDue)
    assert (await practice.tick(MONDAY)).check_ins.done == 2
    assert loaded[1:] == [["a", "b"]]
    alone = {row.athlete_id: (row.date, row.severity, row.attention) for row in await practice.rows(CheckIn)}
    assert alone == shared


async def test_a_check_that_would_say_the_same_is_not_made_again(
    practice: Practice, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it rests on is stored with it: inputs, policy, day; whichever process made it."""
    await take_in(practice, "a", "b")
    await practice.tick(MONDAY)
    loaded = []
    whole = check_in.evidence_across

    async def load(groups: Sequence[Any], days: list[date]) -> Any:
        loaded.append([athlete.external_id for _, athletes in groups for athlete in athletes])
        return await whole(groups, days)

    async def checked_again() -> list[list[str]]:
        loaded.clear()
        await practice.put(next_check_in_at=practice.caller.clock_at)
        assert (await practice.tick(practice.caller.clock_at)).check_ins.done == 2
        return [*loaded]

    monkeypatch.setattr(check_in, "evidence_across", load)
    assert await checked_again() == []
    await practice.take_in([{"type": "weigh_in", "athlete": "a", "date": str(SUNDAY), "mass_kg": 64.2, "ref": "late"}])
    assert await checked_again() == [["a"]]
    version = {"about": "practice", "version": 1, "changes": {"check_in_no_weigh_in_days": 4}}
    async with practice.database.writing() as connection:
        await Scope(connection, practice.practice_id).insert(PolicyVersion, [version])
    assert await checked_again() == [["a", "b"]]
    assert await checked_again() == []
    await practice.tick(MONDAY + timedelta(days=1))
    assert loaded == [["a", "b"]]  # of another day


async def test_a_write_waits_for_no_review_however_often_it_is_made_again(
    practice: Practice, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Something of the athlete is stored while each attempt is under way: it goes through while that is.

    After two lost races the review is kept as of before, marked stale, and made anew as soon as things have settled.
    """
    await take_in(practice, "a", "b")
    whole, made = weekly_review.make_reviews_across, []

    async def make(groups: Any, as_of: date) -> Any:
        found = await whole(groups, as_of)
        made.append([athlete.external_id for _, athletes in groups for athlete in athletes])
        if len(made) <= 3:
            line = {"type": "weigh_in", "athlete": "a", "date": str(SUNDAY), "ref": f"late-{len(made)}"}
            await asyncio.wait_for(practice.take_in([{**line, "mass_kg": 63.0 + len(made) / 10}]), 10)
        return found

    monkeypatch.setattr(weekly_review, "make_reviews_across", make)
    assert (await practice.tick(MONDAY)).reviews.done == 2
    assert made == [["a", "b"], ["a"], ["a"]]
    assert [row.stale for name in "ab" for row in await practice.reviews(name)] == [True, False]
    (check,) = await practice.rows(CheckIn, "a")
    assert check.inputs_revision == (await practice.athlete("a")).inputs_revision  # a check was due within seconds
    await practice.put("a", review_claimed_until=now() - timedelta(seconds=1))
    assert (await practice.tick(MONDAY)).reviews.done == 1
    (row,) = await practice.reviews("a")
    assert (row.stale, row.document) == (False, {**(await fresh(practice, "a")).document, **_changed(row)})


def _changed(row: Any) -> dict[str, Any]:
    """What a review that was made anew says beside: what moved since the one before."""
    return {name: row.document[name] for name in ("changed_since", "inputs_digest")}


class _NothingDue(weekly_review.WeeklyReview):
    def is_due(self, at: Any) -> Any:
        return weekly_review.ATHLETE.c.next_review_at.is_(None)


async def test_a_coachs_look_in_the_week_does_not_stand_in_for_the_weekly_review(practice: Practice) -> None:
    await take_in(practice, "a")
    async with practice.database.writing() as connection:
        scope = Scope(connection, practice.practice_id)
        looks = await make_reviews(scope, [await practice.athlete("a")], date(2026, 3, 10))
        for _ in range(2):  # the same day again adds nothing
            await keep_reviews(scope, looks, utc(2026, 3, 11, 9), weekly=False)
    await practice.tick(MONDAY)
    rows = await practice.reviews("a")
    assert [(row.as_of, row.state) for row in rows] == [(date(2026, 3, 10), "lapsed"), (SUNDAY, "open")]
    assert [row.document["week"] for row in rows] == ["2026-W11", "2026-W11"]
    await practice.put("a", next_review_at=MONDAY)
    await practice.tick(MONDAY)  # a weekly review made twice
    assert len(await practice.reviews("a")) == 2


async def test_looks_in_between_confirm_no_finding_twice(practice: Practice) -> None:
    """What takes two reviews in a row, takes two weeks: the history holds one review of each ISO week."""
    await take_in(practice, "a")
    for day in (8, 10, 12, 14):
        await look(practice, "a", date(2026, 3, day), utc(2026, 3, day + 1, 9))
    assert len(await practice.rows(Review)) == 4
    async with practice.database.reading() as connection:
        row = await practice.athlete("a")
        notes = await read_notes(Scope(connection, practice.practice_id), [row.id], SUNDAY, SUNDAY)
    assert [one.as_of.day for one in notes.reviews[row.id]] == [14, 12, 10, 8]
    assert [one.as_of.day for one in one_a_week(notes.reviews[row.id], SUNDAY)] == [8]  # the 9th is a Monday


async def test_a_review_that_the_coach_made_of_the_weekly_day_is_the_weekly_one(practice: Practice) -> None:
    await take_in(practice, "a")
    await look(practice, "a", SUNDAY, utc(2026, 3, 16, 3))
    assert (await practice.tick(MONDAY)).reviews.done == 1
    (row,) = await practice.reviews("a")
    assert (row.as_of, row.state) == (SUNDAY, "open")


async def test_an_old_entry_makes_nobody_elses_arrays_long(practice: Practice, monkeypatch: pytest.MonkeyPatch) -> None:
    await take_in(practice, "a", "b", "c")
    before = {name: (await fresh(practice, name)).document for name in "ac"}
    old = {"type": "weigh_in", "athlete": "b", "date": "2018-05-01", "mass_kg": 66.0, "ref": "old"}
    await practice.take_in([old])
    sizes: list[tuple[int, int]] = []
    whole = estimates.estimate

    def estimate(who: Any, logged: Any, **more: Any) -> Any:
        sizes.append(logged.mass_kg.shape)
        return whole(who, logged, **more)

    monkeypatch.setattr(estimates, "estimate", estimate)
    await practice.tick(MONDAY)
    assert sorted(sizes) == [(1, (SUNDAY - date(2018, 5, 1)).days + 1), (2, 15)]
    for name, document in before.items():
        (row,) = await practice.reviews(name)
        assert row.document == document


async def test_a_day_without_entries_left_is_no_day_of_the_log(practice: Practice) -> None:
    await take_in(practice, "a")
    moved = {"type": "weigh_in", "athlete": "a", "ref": "moved", "mass_kg": 64.0}
    await practice.take_in([{**moved, "date": "2025-03-01"}])
    assert min(row.date for row in await practice.rows(AthleteDay)) == date(2025, 3, 1)
    await practice.take_in([{**moved, "date": str(SUNDAY)}])
    assert min(row.date for row in await practice.rows(AthleteDay)) == date(2026, 3, 1)


async def test_a_stale_look_at_the_weekly_day_gives_way_to_the_weekly_review(practice: Practice) -> None:
    """A coach's look at the day itself in the morning, entries during the day, and the tick after it."""
    await take_in(practice, "a")
    await look(practice, "a", SUNDAY, utc(2026, 3, 15, 7))
    (before,) = await practice.reviews("a")
    await practice.take_in(late("a"))
    assert (await practice.reviews("a"))[0].stale
    assert (await practice.tick(MONDAY)).reviews.done == 1
    (row,) = await practice.reviews("a")
    assert (row.id, row.week, row.state, row.stale) == (before.id, "2026-W11", "open", False)
    assert row.inputs_digest != before.inputs_digest and row.made_at == MONDAY
    assert row.document["changed_since"]["as_of"] == str(SUNDAY)
    assert "average_mass_kg" in row.document["changed_since"]["quantities"]


async def test_the_next_weekly_review_says_what_changed_since_a_stale_one_that_nobody_made_again(
    practice: Practice,
) -> None:
    await take_in(practice, "a")
    await practice.tick(MONDAY)
    await practice.take_in(late("a"))
    await practice.tick(utc(2026, 3, 23, 6))
    first, second = await practice.reviews("a")
    assert (first.state, first.stale) == ("lapsed", True)
    assert second.document["changed_since"]["as_of"] == str(SUNDAY)
