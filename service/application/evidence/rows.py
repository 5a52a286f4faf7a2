"""What the database has of some athletes, dated up to a day: the roll-ups as columns, all else as rows."""

import uuid
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, String, cast, type_coerce

from service.domain.records import Floats
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, AthleteDay, Phase, Screening, SessionLift, Target, TrainingPlan

DAY_COLUMNS = (
    "mass_kg", "energy_kcal", "protein_g", "carbohydrate_g", "food_state", "menstruation_started", "body_fat_pct",
    "body_fat_se_pct", "sessions",
)  # fmt: skip
LIFT_COLUMNS = ("body_mass_coefficient", "intercept_kg", "log_sd", "curve_exposure")
if TYPE_CHECKING:
    from _typeshed import DataclassInstance

Days = NDArray[np.datetime64]


class OfAthlete(Protocol):
    """A row of one athlete."""

    @property
    def athlete_id(self) -> uuid.UUID: ...


R = TypeVar("R", bound=OfAthlete)
P = TypeVar("P", bound="DataclassInstance")


@dataclass(frozen=True)
class LoggedDays:
    """The days of one athlete's `athlete_day`, oldest first, and the columns that estimates rest on, (columns, days).

    The columns are those of `DAY_COLUMNS`, NaN where nothing was logged.
    """

    days: Days
    columns: Floats


@dataclass(frozen=True)
class LiftHistory:
    """What the sessions of one exercise measured, oldest first; arrays (sessions,), as in `session_lift`."""

    days: Days
    body_mass_coefficient: Floats
    intercept_kg: Floats
    log_sd: Floats
    curve_exposure: Floats


@dataclass(frozen=True)
class Rows:
    """What the database has of some athletes; as in `Roster`."""

    days: Mapping[uuid.UUID, LoggedDays]  # of those who logged anything
    lifts: Mapping[uuid.UUID, Mapping[str, LiftHistory]]
    phases: Mapping[uuid.UUID, Sequence[Phase]]
    targets: Mapping[uuid.UUID, Sequence[Target]]
    plans: Mapping[uuid.UUID, Sequence[TrainingPlan]]
    cycles: Mapping[uuid.UUID, str]  # what was answered about the menstrual cycle


async def read_rows(scope: Scope, athletes: Sequence[Athlete], to: date) -> Rows:
    """Read what was logged and planned of some athletes, dated up to a day."""
    ids = [athlete.id for athlete in athletes]
    phase, target, plan = table_of(Phase), table_of(Target), table_of(TrainingPlan)
    phases = scope.select(Phase).where(phase.c.athlete_id.in_(ids), phase.c.starts_on <= to)
    targets = scope.select(Target).where(target.c.athlete_id.in_(ids), target.c.from_date <= to)
    plans = scope.select(TrainingPlan).where(plan.c.athlete_id.in_(ids), plan.c.from_date <= to)
    return Rows(
        await _days(scope, ids, to),
        await _lifts(scope, ids, to),
        by_athlete(await scope.all(Phase, phases.order_by(phase.c.starts_on))),
        by_athlete(await scope.all(Target, targets.order_by(target.c.from_date))),
        by_athlete(await scope.all(TrainingPlan, plans.order_by(plan.c.from_date))),
        await _cycles(scope, ids),
    )


def merged(parts: Sequence[P]) -> P:
    """What was read in several parts, a dataclass of mappings by athlete; an athlete is in one of them."""
    kind = type(parts[0])
    return kind(
        **{
            of.name: {athlete: own for part in parts for athlete, own in getattr(part, of.name).items()}
            for of in fields(kind)
        }
    )


async def _days(scope: Scope, ids: Sequence[uuid.UUID], to: date) -> dict[uuid.UUID, LoggedDays]:
    day = table_of(AthleteDay)
    columns = (_text(scope, day.c.athlete_id), _text(scope, day.c.date), *(day.c[name] for name in DAY_COLUMNS))
    logged = scope.select(*columns, of=[AthleteDay]).where(day.c.athlete_id.in_(ids), day.c.date <= to)
    rows = await scope.rows(logged.order_by(day.c.athlete_id, day.c.date))
    if not rows:
        return {}
    who, when, *values = zip(*rows, strict=True)
    days, columns_of = np.array(when, "datetime64[D]"), np.array(values, np.float64)
    found, begin = {}, 0
    for athlete, count in Counter(who).items():  # rows of an athlete stand together
        own = slice(begin, begin := begin + count)
        found[uuid.UUID(athlete)] = LoggedDays(days[own], columns_of[:, own])
    return found


async def _lifts(scope: Scope, ids: Sequence[uuid.UUID], to: date) -> dict[uuid.UUID, dict[str, LiftHistory]]:
    lift = table_of(SessionLift)
    columns = (_text(scope, lift.c.athlete_id), lift.c.exercise, _text(scope, lift.c.date))
    measured = scope.select(*columns, *(lift.c[name] for name in LIFT_COLUMNS), of=[SessionLift])
    rows = await scope.rows(measured.where(lift.c.athlete_id.in_(ids), lift.c.date <= to, lift.c.hard_sets > 0))
    found: dict[uuid.UUID, dict[str, LiftHistory]] = defaultdict(dict)
    if not rows:
        return found
    who, exercise, when, *values = zip(*rows, strict=True)
    days, columns_of = np.array(when, "datetime64[D]"), np.array(values, np.float64)
    numbers: dict[tuple[str, str], int] = {}
    lifts = np.array([numbers.setdefault(pair, len(numbers)) for pair in zip(who, exercise, strict=True)])
    order = np.lexsort((days, lifts))
    days, columns_of = days[order], columns_of[:, order]
    ends = np.cumsum(np.bincount(lifts)).tolist()
    for (athlete, name), begin, end in zip(numbers, [0, *ends], ends, strict=False):
        found[uuid.UUID(athlete)][name] = LiftHistory(days[begin:end], *columns_of[:, begin:end])
    return found


def _text(scope: Scope, column: ColumnElement[Any]) -> ColumnElement[str]:
    """An id or a date as the text that SQLite has of it and PostgreSQL makes of it: nothing is parsed row by row."""
    return type_coerce(column, String) if scope.connection.dialect.name == "sqlite" else cast(column, String)


async def _cycles(scope: Scope, ids: Sequence[uuid.UUID]) -> dict[uuid.UUID, str]:
    """The latest answers about the menstrual cycle, of who has answered."""
    screening = table_of(Screening)
    answers = scope.select(screening.c.athlete_id, screening.c.answers, of=[Screening])
    rows = await scope.rows(answers.where(screening.c.athlete_id.in_(ids)).order_by(screening.c.revision))
    latest = {row.athlete_id: row.answers.get("cycle") for row in rows}
    return {athlete: answer for athlete, answer in latest.items() if answer is not None}


def by_athlete(rows: Sequence[R]) -> dict[uuid.UUID, list[R]]:
    """Rows of some athletes, in their order, by athlete; of others an empty list."""
    grouped: dict[uuid.UUID, list[R]] = defaultdict(list)
    for row in rows:
        grouped[row.athlete_id].append(row)
    return grouped
