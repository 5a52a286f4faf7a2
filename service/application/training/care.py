"""Why an athlete starts lighter and goes on slower, from the days that were ever trained."""

from collections.abc import Collection, Mapping
from datetime import date

from service.application.evidence.rows import LiftHistory
from service.domain.policy import Policy
from service.domain.training.care import Care, care_for
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, SessionLift

_LIFT = table_of(SessionLift)


def care_on(athlete: Athlete, lifts: Mapping[str, LiftHistory], on: date, policy: Policy) -> tuple[Care, ...]:
    """The reasons on a day; `lifts`, all that were ever trained, by exercise."""
    trained_on = set().union(*(lifted.days.tolist() for lifted in lifts.values()))
    return _care(athlete, trained_on, on, policy)


async def read_care(scope: Scope, athlete: Athlete, on: date, policy: Policy) -> tuple[Care, ...]:
    """As `care_on`, from the database."""
    trained = scope.select(_LIFT.c.date, of=[SessionLift]).where(
        _LIFT.c.athlete_id == athlete.id, _LIFT.c.hard_sets > 0
    )
    return _care(athlete, {row.date for row in await scope.rows(trained.distinct())}, on, policy)


def _care(athlete: Athlete, trained_on: Collection[date], on: date, policy: Policy) -> tuple[Care, ...]:
    age_y = (on - athlete.birth_date).days / 365.25
    return care_for(age_y, athlete.experience, trained_on, on, policy)
