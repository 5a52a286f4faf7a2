"""What the rules decided, in words, as a review shows it."""

from datetime import date
from typing import Any

from service.catalogue.sentences import render
from service.domain.rules.arbiter import Decision, Recommendation, targets_body
from service.domain.rules.findings import Finding, Severity
from service.domain.sentence import say


def decision_body(decision: Decision, on: date) -> dict[str, Any]:
    """Findings, recommendation, what was overridden and the caution, said on a day.

    The caution stands once, where something is stopped or a professional is to decide; else it is None.
    """
    stops = any(finding.severity is Severity.STOP for finding in decision.findings)
    return {
        "findings": [finding_body(finding, on) for finding in decision.findings],
        "recommendation": _recommendation(decision.recommendation, on),
        "overridden": [{"code": weaker.code, "why": render(weaker.why, on=on)} for weaker in decision.overridden],
        "caution": render(say("caution")) if stops else None,
    }


def finding_body(finding: Finding, on: date) -> dict[str, Any]:
    """A finding as a plain record, said on a day."""
    return {
        "code": finding.code,
        "severity": finding.severity.value,
        "sentence": finding.statement.id,
        "statement": render(finding.statement, on=on),
        "evidence": dict(finding.evidence),
        "source": finding.source,
        "would_change": finding.would_change and render(finding.would_change, on=on),
    }


def _recommendation(asked: Recommendation, on: date) -> dict[str, Any]:
    phase = asked.phase
    return {
        "action": asked.action.value,
        "energy_kcal": {"from": asked.energy_from_kcal, "to": asked.energy_to_kcal},
        "targets": None if asked.targets is None else targets_body(asked.targets),
        "phase": phase and {"to": phase.to, "on": str(phase.on), "planned_end_on": str(phase.planned_end_on)},
        "because": list(asked.because),
        "would_change_if": [render(sentence, on=on) for sentence in asked.would_change_if],
    }
