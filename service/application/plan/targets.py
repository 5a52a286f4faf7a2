"""Putting targets into an athlete's plan: what is to be eaten from a date on."""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from service.application.log.stale import mark_stale
from service.domain import evidence as ev
from service.domain.rules.timeline import Planned
from service.errors import PreconditionFailed
from service.store.scope import Scope, table_of
from service.store.tables import Target

_TARGET = table_of(Target)
_GRAMS = ("protein_g", "fat_g", "carbohydrate_g", "fibre_g")


@dataclass(frozen=True)
class Composition:
    """What the energy of a day is made of and when it is eaten; None for what is not said."""

    protein_g: float | None
    fat_g: float | None
    carbohydrate_g: float | None
    fibre_g: float | None
    meals: tuple[ev.Meal, ...] | None
    eating_window: ev.EatingWindow | None


@dataclass(frozen=True)
class TargetsPlan:
    """What is to be eaten from a date on; without a `composition` that of the targets of the same date stays."""

    from_date: date
    energy_kcal: float
    composition: Composition | None = None

    @classmethod
    def of(cls, targets: Target) -> "TargetsPlan":
        """Stored targets."""
        names = (*_GRAMS, "meals", "eating_window")
        return cls(targets.from_date, targets.energy_kcal, _composition({n: getattr(targets, n) for n in names}))

    @classmethod
    def read(cls, from_date: date, document: Mapping[str, Any]) -> "TargetsPlan":
        """Targets as bodies, reviews and stored decisions write them (`document`)."""
        return cls(from_date, document["energy_kcal"], _composition(document) if "meals" in document else None)

    def document(self) -> dict[str, Any]:
        """The targets as a plain record, without their date; its names are columns of the table."""
        said = self.composition
        if said is None:
            return {"energy_kcal": self.energy_kcal}
        window = said.eating_window
        return {
            "energy_kcal": self.energy_kcal,
            **{name: getattr(said, name) for name in _GRAMS},
            "meals": None if said.meals is None else [dict(vars(meal)) for meal in said.meals],
            "eating_window": None if window is None else {"from": window.start, "to": window.end},
        }

    def grams(self) -> dict[str, float | None] | None:
        """Macronutrients and energy; None where no protein is set, of which alone there is something to say."""
        said = self.composition
        if said is None or said.protein_g is None:
            return None
        return {
            "protein_g": said.protein_g,
            "carbohydrate_g": said.carbohydrate_g,
            "fat_g": said.fat_g,
            "energy_kcal": self.energy_kcal,
        }

    def step(self, key: uuid.UUID | None = None) -> Planned:
        """The targets as a step of the plan; `key`, which row they are, None for new ones."""
        window = self.composition is not None and self.composition.eating_window is not None
        return Planned(key, self.from_date, self.energy_kcal, window=window)

    def without_window(self) -> "TargetsPlan":
        """The same without an eating window."""
        said = self.composition
        return self if said is None else replace(self, composition=replace(said, eating_window=None))

    def holds_in(self, stored: "TargetsPlan") -> bool:
        """Whether stored targets, of whatever date, are what this says already."""
        return self.energy_kcal == stored.energy_kcal and self.composition in (None, stored.composition)


def _composition(document: Mapping[str, Any]) -> Composition:
    meals, window = document["meals"], document["eating_window"]
    return Composition(
        **{name: document[name] for name in _GRAMS},
        meals=None if meals is None else tuple(ev.Meal(**meal) for meal in meals),
        eating_window=None if window is None else ev.EatingWindow(window["from"], window["to"]),
    )


async def put_targets(
    scope: Scope, athlete_id: uuid.UUID, plan: TargetsPlan, review_id: uuid.UUID | None = None
) -> Target:
    """Store targets from a date on, in place of those of the same date.

    Parameters
    ----------
    scope : Scope
        The practice.
    athlete_id : UUID
        Whose.
    plan : TargetsPlan
        What is to be eaten.
    review_id : UUID
        The review on which it was decided, if any.
    """
    of_the_day = scope.select(Target).where(_TARGET.c.athlete_id == athlete_id, _TARGET.c.from_date == plan.from_date)
    stored = await scope.one(Target, of_the_day)
    if stored is not None:
        if plan.holds_in(TargetsPlan.of(stored)) and review_id in (None, stored.review_id):
            return stored
        return await revise_targets(scope, stored, plan, review_id)
    values = {**plan.document(), "from_date": plan.from_date, "review_id": review_id}
    targets = Target(practice_id=scope.practice_id, athlete_id=athlete_id, updated_at=scope.now(), **values)
    await scope.insert(Target, [targets.model_dump()])
    await mark_stale(scope, {(athlete_id, plan.from_date)})
    return targets


async def revise_targets(scope: Scope, stored: Target, plan: TargetsPlan, review_id: uuid.UUID | None = None) -> Target:
    """Make stored targets what the plan says; without a `review_id` the one that they came from stays.

    Raises
    ------
    PreconditionFailed
        If somebody else changed them since they were read.
    """
    values = {
        **plan.document(),
        "from_date": plan.from_date,
        "revision": stored.revision + 1,
        "updated_at": scope.now(),
    }
    if review_id is not None:
        values["review_id"] = review_id
    same = scope.update(Target).where(_TARGET.c.id == stored.id, _TARGET.c.revision == stored.revision)
    changed = await scope.one(Target, same.values(**values).returning(_TARGET))
    if changed is None:
        raise PreconditionFailed()
    await mark_stale(scope, {(stored.athlete_id, min(stored.from_date, plan.from_date))})
    return changed


async def targets_on(
    scope: Scope, athlete_id: uuid.UUID, evidence: ev.Evidence, days: Sequence[date]
) -> list[ev.Targets | None]:
    """The targets in force on some days from the evidence's on, oldest first; None where nothing is to be eaten yet."""
    planned = scope.select(Target).where(
        _TARGET.c.athlete_id == athlete_id, _TARGET.c.from_date > evidence.as_of, _TARGET.c.from_date <= days[-1]
    )
    steps = await scope.all(Target, planned.order_by(_TARGET.c.from_date))
    begun = [[step for step in steps if step.from_date <= day] for day in days]
    return [_of_a_day(then[-1]) if then else evidence.targets for then in begun]


async def targets_begin(scope: Scope, athlete_id: uuid.UUID, after: date) -> date | None:
    """The first day after one from which targets are planned, None where none are."""
    planned = scope.select(Target).where(_TARGET.c.athlete_id == athlete_id, _TARGET.c.from_date > after)
    first = await scope.one(Target, planned.order_by(_TARGET.c.from_date).limit(1))
    return None if first is None else first.from_date


def _of_a_day(targets: Target) -> ev.Targets:
    return ev.Targets(
        targets.energy_kcal,
        **{name: getattr(targets, name) for name in _GRAMS},
        meals=tuple(ev.Meal(**meal) for meal in targets.meals or ()),
    )
