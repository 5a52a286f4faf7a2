"""All rules of a review in one ordered list: safety, then data, phase, energy, training."""

from typing import Any

from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.rules import (
    checkin,
    data_rules,
    energy_rules,
    goal_rules,
    phase_rules,
    rate_rules,
    safety_rules,
    training_rules,
)
from service.domain.rules.findings import Finding
from service.domain.rules.rule import Rule

RULES: tuple[Rule, ...] = (
    *safety_rules.RULES,
    *data_rules.RULES,
    *phase_rules.RULES,
    *goal_rules.RULES,
    *energy_rules.RULES,
    *rate_rules.RULES,
    *training_rules.RULES,
)
RULE = {rule.code: rule for rule in RULES}
_DECIDING = tuple(rule for rule in RULES if rule.has_a_say)
EVERY_RULE = tuple({rule.code: rule for rule in (*RULES, *checkin.RULES)}.values())  # the check-in has some of its own


def judge(evidence: Evidence, policy: Policy) -> tuple[Finding, ...]:
    """The findings of all rules, in the rules' order."""
    return tuple(finding for rule in RULES if (finding := rule(evidence, policy)) is not None)


def judge_to_decide(evidence: Evidence, policy: Policy) -> tuple[Finding, ...]:
    """The same without what only informs: all that a proposal is made of."""
    return tuple(finding for rule in _DECIDING if (finding := rule(evidence, policy)) is not None)


def describe_rules() -> list[dict[str, Any]]:
    """Every rule as a plain record: a review's in the order in which they are heard, then the check-in's own."""
    return [rule.description() for rule in EVERY_RULE]
