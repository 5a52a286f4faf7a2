"""The document of a review: what is known, what was found, what is recommended, what is predicted."""

from datetime import date, timedelta
from typing import Any

from service.application.evidence.review_documents import (
    ChangedSince,
    EstimatesDocument,
    LiftDocument,
    PhaseDocument,
    ReviewDocument,
    Score,
)
from service.application.review.case import Case
from service.application.review.decided import decision_body
from service.application.review.digest import ENGINE_VERSION
from service.application.review.prediction import prediction_of, shown_band
from service.application.training import prescriptions
from service.application.training.care import care_on
from service.application.training.training_plans import days_of, gym_of
from service.catalogue.sentences import render
from service.domain.evidence import Evidence, PhaseNow
from service.domain.policy import Policy
from service.domain.rules.data_rules import average_of
from service.domain.rules.findings import Action
from service.domain.rules.targets import fat_mass_kg


def iso_week(day: date) -> str:
    """The ISO 8601 week of a date, e.g. 2026-W53 for 2027-01-01."""
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02d}"


def document_of(case: Case, score: Score | None, changed: ChangedSince | None, inputs_digest: str) -> ReviewDocument:
    """What is kept and shown of a review."""
    evidence = case.evidence
    decided = decision_body(case.decision, evidence.as_of)
    return ReviewDocument(
        week=iso_week(evidence.as_of),
        as_of=evidence.as_of.isoformat(),
        phase=_phase(evidence.phase) if evidence.phase else None,
        estimates=_estimates(evidence, case.policy.policy),
        findings=decided["findings"],
        recommendation={**decided["recommendation"], "prescriptions": _prescriptions(case)},
        overridden=decided["overridden"],
        caution=decided["caution"],
        prediction=prediction_of(case),
        score=score,
        changed_since=changed,
        policy=case.policy.named,
        engine_version=ENGINE_VERSION,
        inputs_digest=inputs_digest,
    )


def _phase(phase: PhaseNow) -> PhaseDocument:
    return PhaseDocument(
        kind=phase.kind,
        day=phase.day,
        starts_on=phase.starts_on.isoformat(),
        planned_end_on=phase.planned_end_on.isoformat() if phase.planned_end_on else None,
    )


def _estimates(evidence: Evidence, policy: Policy) -> EstimatesDocument:
    fat_kg, average = fat_mass_kg(evidence), average_of(evidence, policy)
    return EstimatesDocument(
        average_mass_kg=shown_band(evidence.average_mass_kg, 2),
        average_mass_of=None if average is None else render(average),
        rate_pct_per_week=shown_band(evidence.rate_pct_per_week, 3),
        tissue_rate_pct_per_week=shown_band(evidence.tissue_rate_pct_per_week, 3),
        maintenance_kcal=shown_band(evidence.maintenance_kcal, 0),
        energy_requirement_kcal=shown_band(evidence.energy_requirement_kcal, 0),
        body_fat_pct=shown_band(evidence.body_fat_pct, 1),
        fat_mass_kg=None if fat_kg is None else round(fat_kg, 1),
        probability={
            "not_in_deficit": evidence.probability_not_in_deficit,
            "strength_lost": evidence.strength_lost,
        },
        strength={
            lift.exercise: LiftDocument(
                one_rep_max_kg=shown_band(lift.one_rep_max_kg, 1),
                probability_lost=lift.probability_lost,
                probability_rising=lift.probability_rising,
            )
            for lift in evidence.lifts
        },
    )


def _prescriptions(case: Case) -> list[dict[str, Any]]:
    """What to lift in the coming week, day by day of the plan, or as trained of late."""
    notes, on = case.notes, case.evidence.as_of + timedelta(days=1)
    plan = case.roster.plan(case.athlete.id, case.evidence.as_of)
    trainee = prescriptions.Trainee(
        sessions=notes.sessions,
        evidence=case.evidence,
        policy=case.policy.policy,
        gate=case.decision.gate,
        gym=gym_of(plan),
        maxima={lift.exercise: lift.one_rep_max_kg for lift in case.evidence.lifts},
        deload_week=(
            prescriptions.is_deload_week(notes.deloads, on) or case.decision.recommendation.action is Action.DELOAD
        ),
        care=care_on(case.athlete, case.roster.lifts.get(case.athlete.id, {}), on, case.policy.policy),
    )
    week = prescriptions.coming_week(None if plan is None else days_of(plan), notes.sessions, on)
    return [
        prescriptions.body(asked, day.name)
        for day in week
        for asked in prescriptions.prescriptions(day.exercises, trainee, on)
    ]
