"""Why findings need the coach, as the attention list keeps it."""

from collections.abc import Sequence
from datetime import date
from typing import Any, TypedDict

from service.catalogue.sentences import render
from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.rules.checkin import attention, check_in
from service.domain.rules.findings import Finding, Severity


class CheckInFindings(TypedDict):
    """What a check-in keeps of an athlete."""

    severity: int
    attention: dict[str, Any] | None


def attention_body(findings: Sequence[Finding], on: date, least: Severity = Severity.ADVICE) -> dict[str, Any] | None:
    """Why the findings of a day need the coach and what to do next, as the attention list keeps it; None when not."""
    grave = tuple(finding for finding in findings if finding.severity.rank >= least.rank)
    wanted = attention(grave)
    if wanted is None:
        return None
    reasons = [
        {
            "code": finding.code,
            "severity": finding.severity.value,
            "statement": render(finding.statement, on=on),
        }
        for finding in grave
    ]
    return {"next": render(wanted.next, on=on), "days_overdue": wanted.days_overdue, "reasons": reasons}


def check_in_body(evidence: Evidence, policy: Policy, *, first_day: bool = False) -> CheckInFindings:
    """What a check-in keeps of an athlete: all that it finds is meant to be seen; `first_day` as of `check_in`."""
    findings = check_in(evidence, policy, first_day=first_day)
    return CheckInFindings(
        severity=gravest(findings), attention=attention_body(findings, evidence.as_of, least=Severity.INFO)
    )


def gravest(findings: Sequence[Finding]) -> int:
    """The rank of the gravest severity, that of an information where there are none."""
    return max((finding.severity.rank for finding in findings), default=Severity.INFO.rank)
