"""Weekly hard sets by muscle from what was logged, against the band of the phase that the week ends in."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import NamedTuple

from service.application.evidence.policies import in_force
from service.catalogue.exercises import exercises
from service.domain.training.volume import MuscleVolume, bands_for, judge_volume, weekly_sets
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, Phase, SessionLift

_LIFT, _PHASE = table_of(SessionLift), table_of(Phase)
WEEK = timedelta(days=7)


class _LiftSets(NamedTuple):
    """An exercise of a session with its hard sets."""

    date: date
    exercise: str
    hard_sets: int


@dataclass(frozen=True)
class WeekVolume:
    """A week of training, Monday to Sunday."""

    monday: date
    muscles: Sequence[MuscleVolume]


async def volume_by_week(
    scope: Scope, athlete: Athlete, first: date, last: date, emphasis: Sequence[str]
) -> list[WeekVolume]:
    """The weeks from the one that holds `first` to the one that holds `last`, which is the last day that counts.

    Parameters: `emphasis`, what is meant to be trained more, as in `EMPHASES`.
    """
    monday = first - timedelta(days=first.weekday())
    lifted = scope.select(_LIFT.c.date, _LIFT.c.exercise, _LIFT.c.hard_sets, of=[SessionLift])
    lifted = lifted.where(_LIFT.c.athlete_id == athlete.id, _LIFT.c.date.between(monday, last))
    lifts = [_LiftSets._make(row) for row in await scope.rows(lifted)]
    begun = scope.select(Phase).where(_PHASE.c.athlete_id == athlete.id, _PHASE.c.starts_on <= last)
    phases = await scope.all(Phase, begun.order_by(_PHASE.c.starts_on))
    policy = (await in_force(scope, [athlete.id]))[athlete.id].policy
    bands = bands_for(athlete.experience or "intermediate", emphasis=emphasis, policy=policy)
    weeks = []
    while monday <= last:
        sunday = monday + timedelta(days=6)
        of_week = [(lift.exercise, lift.hard_sets) for lift in lifts if monday <= lift.date <= sunday]
        kinds = [phase.kind for phase in phases if phase.starts_on <= sunday]
        in_cut = kinds[-1:] == ["cut"]
        judged = judge_volume(weekly_sets(of_week, exercises()), bands, cutting=in_cut)
        weeks.append(WeekVolume(monday, judged))
        monday += WEEK
    return weeks
