"""Fasts, windows and protein spread: over midnight, daylight saving and travel; a gap is no fast and a fast no gap."""

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.nutrition.eating import LoggedMeal, eating_days, protein_spread_pct, window_kept, window_length_h
from service.domain.records import FoodState

LISBON, BERLIN, TOKYO, NEW_YORK = map(ZoneInfo, ("Europe/Lisbon", "Europe/Berlin", "Asia/Tokyo", "America/New_York"))
D = date(2026, 3, 2)


def meals(day: date, *clock: str, zone: ZoneInfo = LISBON) -> list[LoggedMeal]:
    """Meals at local times of a day; "+" before a time: after midnight, and so on the next date."""
    return [_at(day + timedelta(days=text.startswith("+")), text.lstrip("+"), zone) for text in clock]


def _at(day: date, clock: str, zone: ZoneInfo) -> LoggedMeal:
    at = datetime.combine(day, time.fromisoformat(clock), zone)
    return LoggedMeal(day, at.astimezone(UTC), 700.0, 40.0)


def states(first: date, *named: FoodState) -> dict[date, FoodState]:
    return {first + timedelta(days=offset): state for offset, state in enumerate(named)}


C, F, P, N, U = FoodState.COMPLETE, FoodState.FAST, FoodState.PARTIAL, FoodState.NOT_LOGGED, FoodState.UNKNOWN
NEXT = D + timedelta(days=1)


def test_the_fast_runs_from_the_last_meal_to_the_first_of_the_next_day() -> None:
    logged = meals(D, "12:00", "20:00") + meals(NEXT, "13:30", "19:00")
    first, second = eating_days(logged, states(D, C, C), D, NEXT)
    assert second.fast_h == pytest.approx(17.5) and second.window_h == pytest.approx(5.5)
    assert first.fast_h is None and first.window_h == pytest.approx(8.0)  # what was before is not known


def test_a_bite_after_midnight_belongs_to_the_evening_before() -> None:
    logged = meals(D, "13:00", "21:00", "+00:30") + meals(NEXT, "14:00", "20:00")
    first, second = eating_days(logged, states(D, C, C), D, NEXT)
    assert first.window_h == pytest.approx(11.5)
    assert second.fast_h == pytest.approx(13.5) and second.window_h == pytest.approx(6.0)


@pytest.mark.parametrize(
    ("before", "hours"),
    [(date(2026, 3, 28), 15.0), (date(2026, 10, 24), 17.0), (date(2026, 3, 2), 16.0)],
    ids=["clocks go forward on 29 March 2026", "clocks go back on 25 October 2026", "an ordinary night"],
)  # EU directive 2000/84/EC: last Sundays of March and October
def test_a_night_of_daylight_saving_is_an_hour_shorter_or_longer(before: date, hours: float) -> None:
    after = before + timedelta(days=1)
    logged = meals(before, "12:00", "20:00", zone=BERLIN) + meals(after, "12:00", "20:00", zone=BERLIN)
    day = eating_days(logged, states(before, C, C), before, after)[1]
    assert day.fast_h == pytest.approx(hours) and day.window_h == pytest.approx(8.0)


def test_travel_changes_the_clock_and_not_the_fast() -> None:
    east = meals(D, "12:00", "20:00", zone=BERLIN) + meals(NEXT, "20:00", zone=TOKYO)  # Berlin + 8 h in winter
    assert eating_days(east, states(D, C, C), D, NEXT)[1].fast_h == pytest.approx(16.0)
    west = meals(D, "12:00", "20:00", zone=BERLIN) + meals(NEXT, "06:00", zone=NEW_YORK)  # Berlin − 6 h
    assert eating_days(west, states(D, C, C), D, NEXT)[1].fast_h == pytest.approx(16.0)


@pytest.mark.parametrize(
    ("between", "hours"),
    [(F, 40.0), (N, None), (P, None)],
    ids=["a declared fast goes on", "a missing log is no fast", "a part of a log is no fast"],
)
def test_a_day_between(between: FoodState, hours: float | None) -> None:
    last = D + timedelta(days=2)
    logged = meals(D, "20:00") + meals(last, "12:00")
    day = eating_days(logged, states(D, C, between, C), D, last)[2]
    assert day.fast_h == (None if hours is None else pytest.approx(hours))


def test_a_day_of_declared_fast_has_neither_fast_end_nor_window() -> None:
    day = eating_days(meals(D, "20:00"), states(D, C, F), D, NEXT)[1]
    assert day.fast_h is None and day.window_h is None and day.protein_spread_pct is None


def test_a_meal_without_a_time_leaves_fasts_unknown() -> None:
    timeless = [LoggedMeal(D, None, 700.0, 40.0)]
    logged = meals(D, "12:00") + timeless + meals(NEXT, "12:00")
    first, second = eating_days(logged, states(D, C, C), D, NEXT)
    assert first.window_h is None and second.fast_h is None and second.window_h == pytest.approx(0.0)


def test_a_partial_day_says_nothing_of_its_window() -> None:
    day = eating_days(meals(D, "12:00", "13:00"), states(D, P), D, D)[0]
    assert day.window_h is None and window_kept(day, 8.0) is None


def test_a_window_is_kept_by_its_length_with_a_quarter_of_an_hour() -> None:
    def kept(last: str) -> bool | None:
        return window_kept(eating_days(meals(D, "12:00", last), states(D, U), D, D)[0], 8.0)

    assert kept("19:59") and kept("20:15") and kept("20:16") is False


@pytest.mark.parametrize(
    ("start", "end", "hours"), [("12:00", "20:00", 8), ("20:00", "02:30", 6.5), ("06:00", "06:00", 24)]
)
def test_a_windows_length(start: str, end: str, hours: float) -> None:
    assert window_length_h(start, end) == hours


@settings(derandomize=True, deadline=None)
@given(
    st.lists(st.integers(0, 1439), min_size=1, max_size=6),
    st.lists(st.integers(0, 1439), min_size=1, max_size=6),
    st.sampled_from([LISBON, BERLIN, TOKYO, NEW_YORK]),
    st.dates(date(2024, 1, 2), date(2028, 12, 30)),
)
def test_fast_and_window_are_what_lies_between_the_meals(
    one: list[int], two: list[int], zone: ZoneInfo, day: date
) -> None:
    """Independent check: minute by minute on the UTC line, the longest run without a meal that ends on the day."""
    after = day + timedelta(days=1)

    def at(on: date, minute: int) -> LoggedMeal:
        local = datetime.combine(on, datetime.min.time(), zone) + timedelta(minutes=minute)
        return LoggedMeal(on, local.astimezone(UTC), 500.0, 30.0)

    logged = [at(day, minute) for minute in one] + [at(after, minute) for minute in two]
    found = eating_days(logged[::-1], states(day, C, C), day, after)
    instants = sorted({meal.at for meal in logged if meal.date == after} | {max(m.at for m in logged if m.date == day)})
    gaps = [(later - earlier).total_seconds() / 3600 for earlier, later in pairwise(instants)]
    assert found[1].fast_h == pytest.approx(max(gaps, default=0.0))
    assert found[0].window_h is not None and found[0].last_at is not None and found[1].first_at is not None
    assert found[0].last_at <= found[1].first_at
    assert found[1].window_h is not None and found[1].window_h >= 0.0


def test_protein_spread_by_hand() -> None:
    def spread(*content: tuple[float, float | None, int | None]) -> float | None:
        return protein_spread_pct([LoggedMeal(D, None, kcal, grams, slot) for kcal, grams, slot in content])

    assert spread((900, 60, 1), (900, 40, 2)) == pytest.approx(20.0)  # mean 50, 10 away
    assert spread((900, 30, 1), (100, 30, 1), (900, 40, 2)) == pytest.approx(20.0)  # one slot, one meal
    assert spread((900, 60, None), (900, 40, None), (50, 1, None)) == pytest.approx(20.0)  # a bite is no meal
    assert spread((900, 60, 1)) is None and spread((900, 60, 1), (900, None, 2)) is None and spread() is None
