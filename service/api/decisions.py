"""Decisions over HTTP: the coach's answer to a review, and what it set in motion."""

import uuid
from datetime import date, datetime
from typing import Annotated, Any, Literal, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from service.api.http.fields import Acknowledged, Answer, Body, Date, Note, Number, fault
from service.application.plan.decisions import Changes, CoachDecision
from service.application.plan.effects import PhaseStart
from service.domain.evidence import Kind
from service.store.tables import Decision


class PhaseChangeBody(Body):
    """Another phase than the one recommended."""

    to: Kind
    on: Date
    planned_end_on: Date | None = None

    @field_validator("planned_end_on")
    @classmethod
    def _ends_after_start(cls, end: date | None, info: ValidationInfo) -> date | None:
        if end is not None and "on" in info.data and end < info.data["on"]:
            raise fault("ends_before_start", "planned_end_on lies before on")
        return end


class ChangesBody(Body):
    """What the coach does differently; a phase without an energy gets the energy that it needs."""

    energy_kcal: Annotated[Number, Field(ge=500, le=10000)] | None = None
    phase: PhaseChangeBody | None = None

    @model_validator(mode="after")
    def _changes_something(self) -> Self:
        if self.energy_kcal is None and self.phase is None:
            raise fault("nothing_changed", "say an energy_kcal, a phase or both")
        return self

    def changes(self) -> Changes:
        """What the coach does differently."""
        phase = self.phase
        begins = None if phase is None else PhaseStart(phase.to, phase.on, phase.planned_end_on)
        return Changes(self.energy_kcal, begins)


class DecisionBody(Body):
    """The coach's answer."""

    decision: Literal["accepted", "amended", "declined"]
    changes: ChangesBody | None = None
    acknowledge: Acknowledged = Field(default_factory=list)
    note: Note | None = None

    @model_validator(mode="after")
    def _changes_go_with_amended(self) -> Self:
        if (self.decision == "amended") != (self.changes is not None):
            raise fault("changes", "`changes` go with the decision `amended`, and with no other")
        return self

    def said(self) -> CoachDecision:
        """The answer that the body gives."""
        changes = None if self.changes is None else self.changes.changes()
        return CoachDecision(self.decision, changes, tuple(self.acknowledge), self.note)


class TakenBack(Answer):
    """A deficit planned for later that a decision took back."""

    what: str = Field(examples=["phase", "targets"], description="a cut, or targets")
    from_date: date
    energy_kcal: float | None


class DecisionAnswer(Answer):
    """A decision and what it set in motion."""

    id: uuid.UUID
    review_id: uuid.UUID
    decision: str
    changes: dict[str, Any] | None
    acknowledge: list[str]
    note: str | None
    key_id: uuid.UUID
    decided_at: datetime
    effective_on: date | None
    targets: dict[str, Any] | None
    phase: dict[str, Any] | None
    next_targets: dict[str, Any] | None = Field(
        None, description="targets of a second step, from their own date: a return to maintenance in two steps"
    )
    taken_back: list[TakenBack] = Field(
        default_factory=list, description="deficits planned for later that end too, where one is stopped or referred"
    )


def shown(decision: Decision) -> DecisionAnswer:
    """A stored decision with its effect."""
    names = DecisionAnswer.model_fields.keys() & Decision.model_fields.keys()
    said = {name: getattr(decision, name) for name in names}
    return DecisionAnswer.model_validate(said | (decision.effect or {}))
