"""The rule about a goal as it is set: what it would take, with a warning where it is out of reach. It stops nothing."""

from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.rules.findings import Severity, Stage, Verdict
from service.domain.rules.goal import GOAL_CHECK, check_goal
from service.domain.rules.phase_rules import GOAL
from service.domain.rules.phases import goal_reached
from service.domain.rules.rule import Rule


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
    return Verdict(check.statement, said, severity=Severity.WARNING if check.possible is False else None)


RULES: tuple[Rule, ...] = (
    Rule("goal.check", Stage.PHASE, Severity.INFO, None, (*GOAL, *GOAL_CHECK), _check),  # out of reach: a warning
)
