"""Adherence by day and week: only what is known counts, and how much that is, is said."""

from datetime import date, timedelta

import pytest

from service.domain.nutrition.adherence import DayIntake, weeks_of
from service.domain.records import FoodState as S

D = date(2026, 3, 2)  # a Monday


def day(offset: int, state: S, kcal: float | None, protein: float | None = 150.0) -> DayIntake:
    return DayIntake(D + timedelta(days=offset), state, kcal, protein if kcal is not None else None, 2000.0, 150.0)


def test_a_week_of_mixed_days() -> None:
    days = [
        day(0, S.COMPLETE, 2100.0), day(1, S.COMPLETE, 1900.0, 140.0), day(2, S.PARTIAL, 800.0, 60.0),
        day(3, S.NOT_LOGGED, None), day(4, S.UNKNOWN, 2600.0, 145.0), day(5, S.FAST, 0.0, 0.0),
        day(6, S.PARTIAL, 900.0, 160.0),
    ]  # fmt: skip
    week = weeks_of(days)[0]
    assert (week.week, week.days, week.days_known, week.days_complete, week.days_missing) == ("2026-W10", 7, 4, 3, 1)
    assert week.energy_kcal == pytest.approx((2100 + 1900 + 2600 + 0) / 4)
    assert week.energy_pct == pytest.approx(100 * 1650 / 2000)
    assert week.energy_kept_days == 2  # 2600 is off, the fast is off, a part says nothing
    assert week.protein_kept_days == 3  # 150, 145 (within 5 %), and the partial day that reached it anyway
    assert days[2].energy_pct is None and days[2].protein_kept is None and days[6].protein_kept is True


def test_without_a_target_nothing_is_kept_or_missed() -> None:
    bare = DayIntake(D, S.COMPLETE, 2000.0, 100.0, None, None)
    assert bare.energy_pct is None and bare.energy_kept is None and bare.protein_kept is None
    assert weeks_of([bare])[0].energy_pct is None and weeks_of([bare])[0].energy_kcal == 2000.0


def test_weeks_are_iso_weeks_over_new_year() -> None:
    days = [DayIntake(date(2026, 12, 28) + timedelta(days=n), S.NOT_LOGGED, None, None, None, None) for n in range(8)]
    assert [(week.week, week.days) for week in weeks_of(days)] == [("2026-W53", 7), ("2027-W01", 1)]
