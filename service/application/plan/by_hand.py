"""Phases and targets that a coach sets by hand: held against what stands, and behind the safety gate.

What they put in force today or later meets the gate, however they are dated. What a later one has replaced already is
history, and is kept as it was.
"""

import uuid
from collections.abc import Collection
from datetime import date

from service.application.plan.phases import Outcome, PhasePlan, put_phase, revise_phase
from service.application.plan.refusals import against_step, refuse
from service.application.plan.targets import TargetsPlan, put_targets, revise_targets
from service.errors import Conflict, NotFound
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, Phase, Target

_PHASE, _TARGET = table_of(Phase), table_of(Target)


async def find_phase(scope: Scope, athlete: Athlete, phase_id: uuid.UUID) -> Phase:
    """The athlete's phase with this id, or NotFound."""
    named = scope.select(Phase).where(_PHASE.c.athlete_id == athlete.id, _PHASE.c.id == phase_id)
    stored = await scope.one(Phase, named)
    if stored is None:
        raise NotFound()
    return stored


async def add_phase(
    scope: Scope, athlete: Athlete, plan: PhasePlan, acknowledged: Collection[str]
) -> tuple[Phase, Outcome]:
    """Store a new phase; the same again is left as it is.

    Raises
    ------
    Invalid
        If a hard limit forbids it, or it passes a soft one that is not acknowledged.
    Conflict
        If another phase starts on that day.
    """
    refuse(await against_step(scope, athlete, plan.step()), acknowledged, "/kind")
    phase, outcome = await put_phase(scope, athlete.id, plan)
    if outcome == "revised":
        raise Conflict(f"a phase starts on {plan.starts_on} already; change that one")
    return phase, outcome


async def change_phase(
    scope: Scope, athlete: Athlete, stored: Phase, plan: PhasePlan, acknowledged: Collection[str]
) -> Phase:
    """Make a stored phase what the plan says; errors as `add_phase`, and PreconditionFailed as `revise_phase`."""
    twin = scope.select(Phase).where(
        _PHASE.c.athlete_id == athlete.id, _PHASE.c.starts_on == plan.starts_on, _PHASE.c.id != stored.id
    )
    if await scope.first(twin) is not None:
        raise Conflict(f"another phase starts on {plan.starts_on}")
    refuse(await against_step(scope, athlete, plan.step(stored.id)), acknowledged, "/kind")
    return await revise_phase(scope, stored, plan)


async def find_targets(scope: Scope, athlete: Athlete, targets_id: uuid.UUID) -> Target:
    """The athlete's targets with this id, or NotFound."""
    named = scope.select(Target).where(_TARGET.c.athlete_id == athlete.id, _TARGET.c.id == targets_id)
    stored = await scope.one(Target, named)
    if stored is None:
        raise NotFound()
    return stored


async def add_targets(scope: Scope, athlete: Athlete, plan: TargetsPlan, acknowledged: Collection[str]) -> Target:
    """Store new targets; errors as `add_phase`."""
    if await _taken(scope, athlete, plan.from_date):
        raise Conflict(f"there are targets from {plan.from_date} already; change those")
    refuse(await against_step(scope, athlete, plan.step(), plan.grams()), acknowledged, "/energy_kcal")
    return await put_targets(scope, athlete.id, plan)


async def change_targets(
    scope: Scope,
    athlete: Athlete,
    stored: Target,
    plan: TargetsPlan,
    acknowledged: Collection[str],
    *,
    amounts_said: bool,
) -> Target:
    """Make stored targets what the plan says; errors as `change_phase`.

    With `amounts_said`, that is where energy or macronutrients are said anew, they are held against each other too.
    """
    if await _taken(scope, athlete, plan.from_date, besides=stored.id):
        raise Conflict("there are other targets from that date")
    grams = plan.grams() if amounts_said else None
    refuse(await against_step(scope, athlete, plan.step(stored.id), grams), acknowledged, "/energy_kcal")
    return await revise_targets(scope, stored, plan)


async def _taken(scope: Scope, athlete: Athlete, from_date: date, besides: uuid.UUID | None = None) -> bool:
    """Whether the athlete has targets from a date, others than these."""
    there = scope.select(Target).where(_TARGET.c.athlete_id == athlete.id, _TARGET.c.from_date == from_date)
    return await scope.first(there if besides is None else there.where(_TARGET.c.id != besides)) is not None
