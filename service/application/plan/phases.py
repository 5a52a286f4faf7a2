"""Putting phases into an athlete's plan: a phase holds from its first day until the next one starts."""

import uuid
from dataclasses import dataclass
from datetime import date
from typing import Literal

from service.application.log.stale import mark_stale
from service.domain.evidence import Kind
from service.domain.rules.timeline import Planned
from service.errors import PreconditionFailed
from service.store.scope import Scope, table_of
from service.store.tables import Phase

Outcome = Literal["created", "revised", "unchanged"]
_PHASE = table_of(Phase)


@dataclass(frozen=True)
class PhasePlan:
    """A phase as it is planned; `energy_kcal` is the daily energy from its first day on, None where it names none."""

    kind: Kind
    starts_on: date
    planned_end_on: date | None = None
    energy_kcal: float | None = None
    note: str | None = None

    @classmethod
    def of(cls, phase: Phase) -> "PhasePlan":
        """A stored phase."""
        return cls(phase.kind, phase.starts_on, phase.planned_end_on, phase.energy_kcal, phase.note)

    def step(self, key: uuid.UUID | None = None) -> Planned:
        """The phase as a step of the plan; `key`, which row it is, None for a new one."""
        return Planned(key, self.starts_on, self.energy_kcal, self.kind, self.planned_end_on)


async def put_phase(scope: Scope, athlete_id: uuid.UUID, plan: PhasePlan) -> tuple[Phase, Outcome]:
    """Store the phase that starts on a day, or change it to what the plan says; what became of it."""
    of_the_day = scope.select(Phase).where(_PHASE.c.athlete_id == athlete_id, _PHASE.c.starts_on == plan.starts_on)
    stored = await scope.one(Phase, of_the_day)
    if stored is not None:
        if PhasePlan.of(stored) == plan:
            return stored, "unchanged"
        return await revise_phase(scope, stored, plan), "revised"
    phase = Phase(practice_id=scope.practice_id, athlete_id=athlete_id, updated_at=scope.now(), **vars(plan))
    await scope.insert(Phase, [phase.model_dump()])
    await mark_stale(scope, {(athlete_id, plan.starts_on)})
    return phase, "created"


async def revise_phase(scope: Scope, stored: Phase, plan: PhasePlan) -> Phase:
    """Make a stored phase what the plan says.

    Raises
    ------
    PreconditionFailed
        If somebody else changed it since it was read.
    """
    values = {**vars(plan), "revision": stored.revision + 1, "updated_at": scope.now()}
    same = scope.update(Phase).where(_PHASE.c.id == stored.id, _PHASE.c.revision == stored.revision)
    changed = await scope.one(Phase, same.values(**values).returning(_PHASE))
    if changed is None:
        raise PreconditionFailed()
    await mark_stale(scope, {(stored.athlete_id, min(stored.starts_on, plan.starts_on))})
    return changed
