"""What the database has of some athletes of one practice, dated up to a day."""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from service.store.scope import Scope, table_of
from service.store.tables import AthleteDay, Phase, SessionLift, Target, TrainingPlan

DAY_COLUMNS = (
    "mass_kg", "energy_kcal", "protein_g", "carbohydrate_g", "food_state", "menstruation_started", "body_fat_pct",
    "body_fat_se_pct", "sessions",
)  # fmt: skip


@dataclass(frozen=True)
class Rows:
    """What the database has of some athletes; as in `Roster`."""

    days: Sequence[Any]  # of `athlete_day`, oldest first
    lifts: Mapping[uuid.UUID, Mapping[str, Sequence[Any]]]
    phases: Mapping[uuid.UUID, Sequence[Any]]
    targets: Mapping[uuid.UUID, Sequence[Any]]
    plans: Mapping[uuid.UUID, Sequence[Any]]


async def read_rows(scope: Scope, athletes: Sequence[Any], to: date) -> Rows:
    ids = [athlete.id for athlete in athletes]
    day, lift, phase, target = table_of(AthleteDay), table_of(SessionLift), table_of(Phase), table_of(Target)
    columns = (day.c.athlete_id, day.c.date, *(day.c[name] for name in DAY_COLUMNS))
    days = await scope.rows(
        scope.select(*columns, of=[AthleteDay]).where(day.c.athlete_id.in_(ids), day.c.date <= to).order_by(day.c.date)
    )
    lifts: dict[uuid.UUID, dict[str, list[Any]]] = defaultdict(lambda: defaultdict(list))
    logged = scope.select(SessionLift).where(lift.c.athlete_id.in_(ids), lift.c.date <= to)
    for row in await scope.rows(logged.order_by(lift.c.date)):
        lifts[row.athlete_id][row.exercise].append(row)
    phases = scope.select(Phase).where(phase.c.athlete_id.in_(ids), phase.c.starts_on <= to)
    targets = scope.select(Target).where(target.c.athlete_id.in_(ids), target.c.from_date <= to)
    plan = table_of(TrainingPlan)
    plans = scope.select(TrainingPlan).where(plan.c.athlete_id.in_(ids), plan.c.from_date <= to)
    return Rows(
        days,
        lifts,
        by_athlete(await scope.rows(phases.order_by(phase.c.starts_on))),
        by_athlete(await scope.rows(targets.order_by(target.c.from_date))),
        by_athlete(await scope.rows(plans.order_by(plan.c.from_date))),
    )


def by_athlete(rows: Sequence[Any]) -> dict[uuid.UUID, list[Any]]:
    """Rows of some athletes, in their order, by athlete; of others an empty list."""
    found: dict[uuid.UUID, list[Any]] = defaultdict(list)
    for row in rows:
        found[row.athlete_id].append(row)
    return found
