"""A licensed professional's clearances: what they open, and for how long."""

from datetime import date

from service.domain.evidence import Clearance, Evidence, Scope
from service.domain.policy import Policy

CLEARANCE = ("clearance_valid_days",)


def clearance(evidence: Evidence, policy: Policy, scope: Scope, since: date | None) -> Clearance | None:
    """The newest valid clearance of a scope, given not before `since` and not after the review date; None without."""
    clearances = evidence.screening.clearances if evidence.screening else ()
    valid = [
        c
        for c in clearances
        if c.scope == scope
        and 0 <= (evidence.as_of - c.on).days <= policy.clearance_valid_days
        and (since is None or c.on >= since)
    ]
    return max(valid, key=lambda c: (c.on, c.by), default=None)
