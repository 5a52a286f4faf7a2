"""Adherence: what was eaten against the targets, fasts and windows; and how much food logging is still needed."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends, Query
from pydantic import Field

from service.api.athletes import AthletePath
from service.api.http.fields import Answer, Date
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, Here
from service.application.food.adherence import DayAdherence, adherence
from service.application.food.logging_need import logging_need_on
from service.application.schedule import today_of
from service.auth import requires
from service.catalogue.sentences import render
from service.domain.nutrition.adherence import WeekIntake, mean, weeks_of
from service.domain.nutrition.eating import window_kept
from service.errors import Invalid, NotFound

router = APIRouter(tags=["foods"], route_class=CommittedRoute)
LONGEST_DAYS = 366
READ = Depends(requires("entries:read"))


class AdherenceDay(Answer):
    """A day; null is unknown. A missing log is not a fast, and a fast is not a gap."""

    date: date
    state: str = Field(description="not_logged, unknown (completeness), partial, complete, fast")
    energy_kcal: float | None
    energy_target_kcal: float | None
    energy_pct: float | None
    energy_kept: bool | None
    protein_g: float | None
    protein_target_g: float | None
    protein_kept: bool | None
    fast_h: float | None = Field(description="longest time without food that ended on this day")
    window_h: float | None = Field(description="from the meal that ended it to the last one before the next fast")
    window_allowed_h: float | None
    window_kept: bool | None
    first_meal_at: datetime | None
    last_meal_at: datetime | None
    protein_spread: float | None = Field(description="largest distance from the mean meal, percent of it")


class AdherenceWeek(Answer):
    """An ISO week; means are over the known days."""

    week: str
    days: int
    days_known: int
    days_complete: int
    days_missing: int
    energy_kcal: float | None
    energy_target_kcal: float | None
    energy_pct: float | None
    energy_kept_days: int
    protein_g: float | None
    protein_kept_days: int
    fast_h: float | None = Field(description="mean of the known fasts")
    fasts_known: int
    windows_kept: int
    windows_known: int


class AdherenceAnswer(Answer):
    """Adherence by day and by week."""

    days: list[AdherenceDay]
    weeks: list[AdherenceWeek]


class LoggingNeedAnswer(Answer):
    """How many complete food days a week are needed from here on."""

    complete_days_per_week: int
    because: list[str]
    statement: str
    risk_kcal: float = Field(description="90 % half width that the days left out add to the mean intake of two weeks")
    maintenance_half_width_kcal: float | None
    day_sd_kcal: float = Field(description="spread of complete days; 400 is assumed with fewer than seven")


@router.get("/athletes/{athlete_id}/adherence", dependencies=[READ], responses=documented(NotFound))
async def get_adherence(
    athlete: AthletePath,
    scope: Here,
    from_: Annotated[Date | None, Query(alias="from", description="first local date; 27 days before `to`")] = None,
    to: Annotated[Date | None, Query(description="last local date; today")] = None,
) -> AdherenceAnswer:
    """Energy and protein against the targets, fasts, windows, protein spread; at most 366 days."""
    last = to or today_of(scope, athlete)
    first = from_ or last - timedelta(days=27)
    if not 0 <= (last - first).days < LONGEST_DAYS:
        raise Invalid.field("from", "bad_span", f"from must lie 0 to {LONGEST_DAYS - 1} days before to")
    adherence_days = await adherence(scope, athlete, first, last)
    days = [_shown_day(day, ZoneInfo(athlete.time_zone)) for day in adherence_days]
    weeks = weeks_of([day.intake for day in adherence_days])
    return AdherenceAnswer(days=days, weeks=[_shown_week(week, days) for week in weeks])


@router.get("/athletes/{athlete_id}/logging-need", dependencies=[READ], responses=documented(NotFound))
async def get_logging_need(
    athlete: AthletePath, scope: Here, as_of: Annotated[Date | None, Query(description="today by default")] = None
) -> LoggingNeedAnswer:
    """How many complete food days a week are still needed, why, and what leaving the others out risks."""
    day = min(as_of or today_of(scope, athlete), today_of(scope, athlete))
    need = await logging_need_on(scope, athlete, day)
    return LoggingNeedAnswer(
        complete_days_per_week=need.complete_days_per_week,
        because=list(need.because),
        statement=render(*need.statement),
        risk_kcal=round(need.risk_kcal, 1),
        maintenance_half_width_kcal=None if need.half_width_kcal is None else round(need.half_width_kcal, 1),
        day_sd_kcal=round(need.day_sd_kcal, 1),
    )


def _shown_day(day: DayAdherence, zone: ZoneInfo) -> AdherenceDay:
    intake, eating = day.intake, day.eating
    return AdherenceDay(
        date=intake.date,
        state=intake.state.name.lower(),
        energy_kcal=_round(intake.energy_kcal, 1),
        energy_target_kcal=intake.energy_target_kcal,
        energy_pct=_round(intake.energy_pct, 1),
        energy_kept=intake.energy_kept,
        protein_g=_round(intake.protein_g, 1),
        protein_target_g=intake.protein_target_g,
        protein_kept=intake.protein_kept,
        fast_h=_round(eating.fast_h, 2),
        window_h=_round(eating.window_h, 2),
        window_allowed_h=day.window_allowed_h,
        window_kept=window_kept(eating, day.window_allowed_h),
        first_meal_at=eating.first_at and eating.first_at.astimezone(zone),
        last_meal_at=eating.last_at and eating.last_at.astimezone(zone),
        protein_spread=_round(eating.protein_spread_pct, 1),
    )


def _shown_week(week: WeekIntake, days: Sequence[AdherenceDay]) -> AdherenceWeek:
    own = [day for day in days if "{}-W{:02d}".format(*day.date.isocalendar()[:2]) == week.week]
    fasts = [day.fast_h for day in own if day.fast_h is not None]
    windows = [day.window_kept for day in own if day.window_kept is not None]
    values = {name: _round(value, 1) if isinstance(value, float) else value for name, value in vars(week).items()}
    return AdherenceWeek(
        **values,
        fast_h=_round(mean(fasts), 2),
        fasts_known=len(fasts),
        windows_kept=sum(windows),
        windows_known=len(windows),
    )


def _round(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
