"""When reviews fall due: the athlete's weekday in the athlete's zone, once a week, whatever clocks and outages do.

What is local is worked out here with the standard library's zones (IANA time zone database), apart from the service's
own arithmetic. Dates of the clock changes of 2026, from that database: Berlin 29 March and 25 October, New York 8 March
and 1 November, Lord Howe Island (by half an hour) 5 April and 4 October.
"""

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from service.jobs.clock import tick
from service.jobs.times import Time
from service.jobs.weekly_review import WeeklyReview
from tests.jobs.conftest import Practice, athlete, log, phase, utc

HOUR = timedelta(hours=1)
CHANGES = {
    "Europe/Berlin": (date(2026, 3, 29), date(2026, 10, 25)),
    "America/New_York": (date(2026, 3, 8), date(2026, 11, 1)),
    "Australia/Lord_Howe": (date(2026, 4, 5), date(2026, 10, 4)),
}


def hours(first: datetime, last: datetime) -> Iterator[datetime]:
    while first <= last:
        yield first
        first += HOUR


def week_of(day: date) -> str:
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02d}"


async def test_a_review_is_made_on_the_athletes_weekday_at_night_where_they_live(practice: Practice) -> None:
    zones = ["Pacific/Kiritimati", "Asia/Kolkata", "America/Los_Angeles"]
    lines = [athlete(zone, time_zone=zone, review_weekday="thursday") for zone in zones]
    await practice.take_in([*lines, *(phase(zone, date(2026, 2, 1)) for zone in zones)])
    for at in hours(utc(2026, 2, 17), utc(2026, 2, 27)):
        await WeeklyReview().run(practice.database, Time(at))
    for zone in zones:
        rows = await practice.reviews(zone)
        # The first tick of all finds the review of the Thursday before undone.
        assert [row.as_of for row in rows] == [date(2026, 2, 11), date(2026, 2, 18), date(2026, 2, 25)]
        for row in rows[1:]:
            local = row.made_at.astimezone(ZoneInfo(zone))
            assert (local.strftime("%A"), local.hour) == ("Thursday", 4)


async def test_exactly_one_review_in_the_weeks_of_both_clock_changes(practice: Practice) -> None:
    names = {(zone, weekday): f"{zone}/{weekday}" for zone in CHANGES for weekday in ("saturday", "sunday", "monday")}
    lines = [athlete(name, time_zone=zone, review_weekday=day) for (zone, day), name in names.items()]
    await practice.take_in([*lines, *(phase(name, date(2026, 1, 5)) for name in names.values())])
    instants: set[datetime] = set()
    for change in {change for changes in CHANGES.values() for change in changes}:
        middle = datetime.combine(change, datetime.min.time(), UTC)
        instants |= {middle + timedelta(days=day) for day in range(-9, 10)}
        instants |= set(hours(middle - timedelta(hours=36), middle + timedelta(hours=36)))
    for at in sorted(instants):
        await WeeklyReview().run(practice.database, Time(at))
    for (zone, weekday), name in names.items():
        rows = await practice.reviews(name)
        weeks = [row.week for row in rows]
        assert len(set(weeks)) == len(weeks), name
        assert all((row.as_of + timedelta(days=1)).strftime("%A").lower() == weekday for row in rows)
        for change in CHANGES[zone]:
            assert {week_of(change + timedelta(days=days)) for days in (-7, 0, 7)} <= set(weeks), name
            near = [row.made_at.astimezone(ZoneInfo(zone)) for row in rows if abs((row.as_of - change).days) <= 2]
            assert [local.hour for local in near] == [4], (name, near)


async def test_the_weeks_at_the_years_end_have_a_review_each(practice: Practice) -> None:
    await practice.take_in([athlete("a", review_weekday="friday"), phase("a", date(2026, 12, 1))])
    for day in range(40):
        await practice.tick(utc(2026, 12, 8, 6) + timedelta(days=day))
    # 2026 has 53 ISO weeks: 2027-01-03 is the Sunday of 2026-W53 (ISO 8601).
    weeks = [row.week for row in await practice.reviews("a")]
    assert weeks == ["2026-W50", "2026-W51", "2026-W52", "2026-W53", "2027-W01", "2027-W02"]


async def test_three_weeks_without_a_clock_are_caught_up_week_by_week(practice: Practice) -> None:
    await practice.take_in([athlete("a"), *log("a", date(2026, 3, 2), 42)])
    await practice.tick(utc(2026, 3, 16, 6))
    await practice.tick(utc(2026, 4, 7, 12))
    rows = await practice.reviews("a")
    assert [row.as_of for row in rows] == [date(2026, 3, day) for day in (15, 22, 29)] + [date(2026, 4, 5)]
    assert [row.state for row in rows] == ["lapsed", "lapsed", "lapsed", "open"]
    assert all(row.made_at == utc(2026, 4, 7, 12) for row in rows[1:])
    # Caught-up reviews know only what was dated before them: the same as if the clock had run.
    missed = rows[2].document["estimates"]["average_mass_kg"]
    assert missed["sd"] > rows[3].document["estimates"]["average_mass_kg"]["sd"] * 0.5


async def test_weeks_missed_long_ago_are_left_out(practice: Practice) -> None:
    await practice.take_in([athlete("a"), *log("a", date(2026, 3, 2), 14)])
    await practice.tick(utc(2026, 3, 16, 6))
    await practice.tick(utc(2026, 9, 1))
    rows = await practice.reviews("a")
    assert [row.as_of for row in rows[1:]] == [date(2026, 8, day) for day in (2, 9, 16, 23, 30)]


async def test_the_first_review_looks_at_a_week_of_log_at_least(practice: Practice) -> None:
    firsts = [date(2026, 3, day) for day in range(2, 9)]
    lines = [athlete(str(first), review_weekday="tuesday") for first in firsts]
    await practice.take_in([*lines, *(line for first in firsts for line in log(str(first), first, 14))])
    for day in range(22):
        await practice.tick(utc(2026, 3, 2, 5) + timedelta(days=day))
    for first in firsts:
        earliest = (await practice.reviews(str(first)))[0]
        assert 7 <= (earliest.as_of - first).days + 1 <= 13
        assert earliest.made_at.date() == earliest.as_of + timedelta(days=1)


async def test_an_athlete_without_any_log_is_not_reviewed(practice: Practice) -> None:
    await practice.take_in([athlete("a"), athlete("b"), phase("b", date(2026, 6, 1))])
    for week in range(5):
        await practice.tick(utc(2026, 3, 2, 6) + timedelta(weeks=week))
    assert await practice.reviews("a") == await practice.reviews("b") == []
    assert (await practice.athlete("a")).next_review_at is None


async def test_a_long_log_taken_over_gets_its_first_review_at_once_and_only_that(practice: Practice) -> None:
    await practice.take_in([athlete("a"), *log("a", date(2025, 9, 1), 180)])
    await practice.tick(utc(2026, 3, 4, 6))
    assert [row.as_of for row in await practice.reviews("a")] == [date(2026, 3, 1)]


async def test_a_tick_without_anything_due_changes_nothing(practice: Practice) -> None:
    await practice.take_in([athlete("a"), *log("a", date(2026, 3, 2), 14)])
    await practice.tick(utc(2026, 3, 16, 6))
    before = [tuple(row) for row in await practice.reviews("a")]
    result = await practice.tick(utc(2026, 3, 16, 6))
    assert (result.lapsed, result.reviews.done, result.check_ins.done) == (0, 0, 0)
    assert [tuple(row) for row in await practice.reviews("a")] == before


async def test_the_instant_of_a_tick_needs_an_offset(practice: Practice) -> None:
    with pytest.raises(ValueError, match="offset"):
        await tick(practice.database, datetime(2026, 3, 16, 6))  # noqa: DTZ001 - the very mistake
