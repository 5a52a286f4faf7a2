"""The weekly review: evidence of an athlete as of a date, the rules' decision, and the document that shows both.

`evidence_across` says what is known; the domain's `decide` does the rest. The same inputs, policy and engine version
give the same document, byte for byte.
"""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import partial
from typing import Any, cast

import orjson

from service.application.evidence.gather import OfPractice, RosterEvidence, evidence_across
from service.application.evidence.outlooks import outlooks
from service.application.evidence.review_documents import ReviewDocument, Score
from service.application.review.case import Case
from service.application.review.digest import inputs_digest
from service.application.review.document import document_of, iso_week
from service.application.review.late_entries import Replaced, compared_with, days_compared, moved_by_late_entries
from service.application.review.prediction import next_week_mass_kg
from service.application.review.reasons import CheckInFindings, check_in_body, gravest, review_body
from service.application.review.score import score_prediction
from service.domain.rules.arbiter import decide
from service.domain.rules.data_rules import maintenance_well_known
from service.store.scope import Scope, table_of
from service.store.shared_writer import aside
from service.store.tables import Athlete, Review


@dataclass(frozen=True)
class Result:
    """A review that was made: for whom, its document, and what the attention list sorts by."""

    athlete_id: uuid.UUID
    week: str
    as_of: date
    document: ReviewDocument
    action: str
    severity: int
    attention: dict[str, Any] | None
    score: Score | None
    inputs_digest: str
    inputs_revision: int = field(compare=False)  # of the athlete's row that it was made from: says nothing itself
    check_in: CheckInFindings  # of the same day


async def make_reviews(scope: Scope, athletes: Sequence[Athlete], as_of: date) -> list[Result]:
    """Review some athletes of a practice as of a local date; nothing is stored.

    Parameters
    ----------
    scope : Scope
        The practice.
    athletes : sequence of rows of `athlete`
        Whom.
    as_of : date
        The last day that counts.

    Returns
    -------
    list of Result
        In the order of the athletes.
    """
    return await make_reviews_across([(scope, athletes)], as_of)


async def make_reviews_across(groups: Sequence[OfPractice], as_of: date) -> list[Result]:
    """The same of athletes of several practices, estimated in one pass; in their order."""
    replaced: dict[uuid.UUID, ReviewDocument] = {}
    for scope, athletes in groups:
        replaced |= await _out_of_date(scope, [athlete.id for athlete in athletes], as_of)
    batches = await evidence_across(groups, [as_of], estimates_on=partial(days_compared, replaced))

    def review() -> dict[uuid.UUID, Result]:
        return {result.athlete_id: result for batch in batches for result in review_roster(batch, replaced)}

    results = await aside(review)
    return [results[athlete.id] for _, athletes in groups for athlete in athletes]


async def _out_of_date(scope: Scope, ids: Sequence[uuid.UUID], as_of: date) -> Replaced:
    """The open reviews of a day whose inputs have changed since, by athlete: a review made now replaces them."""
    review = table_of(Review)
    stale = scope.select(review.c.athlete_id, review.c.document, of=[Review]).where(
        review.c.athlete_id.in_(ids), review.c.as_of == as_of, review.c.state == "open", review.c.stale.is_(True)
    )
    return {row.athlete_id: cast(ReviewDocument, row.document) for row in await scope.rows(stale)}


def review_roster(batch: RosterEvidence, replaced: Replaced | None = None) -> list[Result]:
    """Review a roster on its last day: the domain's work, without any I/O.

    `replaced` are the reviews of the same day that these will replace: they say what has changed since.
    """
    return [_result(case) for case in _cases(batch, replaced or {})]


def _cases(batch: RosterEvidence, replaced: Replaced) -> list[Case]:
    roster, estimates = batch.roster, batch.estimates
    policies = [batch.policies[athlete.id] for athlete in roster.athletes]
    notes = [batch.notes[athlete.id, roster.to] for athlete in roster.athletes]
    evidence = [batch.evidence[athlete.id, roster.to] for athlete in roster.athletes]
    unsure = [
        index for index, policy in enumerate(policies) if not maintenance_well_known(evidence[index], policy.policy)
    ]
    for index, ahead in zip(unsure, outlooks(roster, estimates, unsure), strict=True):
        evidence[index] = replace(evidence[index], outlook=ahead)
    decisions = [decide(*pair) for pair in zip(evidence, (policy.policy for policy in policies), strict=True)]
    next_mass_kg = next_week_mass_kg(roster, estimates, evidence, decisions)
    return [
        Case(
            roster=roster,
            estimates=estimates,
            index=index,
            notes=notes[index],
            evidence=evidence[index],
            policy=policies[index],
            decision=decisions[index],
            next_mass_kg=next_mass_kg,
            compared=compared_with(replaced.get(athlete.id), notes[index].reviews),
        )
        for index, athlete in enumerate(roster.athletes)
    ]


def _result(case: Case) -> Result:
    evidence, findings = case.evidence, case.decision.findings
    score = score_prediction(evidence, case.notes.reviews)
    changed = moved_by_late_entries(case)
    digest = inputs_digest(case, score, changed)
    return Result(
        athlete_id=case.athlete.id,
        week=iso_week(evidence.as_of),
        as_of=evidence.as_of,
        document=orjson.loads(orjson.dumps(document_of(case, score, changed, digest))),
        action=case.decision.recommendation.action.value,
        severity=gravest(findings),
        attention=review_body(case.decision, evidence.as_of),
        score=score,
        inputs_digest=digest,
        inputs_revision=case.athlete.inputs_revision,
        check_in=check_in_body(evidence, case.policy.policy),
    )
