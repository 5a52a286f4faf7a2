"""Who needs the coach: open recommendations to decide, findings of the night, work that failed; in order."""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

from sqlalchemy import Select, Table

from service.catalogue.sentences import render
from service.domain.rules import data_rules, energy_rules
from service.domain.rules.checkin import HAS_NEXT
from service.domain.rules.findings import Action, Severity
from service.domain.sentence import say
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, CheckIn, JobFailure, Review

_ATHLETE, _REVIEW = table_of(Athlete), table_of(Review)
_CHECK_IN, _FAILURE = table_of(CheckIn), table_of(JobFailure)

_DECIDE = {  # actions with a decision of their own to take
    "change_energy": say("decide.change_energy"),
    "switch_phase": say("decide.switch_phase"),
    "deload": say("decide.deload"),
}
FAILED = {"weekly_review": "job.weekly_review", "check_in": "job.check_in"}  # the sentence, by job
_ASKS = {
    rule.code for rule in (*data_rules.RULES, *energy_rules.RULES) if rule.action is Action.COLLECT_DATA
} & HAS_NEXT

_OF_SEVERITY = tuple(Severity)  # by rank
Source = Literal["review", "check_in", "job"]


class Reason(NamedTuple):
    """One thing that needs the coach, and who found it."""

    source: Source
    code: str
    severity: str
    statement: str


class AthleteToSee(NamedTuple):
    """One athlete who needs the coach: the gravest severity's rank, what to do next, what there is to decide, why."""

    athlete_id: uuid.UUID
    external_id: str
    name: str | None
    rank: int
    next: str
    days_overdue: int
    review_id: uuid.UUID | None
    action: str | None
    reasons: Sequence[Reason]

    @property
    def severity(self) -> Severity:
        """The gravest severity of the reasons' sources."""
        return _OF_SEVERITY[self.rank]

    def order(self) -> tuple[int, int, str]:
        """Gravest first, then most overdue; the athlete's name in the practice makes it one order."""
        return -self.rank, -self.days_overdue, self.external_id


async def attention_list(scope: Scope, only: uuid.UUID | None = None) -> list[AthleteToSee]:
    """Everybody of a practice (or one athlete) who needs the coach, in order."""
    needs: dict[uuid.UUID, _Needs] = defaultdict(_Needs)

    def of(statement: Select[Any], table: Table) -> Select[Any]:
        return statement if only is None else statement.where(table.c.athlete_id == only)

    for failure in await scope.all(JobFailure, of(scope.select(JobFailure), _FAILURE)):
        needs[failure.athlete_id].add_failure(failure)
    night = scope.select(_CHECK_IN.c.athlete_id, _CHECK_IN.c.severity, _CHECK_IN.c.attention, of=[CheckIn])
    for row in await scope.rows(of(night, _CHECK_IN).where(_CHECK_IN.c.attention.is_not(None))):
        needs[row.athlete_id].add_night(_Night._make(row))
    columns = (_REVIEW.c.id, _REVIEW.c.athlete_id, _REVIEW.c.severity, _REVIEW.c.action, _REVIEW.c.attention)
    to_decide = scope.select(*columns, of=[Review]).where(_REVIEW.c.state == "open")
    for row in await scope.rows(of(to_decide, _REVIEW).order_by(_REVIEW.c.as_of)):
        if row.action != "hold" or row.attention is not None:
            needs[row.athlete_id].add_review(_OpenReview._make(row))
    if not needs:
        return []
    athletes = scope.select(_ATHLETE.c.id, _ATHLETE.c.external_id, _ATHLETE.c.name, of=[Athlete])
    athletes_to_see = [
        needs[row.id].listed(row.id, row.external_id, row.name)
        for row in await scope.rows(athletes if only is None else athletes.where(_ATHLETE.c.id == only))
        if row.id in needs
    ]
    return sorted(athletes_to_see, key=AthleteToSee.order)


class _Night(NamedTuple):
    """What the check-in of a night keeps for this list."""

    athlete_id: uuid.UUID
    severity: int
    attention: Mapping[str, Any]


class _OpenReview(NamedTuple):
    """What an open review keeps for this list."""

    id: uuid.UUID
    athlete_id: uuid.UUID
    severity: int
    action: str
    attention: Mapping[str, Any] | None


class _Kept(NamedTuple):
    """Why a source wants the athlete seen, as its `attention` column keeps it."""

    next: str
    days_overdue: int
    reasons: list[Reason]


def _kept(source: Source, attention: Mapping[str, Any]) -> _Kept:
    reasons = [
        Reason(source, reason["code"], reason["severity"], reason["statement"]) for reason in attention["reasons"]
    ]
    return _Kept(attention["next"], attention["days_overdue"], reasons)


@dataclass
class _Needs:
    """What is known of one athlete who needs the coach, from all sources."""

    rank: int = 0
    next: str = ""
    days_overdue: int = 0
    review_id: uuid.UUID | None = None
    action: str | None = None
    reasons: list[Reason] = field(default_factory=list)

    def add(self, rank: int, advice: str, days_overdue: int, reasons: list[Reason], decides: bool = False) -> None:
        """Add reasons; the gravest source says what to do next, among equals a decision; each code stands once.

        What is only informed about presses nobody: its days count where there is nothing graver.
        """
        quiet, silent = Severity.INFO.rank, not self.next
        if silent or rank > self.rank or (decides and rank == self.rank):
            self.next = advice
        if silent or (rank > quiet and self.rank == quiet):
            self.days_overdue = days_overdue
        elif rank > quiet or self.rank == quiet:
            self.days_overdue = max(self.days_overdue, days_overdue)
        self.rank = max(self.rank, rank)
        known = {reason.code for reason in self.reasons}
        self.reasons += [reason for reason in reasons if reason.code not in known]

    def add_failure(self, failure: JobFailure) -> None:
        """Add work of this athlete that could not be done."""
        statement = render(say(FAILED[failure.job], attempts=failure.attempts))
        reason = Reason("job", f"job.{failure.job}", Severity.WARNING.value, statement)
        self.add(Severity.WARNING.rank, render(say("job.retried")), 0, [reason])

    def add_night(self, night: _Night) -> None:
        """Add what the check-in of the night found."""
        kept = _kept("check_in", night.attention)
        self.add(night.severity, kept.next, kept.days_overdue, kept.reasons)

    def add_review(self, review: _OpenReview) -> None:
        """Add an open review: its action is what there is to decide, what stops a deficit or a lift goes before."""
        self.review_id, self.action = review.id, review.action
        kept = _kept("review", review.attention) if review.attention else _Kept(render(say("decide.open")), 0, [])
        decides = review.action != "hold" and review.severity < Severity.STOP.rank
        advice = render(_DECIDE[review.action]) if decides and review.action in _DECIDE else kept.next
        if review.action == "collect_data":
            asked = [render(say(f"next.{reason.code}")) for reason in kept.reasons if reason.code in _ASKS]
            advice = next(iter(asked), advice)
        self.add(review.severity, advice, kept.days_overdue, kept.reasons, decides)

    def listed(self, athlete_id: uuid.UUID, external_id: str, name: str | None) -> AthleteToSee:
        """As an item of the list."""
        return AthleteToSee(
            athlete_id, external_id, name, self.rank, self.next, self.days_overdue, self.review_id, self.action,
            self.reasons,
        )  # fmt: skip
