"""Why findings need the coach, as the attention list keeps it."""

from collections.abc import Sequence
from datetime import date
from typing import Any, TypedDict

from service.catalogue.sentences import render
from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.rules.arbiter import Decision
from service.domain.rules.checkin import PHASE_ENDING, check_in, requests
from service.domain.rules.findings import Finding, Severity

ENDING = ("phase", "last_day")  # kept of a phase that ends: how soon depends on the day on which it is read


class CheckInFindings(TypedDict):
    """What a check-in keeps of an athlete; `holding` are the codes of all red flags and requests that hold."""

    severity: int
    attention: dict[str, Any] | None
    holding: list[str]


def review_body(decision: Decision, on: date) -> dict[str, Any] | None:
    """Why a review needs the coach, as the attention list keeps it; None when it does not.

    What the recommendation overrides is not said beside it, unless it stops something.
    """
    overridden = {weaker.code for weaker in decision.overridden}
    said = [f for f in decision.findings if f.severity is Severity.STOP or f.code not in overridden]
    return _body([finding for finding in said if finding.severity is not Severity.INFO], on)


def check_in_body(evidence: Evidence, policy: Policy, *, first_day: bool = False) -> CheckInFindings:
    """What a check-in keeps of an athlete: all that it finds is meant to be seen; `first_day` as of `check_in`."""
    findings = check_in(evidence, policy, first_day=first_day)
    holding = {*(finding.code for finding in findings), *requests(evidence, policy)}
    return CheckInFindings(
        severity=gravest(findings), attention=_body(findings, evidence.as_of), holding=sorted(holding)
    )


def _body(findings: Sequence[Finding], on: date) -> dict[str, Any] | None:
    """Findings of a day as the attention list keeps them, None where there are none.

    With the days that the most overdue of them is overdue; what only informs counts where nothing else is said.
    """
    if not findings:
        return None
    pressing = [finding for finding in findings if finding.severity is not Severity.INFO] or findings
    reasons = [
        {
            "code": finding.code,
            "severity": finding.severity.value,
            "statement": render(finding.statement, on=on),
            **({name: finding.evidence[name] for name in ENDING} if finding.code == PHASE_ENDING else {}),
        }
        for finding in findings
    ]
    overdue = max(int(finding.evidence.get("days_overdue") or 0) for finding in pressing)
    return {"days_overdue": overdue, "reasons": reasons}


def gravest(findings: Sequence[Finding]) -> int:
    """The rank of the gravest severity, that of an information where there are none."""
    return max((finding.severity.rank for finding in findings), default=Severity.INFO.rank)
