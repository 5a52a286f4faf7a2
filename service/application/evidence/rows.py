"""What the database has of some athletes of one practice, dated up to a day."""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple, Protocol, TypeVar, cast

from service.store.scope import Scope, table_of
from service.store.tables import Athlete, AthleteDay, Phase, Screening, SessionLift, Target, TrainingPlan


class LoggedDay(NamedTuple):
    """The columns of an `athlete_day` that estimates rest on."""

    athlete_id: uuid.UUID
    date: date
    mass_kg: float | None
    energy_kcal: float | None
    protein_g: float | None
    carbohydrate_g: float | None
    food_state: int
    menstruation_started: bool
    body_fat_pct: float | None
    body_fat_se_pct: float | None
    sessions: int


DAY_COLUMNS = LoggedDay._fields[2:]


class OfAthlete(Protocol):
    """A row of one athlete."""

    @property
    def athlete_id(self) -> uuid.UUID: ...


R = TypeVar("R", bound=OfAthlete)


@dataclass(frozen=True)
class Rows:
    """What the database has of some athletes; as in `Roster`."""

    days: Sequence[LoggedDay]  # oldest first
    lifts: Mapping[uuid.UUID, Mapping[str, Sequence[SessionLift]]]
    phases: Mapping[uuid.UUID, Sequence[Phase]]
    targets: Mapping[uuid.UUID, Sequence[Target]]
    plans: Mapping[uuid.UUID, Sequence[TrainingPlan]]
    cycles: Mapping[uuid.UUID, str]  # what was answered about the menstrual cycle


async def read_rows(scope: Scope, athletes: Sequence[Athlete], to: date) -> Rows:
    """Read what was logged and planned of some athletes, dated up to a day."""
    ids = [athlete.id for athlete in athletes]
    day, lift, phase, target = table_of(AthleteDay), table_of(SessionLift), table_of(Phase), table_of(Target)
    columns = (day.c[name] for name in LoggedDay._fields)
    days = await scope.rows(
        scope.select(*columns, of=[AthleteDay]).where(day.c.athlete_id.in_(ids), day.c.date <= to).order_by(day.c.date)
    )
    lifts: dict[uuid.UUID, dict[str, list[SessionLift]]] = defaultdict(lambda: defaultdict(list))
    lifted = scope.select(SessionLift).where(lift.c.athlete_id.in_(ids), lift.c.date <= to)
    for row in await scope.all(SessionLift, lifted.order_by(lift.c.date)):
        lifts[row.athlete_id][row.exercise].append(row)
    phases = scope.select(Phase).where(phase.c.athlete_id.in_(ids), phase.c.starts_on <= to)
    targets = scope.select(Target).where(target.c.athlete_id.in_(ids), target.c.from_date <= to)
    plan = table_of(TrainingPlan)
    plans = scope.select(TrainingPlan).where(plan.c.athlete_id.in_(ids), plan.c.from_date <= to)
    return Rows(
        cast(Sequence[LoggedDay], days),
        lifts,
        by_athlete(await scope.all(Phase, phases.order_by(phase.c.starts_on))),
        by_athlete(await scope.all(Target, targets.order_by(target.c.from_date))),
        by_athlete(await scope.all(TrainingPlan, plans.order_by(plan.c.from_date))),
        await _cycles(scope, ids),
    )


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
