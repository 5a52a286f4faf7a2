"""What a decision changes: a phase, targets, and targets of a second step, each from a day on."""

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from service.application.plan.phases import PhasePlan, put_phase
from service.application.plan.targets import TargetsPlan, put_targets
from service.domain.evidence import Kind
from service.store.scope import Scope, table_of
from service.store.tables import Phase, Review, Target

STEP_AFTER = timedelta(days=7)  # between the two steps of a return to maintenance
NO_EFFECT: dict[str, Any] = dict.fromkeys(("effective_on", "targets", "phase", "next_targets"))  # of a declined one
_REVIEW, _TARGET, _PHASE = table_of(Review), table_of(Target), table_of(Phase)


@dataclass(frozen=True)
class PhaseStart:
    """A phase that begins."""

    to: Kind
    on: date
    planned_end_on: date | None = None

    @classmethod
    def read(cls, document: Mapping[str, Any]) -> "PhaseStart":
        """A phase as reviews write it (`document`)."""
        end = document["planned_end_on"]
        return cls(document["to"], date.fromisoformat(document["on"]), end and date.fromisoformat(end))

    def moved_to(self, on: date) -> "PhaseStart":
        """The same phase from another day on, as long as it was planned."""
        end = self.planned_end_on
        return PhaseStart(self.to, on, None if end is None else end + (on - self.on))

    def document(self) -> dict[str, str | None]:
        """The phase as a plain record."""
        end = self.planned_end_on
        return {"to": self.to, "on": str(self.on), "planned_end_on": None if end is None else str(end)}


@dataclass(frozen=True)
class Effect:
    """What a decision changes from `effective_on` on; `next_targets` follow on their own date."""

    effective_on: date
    phase: PhaseStart | None = None
    targets: TargetsPlan | None = None
    next_targets: TargetsPlan | None = None
    ends_deficits: bool = False  # those planned for later are taken back

    def document(self) -> dict[str, Any]:
        """The effect as it is stored and shown."""
        following = self.next_targets
        return {
            "effective_on": str(self.effective_on),
            "targets": self.targets and self.targets.document(),
            "phase": self.phase and self.phase.document(),
            "next_targets": following and {"from_date": str(following.from_date), **following.document()},
        }


async def carry_out(scope: Scope, review: Review, effect: Effect) -> list[dict[str, Any]]:
    """Put into the plan what a decision on a review changes; the deficits planned for later that it took back."""
    phase, targets, following = effect.phase, effect.targets, effect.next_targets
    if targets is not None and await in_force(scope, review.athlete_id, targets):
        targets = None  # what stays takes nothing back that was planned for later
    if phase is not None or targets is not None:
        await _drop_second_step(scope, review, effect.effective_on)
    taken_back = await _drop_deficits(scope, review.athlete_id, effect) if effect.ends_deficits else []
    if phase is not None:
        energy_kcal = None if effect.targets is None else effect.targets.energy_kcal
        await put_phase(scope, review.athlete_id, PhasePlan(phase.to, phase.on, phase.planned_end_on, energy_kcal))
    if targets is not None:
        await put_targets(scope, review.athlete_id, targets, review.id)
    if following is not None:
        await put_targets(scope, review.athlete_id, following, review.id)
    return taken_back


async def _drop_second_step(scope: Scope, review: Review, on: date) -> None:
    """A second step that an earlier decision planned for the week after `on` gives way to this decision."""
    earlier = scope.select(_REVIEW.c.id, of=[Review]).where(
        _REVIEW.c.athlete_id == review.athlete_id, _REVIEW.c.as_of < review.as_of
    )
    phases = scope.select(_PHASE.c.starts_on, of=[Phase]).where(_PHASE.c.athlete_id == review.athlete_id)
    await scope.run(
        scope.delete(Target).where(
            _TARGET.c.athlete_id == review.athlete_id,
            _TARGET.c.from_date > on,
            _TARGET.c.from_date <= on + STEP_AFTER,
            _TARGET.c.review_id.in_(earlier),
            _TARGET.c.from_date.not_in(phases),
        )
    )


async def _drop_deficits(scope: Scope, athlete_id: uuid.UUID, effect: Effect) -> list[dict[str, Any]]:
    """Cuts that were to begin later, and later targets below those that the decision sets, are taken back."""
    on = effect.effective_on
    cuts = (_PHASE.c.athlete_id == athlete_id, _PHASE.c.starts_on > on, _PHASE.c.kind == "cut")
    phases = await scope.all(Phase, scope.select(Phase).where(*cuts).order_by(_PHASE.c.starts_on))
    await scope.run(scope.delete(Phase).where(*cuts))
    taken_back = [_taken_back("phase", phase.starts_on, phase.energy_kcal) for phase in phases]
    if effect.targets is not None:
        below = _TARGET.c.energy_kcal < effect.targets.energy_kcal
        later = (_TARGET.c.athlete_id == athlete_id, _TARGET.c.from_date > on, below)
        targets = await scope.all(Target, scope.select(Target).where(*later).order_by(_TARGET.c.from_date))
        await scope.run(scope.delete(Target).where(*later))
        taken_back += [_taken_back("targets", row.from_date, row.energy_kcal) for row in targets]
    return taken_back


def _taken_back(what: str, from_date: date, energy_kcal: float | None) -> dict[str, Any]:
    return {"what": what, "from_date": str(from_date), "energy_kcal": energy_kcal}


async def in_force(scope: Scope, athlete_id: uuid.UUID, targets: TargetsPlan) -> bool:
    """Whether the athlete has these very targets already on their first day."""
    begun = scope.select(Target).where(_TARGET.c.athlete_id == athlete_id, _TARGET.c.from_date <= targets.from_date)
    latest = await scope.one(Target, begun.order_by(_TARGET.c.from_date.desc()).limit(1))
    return latest is not None and targets.holds_in(TargetsPlan.of(latest))
