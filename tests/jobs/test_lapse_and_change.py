"""Recommendations lapse when nobody answers; a change of zone or weekday moves what falls due next."""

from datetime import date, timedelta
from typing import Any

import pytest

from service.api.athletes import update_athlete
from service.jobs import weekly_review
from service.store.scope import Scope
from service.store.tables import Review
from service.store.types import now
from tests.jobs.conftest import Practice, athlete, phase, utc


async def change(practice: Practice, name: str, **values: Any) -> None:
    """What PATCH /athletes/{id} does."""
    async with practice.database.writing() as connection:
        await update_athlete(Scope(connection, practice.practice_id), await practice.athlete(name), values)


async def test_a_review_lapses_seven_days_after_it_was_made(practice: Practice) -> None:
    await practice.take_in([athlete("a"), phase("a", date(2026, 3, 1))])
    made = utc(2026, 3, 16, 6)
    await practice.tick(made)
    await practice.put("a", next_review_at=utc(2026, 12, 1))  # no next review that would make it lapse
    assert (await practice.tick(made + timedelta(days=7))).lapsed == 0
    assert (await practice.tick(made + timedelta(days=7, minutes=1))).lapsed == 1
    (row,) = await practice.reviews("a")
    assert (row.state, row.revision) == ("lapsed", 2)


async def test_a_review_lapses_when_the_next_one_is_made(practice: Practice) -> None:
    await practice.take_in([athlete("a"), athlete("b"), phase("a", date(2026, 3, 1)), phase("b", date(2026, 3, 1))])
    await practice.tick(utc(2026, 3, 16, 6))
    await practice.put("b", next_review_at=utc(2026, 12, 1))
    await practice.tick(utc(2026, 3, 23, 5))  # within seven days of the first
    assert [row.state for row in await practice.reviews("a")] == ["lapsed", "open"]
    assert [row.state for row in await practice.reviews("b")] == ["open"]


async def test_an_answered_review_does_not_lapse(practice: Practice) -> None:
    await practice.take_in([athlete("a"), phase("a", date(2026, 3, 1))])
    await practice.tick(utc(2026, 3, 16, 6))
    async with practice.database.writing() as connection:
        scope = Scope(connection, practice.practice_id)
        await scope.run(scope.update(Review).values(state="declined"))
    await practice.tick(utc(2026, 3, 23, 6))
    await practice.tick(utc(2026, 4, 20, 6))
    assert (await practice.reviews("a"))[0].state == "declined"


@pytest.mark.parametrize(
    ("changed", "hour"),
    [({"review_weekday": "friday"}, 4), ({"review_weekday": "friday", "time_zone": "Asia/Tokyo"}, 19)],
)
async def test_a_change_of_weekday_or_zone_moves_the_next_review_and_check_in(
    practice: Practice, changed: dict[str, str], hour: int
) -> None:
    await practice.take_in([athlete("a"), phase("a", date(2026, 1, 1))])
    start = now().replace(hour=12, minute=0, second=0, microsecond=0)
    await practice.tick(start)
    await change(practice, "a", **changed)
    row = await practice.athlete("a")
    local_friday = row.next_review_at + (timedelta(hours=9) if hour == 19 else timedelta(0))
    assert (local_friday.strftime("%A"), row.next_review_at.hour) == ("Friday", hour)
    assert timedelta(0) < row.next_review_at - now() <= timedelta(days=7)
    for day in range(22):
        await practice.tick(start + timedelta(days=day))
    reviews = await practice.reviews("a")
    assert len({row.week for row in reviews}) == len(reviews)
    assert all((row.as_of + timedelta(days=1)).strftime("%A") == "Friday" for row in reviews[1:])
    assert 3 <= len(reviews[1:]) <= 4


async def test_the_same_weekday_said_again_moves_nothing(practice: Practice) -> None:
    await practice.take_in([athlete("a"), phase("a", date(2026, 1, 1))])
    await practice.tick(now())
    before = (await practice.athlete("a")).next_review_at
    await change(practice, "a", review_weekday="monday", time_zone="UTC", height_cm=169.0)
    assert (await practice.athlete("a")).next_review_at == before


async def test_a_change_while_the_review_is_being_made_is_not_overwritten(
    practice: Practice, monkeypatch: pytest.MonkeyPatch
) -> None:
    await practice.take_in([athlete("a"), phase("a", date(2026, 3, 1))])
    whole = weekly_review.make_reviews_across
    meanwhile = [{"review_weekday": "thursday"}]

    async def make(*arguments: Any) -> Any:
        made = await whole(*arguments)
        if meanwhile:
            await change(practice, "a", **meanwhile.pop())
        return made

    monkeypatch.setattr(weekly_review, "make_reviews_across", make)
    await practice.tick(utc(2026, 3, 16, 6))  # a Monday
    assert (await practice.athlete("a")).next_review_at == utc(2026, 3, 19, 4)
