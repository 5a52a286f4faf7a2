"""The nightly check-in: what it finds, from which day on, and that it is seen in the attention list by morning.

Thresholds are the default policy's: no weigh-in for 3 days, no food log for 2, a session short of the habit, a
measurement older than four weeks, a phase within 7 days of its end; all common practice, no source. Chest pain and
fainting are on the referral list.
"""

from datetime import date, timedelta
from typing import Any

import pytest

from service.application.attention.attention_list import Reason
from service.store.tables import CheckIn
from tests.jobs.conftest import Practice, athlete, log, phase, utc

FIRST = date(2026, 2, 2)
LAST = date(2026, 3, 15)  # 42 days of log


def lines(name: str, *, weigh_ins_until: date = LAST, food_until: date = LAST) -> list[dict[str, Any]]:
    everything = log(name, FIRST, 42)
    until = {"weigh_in": weigh_ins_until, "meal": food_until}
    kept = [line for line in everything if date.fromisoformat(line["date"]) <= until[line["type"]]]
    return [athlete(name), phase(name, FIRST, planned_end_on="2026-06-30"), *kept, measured(name, LAST)]


async def found(practice: Practice, name: str) -> dict[str, Reason]:
    """The check-in's reasons in the attention list, by code."""
    item = (await practice.attention()).get(name)
    return {r.code: r for r in (item.reasons if item else ()) if r.source == "check_in"}


def without(kind: str, name: str, *, before: date | None = None) -> list[dict[str, Any]]:
    """The athlete's lines without those of a type (dated before a day)."""
    return [x for x in lines(name) if x["type"] != kind or (before is not None and x["date"] >= str(before))]


def sessions(name: str, last_week: int) -> list[dict[str, Any]]:
    """Three sessions a week for five weeks, then so many in the sixth."""
    days = [FIRST + timedelta(weeks=week, days=day) for week in range(5) for day in (0, 2, 4)]
    days += [FIRST + timedelta(weeks=5, days=day) for day in (0, 2, 4)[:last_week]]
    sets = [{"exercise": "barbell-row", "load_kg": 50, "reps": 8, "rir": 2}]
    return [{"type": "training_session", "athlete": name, "date": str(day), "sets": sets} for day in days]


def measured(name: str, on: date) -> dict[str, Any]:
    return {"type": "measurement", "athlete": name, "date": str(on), "body_fat_pct": 25.0, "method": "skinfold"}


def ago(days: int) -> date:
    return LAST - timedelta(days=days)


def few_weigh_ins(name: str, food_until: date) -> list[dict[str, Any]]:
    """Weigh-ins of two weeks only, so that maintenance is not well known and food days are needed."""
    kept = without("weigh_in", name, before=ago(13))
    return [x for x in kept if x["type"] != "meal" or x["date"] <= str(food_until)]


CASES: dict[str, tuple[list[dict[str, Any]], set[str]]] = {
    "weighed-2-days-ago": (lines("weighed-2-days-ago", weigh_ins_until=ago(2)), set()),
    "weighed-3-days-ago": (lines("weighed-3-days-ago", weigh_ins_until=ago(3)), {"check_in.no_weigh_in"}),
    "weighed-6-days-ago": (lines("weighed-6-days-ago", weigh_ins_until=ago(6)), {"check_in.no_weigh_in"}),
    "ate-1-day-ago": (few_weigh_ins("ate-1-day-ago", ago(1)), set()),
    "ate-2-days-ago": (few_weigh_ins("ate-2-days-ago", ago(2)), {"check_in.no_food"}),
    "ate-8-days-ago": (few_weigh_ins("ate-8-days-ago", ago(8)), {"check_in.no_food"}),
    "trained-3-of-3": ([*lines("trained-3-of-3"), *sessions("trained-3-of-3", 3)], set()),
    "trained-2-of-3": ([*lines("trained-2-of-3"), *sessions("trained-2-of-3", 2)], {"check_in.missed_sessions"}),
    "trained-0-of-3": ([*lines("trained-0-of-3"), *sessions("trained-0-of-3", 0)], {"check_in.missed_sessions"}),
    "measured-28-days-ago": (
        [*without("measurement", "measured-28-days-ago"), measured("measured-28-days-ago", ago(28))],
        set(),
    ),
    "measured-29-days-ago": (
        [*without("measurement", "measured-29-days-ago"), measured("measured-29-days-ago", ago(29))],
        {"check_in.old_measurement"},  # beside what the review asks
    ),
    "ends-in-8-days": (
        [*without("phase", "ends-in-8-days"), phase("ends-in-8-days", FIRST, planned_end_on=str(ago(-8)))],
        set(),
    ),
    "ends-in-7-days": (
        [*without("phase", "ends-in-7-days"), phase("ends-in-7-days", FIRST, planned_end_on=str(ago(-7)))],
        {"check_in.phase_ending"},
    ),
}


async def test_what_the_night_finds_and_from_which_day_on(practice: Practice) -> None:
    await practice.take_in(line for case, _ in CASES.values() for line in case)
    await practice.tick(utc(2026, 3, 16, 4))
    assert {name: set(await found(practice, name)) for name in CASES} == {
        name: codes for name, (_, codes) in CASES.items()
    }
    items = await practice.attention()
    six_days = items["weighed-6-days-ago"]
    assert six_days.days_overdue == 6 - 3
    assert (six_days.action, six_days.next) == ("switch_phase", "Decide on the next phase.")  # the night's review asks
    assert "6 days" in (await found(practice, "weighed-6-days-ago"))["check_in.no_weigh_in"].statement
    for name, missed in (("trained-2-of-3", 1), ("trained-0-of-3", 3)):
        statement = (await found(practice, name))["check_in.missed_sessions"].statement
        assert statement.startswith(f"{missed} fewer session")
    severities = {r.code: r.severity for name in CASES for r in (await found(practice, name)).values()}
    assert severities.pop("check_in.old_measurement") == "info"
    assert set(severities.values()) == {"advice"}


@pytest.mark.parametrize(
    ("symptom", "expected"), [("chest_pain", "stop"), ("fainting", "stop"), ("dizziness", "warning")]
)
async def test_a_red_flag_leads_the_list_at_once(practice: Practice, symptom: str, expected: str) -> None:
    others = [line for name in ("b", "c") for line in lines(name, weigh_ins_until=LAST - timedelta(days=20))]
    await practice.take_in([*others, *lines("a")])
    await practice.tick(utc(2026, 3, 15, 4))
    assert (await practice.attention())["a"].severity not in ("warning", "stop")
    await practice.come_to(utc(2026, 3, 15, 22, 30))
    note = {"type": "wellbeing", "athlete": "a", "at": "2026-03-15T22:30:00Z", "symptoms": [symptom]}
    await practice.take_in([note])
    await practice.tick(utc(2026, 3, 15, 22, 31))
    item = next(iter((await practice.attention()).values()))
    assert (item.external_id, item.severity) == ("a", expected)
    assert any(symptom.replace("_", " ") in reason.statement.lower() for reason in item.reasons)
    assert item.next


async def test_a_finding_is_gone_as_soon_as_it_was_put_right(practice: Practice) -> None:
    await practice.take_in(lines("a", weigh_ins_until=LAST - timedelta(days=4)))
    await practice.tick(utc(2026, 3, 16, 4))
    assert "check_in.no_weigh_in" in await found(practice, "a")
    await practice.take_in(log("a", date(2026, 3, 16), 1))
    await practice.tick(utc(2026, 3, 16, 4, 1))
    assert "check_in.no_weigh_in" not in await found(practice, "a")
    assert len(await practice.rows(CheckIn)) == 1


async def test_each_athlete_is_checked_once_a_night_in_their_own_zone(practice: Practice) -> None:
    zones = {"a": "Asia/Tokyo", "b": "UTC", "c": "America/Los_Angeles"}  # four o'clock is 19, 4 and 12 (11) UTC
    await practice.take_in([athlete(name, time_zone=zone) for name, zone in zones.items()])
    await practice.tick(utc(2026, 3, 1))
    done = []
    for hour in range(48):
        at = utc(2026, 3, 2) + timedelta(hours=hour)
        done += [at.hour] * (await practice.tick(at)).check_ins.done
    # At 0 the night of 1 March is made up for, which no tick has seen.
    assert done == [0, 0, 0, 4, 12, 19, 4, 12, 19]
    dates = {row.date for row in await practice.rows(CheckIn)}
    assert dates == {date(2026, 3, 3), date(2026, 3, 2)}
