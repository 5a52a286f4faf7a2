"""The rule about a goal as it is set: what it would take, and whether it is out of reach. It stops nothing."""

from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.rules.findings import Severity, Stage, Verdict
from service.domain.rules.goal import GOAL_CHECK, GoalCheck, check_goal
from service.domain.rules.phase_rules import GOAL
from service.domain.rules.phases import goal_reached
from service.domain.rules.rule import Rule

CODE = "goal.check"


def _check(evidence: Evidence, policy: Policy) -> Verdict | None:
    if evidence.kind in ("cut", "maintain") and goal_reached(evidence, policy):
        return None  # other rules say so
    check = check_goal(evidence, policy)
    if check is None:
        return None
    by, way = evidence.athlete.goal_by, check.way
    numbers = {
        "status": check.status,
        "goal_pct": evidence.athlete.goal_body_fat_pct,
        "by": by and str(by),
        "needed_pct_per_week": check.needed_pct_per_week,
        "fastest_pct_per_week": way and way.fastest_pct_per_week,
        "lose_kg": way and way.lose_kg,
        "earliest_on": way and str(way.earliest_on),
    }
    said = {name: value for name, value in numbers.items() if value is not None}
    return Verdict(check.statement, said, severity=_severity(evidence, check))


def _severity(evidence: Evidence, check: GoalCheck) -> Severity | None:
    """Out of reach it is a warning, of a date alone advice, at first; it is only told again in the weeks after."""
    if check.possible is not False or any(CODE in review.pressing for review in evidence.history.reviews):
        return None
    return Severity.ADVICE if check.status in ("too_soon", "date_passed") else Severity.WARNING


RULES: tuple[Rule, ...] = (Rule(CODE, Stage.PHASE, Severity.INFO, None, (*GOAL, *GOAL_CHECK), _check),)
