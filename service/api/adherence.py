"""Adherence: what was eaten against the targets, fasts and windows; and how much food logging is still needed."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends, Query
from pydantic import Field

from service.api.athletes import AthletePath
from service.api.http.fields import Answer, Date
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, Here
from service.application.evidence.gather import evidence_for
from service.application.evidence.roster import energy_steps
from service.application.schedule import today_of
from service.auth import requires
from service.domain.nutrition.adherence import DayIntake, WeekIntake, mean, weeks_of
from service.domain.nutrition.eating import EatingDay, LoggedMeal, eating_days, window_kept, window_length_h
from service.domain.nutrition.logging_need import day_spread_kcal, logging_need
from service.domain.records import FoodState
from service.errors import Invalid, NotFound
from service.store.scope import Scope, table_of
from service.store.tables import AthleteDay, Meal, Phase, Target

router = APIRouter(tags=["foods"], route_class=CommittedRoute)
LONGEST_DAYS = 366
LOOK_BACK = timedelta(days=14)  # declared fasts before the first day are looked across
SPREAD_DAYS = 28
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
    last = to or today_of(athlete)
    first = from_ or last - timedelta(days=27)
    if not 0 <= (last - first).days < LONGEST_DAYS:
        raise Invalid.field("from", "bad_span", f"from must lie 0 to {LONGEST_DAYS - 1} days before to")
    rows = await _rows(scope, AthleteDay, athlete.id, first - LOOK_BACK, last + timedelta(days=1))
    logged = {row.date: row for row in rows}
    states = {day: FoodState(row.food_state) for day, row in logged.items()}
    meals = await _meals(scope, athlete.id, first - LOOK_BACK, last + timedelta(days=1))
    eaten = eating_days(meals, states, first, last)
    targets = await _Targets.load(scope, athlete, last)
    intake = [_intake(day, logged.get(day), targets) for day in _dates(first, last)]
    days = [
        _shown_day(one, fast, targets.window_h(one.date), ZoneInfo(athlete.time_zone))
        for one, fast in zip(intake, eaten, strict=True)
    ]
    return AdherenceAnswer(days=days, weeks=[_shown_week(week, days) for week in weeks_of(intake)])


@router.get("/athletes/{athlete_id}/logging-need", dependencies=[READ], responses=documented(NotFound))
async def get_logging_need(
    athlete: AthletePath, scope: Here, as_of: Annotated[Date | None, Query(description="today by default")] = None
) -> LoggingNeedAnswer:
    """How many complete food days a week are still needed, why, and what leaving the others out risks."""
    day = min(as_of or today_of(athlete), today_of(athlete))
    (batch,) = await evidence_for(scope, [athlete], [day])
    evidence, policy, log = batch.evidence[athlete.id, day], batch.policies[athlete.id].policy, batch.roster.log
    lately = min(SPREAD_DAYS, evidence.phase.day if evidence.phase else SPREAD_DAYS)
    spread = day_spread_kcal(log.intake_kcal[0, -lately:], log.food_state[0, -lately:])
    need = logging_need(evidence, policy, spread)
    return LoggingNeedAnswer(
        complete_days_per_week=need.complete_days_per_week,
        because=list(need.because),
        statement=need.statement,
        risk_kcal=round(need.risk_kcal, 1),
        maintenance_half_width_kcal=None if need.half_width_kcal is None else round(need.half_width_kcal, 1),
        day_sd_kcal=round(need.day_sd_kcal, 1),
    )


async def _rows(scope: Scope, table: Any, athlete_id: Any, first: date, last: date) -> Sequence[Any]:
    columns = table_of(table).c
    return await scope.rows(
        scope.select(table).where(columns.athlete_id == athlete_id, columns.date.between(first, last))
    )


async def _meals(scope: Scope, athlete_id: Any, first: date, last: date) -> list[LoggedMeal]:
    rows = await _rows(scope, Meal, athlete_id, first, last)
    return [
        LoggedMeal(row.date, row.at, row.energy_kcal, row.protein_g, row.slot) for row in rows if row.suspect is None
    ]


def _dates(first: date, last: date) -> list[date]:
    return [first + timedelta(days=offset) for offset in range((last - first).days + 1)]


class _Targets:
    """What was to be eaten on each day."""

    def __init__(self, energy: Sequence[tuple[date, float | None]], targets: Sequence[Any], own: Any) -> None:
        self._energy, self._targets, self._own = energy, targets, own

    @classmethod
    async def load(cls, scope: Scope, athlete: Any, last: date) -> "_Targets":
        """Read the targets and phases that were in force up to a day."""
        target, phase = table_of(Target), table_of(Phase)
        begun = scope.select(Target).where(target.c.athlete_id == athlete.id, target.c.from_date <= last)
        targets = await scope.all(Target, begun.order_by(target.c.from_date))
        started = scope.select(Phase).where(phase.c.athlete_id == athlete.id, phase.c.starts_on <= last)
        phases = await scope.all(Phase, started)
        return cls(energy_steps(phases, targets), targets, athlete.eating_window)

    def energy_kcal(self, day: date) -> float | None:
        """Energy in force."""
        return next((energy for on, energy in reversed(self._energy) if on <= day), None)

    def protein_g(self, day: date) -> float | None:
        """Protein in force."""
        row = self._row(day)
        return None if row is None else row.protein_g

    def window_h(self, day: date) -> float | None:
        """Length of the eating window in force: of the targets, else the athlete's own."""
        row = self._row(day)
        window: Mapping[str, str] | None = (row.eating_window if row is not None else None) or self._own
        return window_length_h(window["from"], window["to"]) if window else None

    def _row(self, day: date) -> Any:
        return next((row for row in reversed(self._targets) if row.from_date <= day), None)


def _intake(day: date, row: Any, targets: _Targets) -> DayIntake:
    state = FoodState.NOT_LOGGED if row is None else FoodState(row.food_state)
    known = row is not None and state != FoodState.NOT_LOGGED
    return DayIntake(
        day,
        state,
        row.energy_kcal if known else None,
        row.protein_g if known else None,
        targets.energy_kcal(day),
        targets.protein_g(day),
    )


def _shown_day(one: DayIntake, eaten: EatingDay, allowed_h: float | None, zone: ZoneInfo) -> AdherenceDay:
    return AdherenceDay(
        date=one.date,
        state=one.state.name.lower(),
        energy_kcal=_round(one.energy_kcal, 1),
        energy_target_kcal=one.energy_target_kcal,
        energy_pct=_round(one.energy_pct, 1),
        energy_kept=one.energy_kept,
        protein_g=_round(one.protein_g, 1),
        protein_target_g=one.protein_target_g,
        protein_kept=one.protein_kept,
        fast_h=_round(eaten.fast_h, 2),
        window_h=_round(eaten.window_h, 2),
        window_allowed_h=allowed_h,
        window_kept=window_kept(eaten, allowed_h),
        first_meal_at=eaten.first_at and eaten.first_at.astimezone(zone),
        last_meal_at=eaten.last_at and eaten.last_at.astimezone(zone),
        protein_spread=_round(eaten.protein_spread_pct, 1),
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
