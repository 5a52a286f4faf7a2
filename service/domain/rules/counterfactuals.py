"""What would have to be different for another recommendation: the evidence moved past its thresholds, judged again."""

from datetime import timedelta

from service.domain.evidence import Evidence, Kind, moved
from service.domain.policy import Policy
from service.domain.rules.energy_step import in_first_days, rate_edges
from service.domain.rules.findings import Action, Finding, Move, mean_at
from service.domain.rules.gate import gate
from service.domain.rules.phases import estimated_at_goal, last_day
from service.domain.rules.proposals import Proposal, propose
from service.domain.rules.rulebook import RULE, judge_to_decide
from service.domain.sentence import Sentence, say

MOST_REASONS_IN_TURN = 4  # how often the reasons of a proposal are moved away to see what then comes


def would_change_if(
    findings: tuple[Finding, ...], evidence: Evidence, policy: Policy, proposal: Proposal
) -> tuple[Sentence, ...]:
    """What would have to be different, and what would then be recommended, in words; empty where nothing simple would.

    The reasons of the proposal are moved past their thresholds. Where the same is then proposed for other reasons,
    those are moved too, up to four times. Parameters: `findings` and `proposal`, those of `evidence`.
    """
    if proposal.action is Action.HOLD and all(RULE[code].supports_hold for code in proposal.because):
        return _would_act_if(evidence, policy)
    there, current = evidence, proposal
    conditions: dict[object, Sentence] = {}  # of a number that is moved twice, the later
    for _ in range(MOST_REASONS_IN_TURN):
        reasons = [finding for finding in findings if finding.code in current.reasons]
        if not reasons or not all(finding.conditions for finding in reasons):
            return ()
        conditions |= {(need.id if of.moves else need): need for of in reasons for need in of.conditions}
        if current.action is Action.REFER or not all(finding.moves for finding in reasons):
            return (say("advice.judged_anew", conditions=tuple(conditions.values())),)
        for move in (move for finding in reasons for move in finding.moves):
            there = moved(there, move.path, move.past)
        findings = judge_to_decide(there, policy)
        current = propose(findings, there, policy, gate(there, policy))
        if _outcome(current) != _outcome(proposal):
            return (_would(current, *conditions.values()),)
    return ()


def _outcome(proposal: Proposal) -> tuple[Action, float | None, Kind | None]:
    return proposal.action, proposal.energy_kcal, proposal.phase.to if proposal.phase else None


def _would(proposal: Proposal, *conditions: Sentence) -> Sentence:
    """Another recommendation, and what it would take."""
    outcome = {
        Action.CHANGE_ENERGY: say("advice.change_energy", energy_kcal=proposal.energy_kcal),
        Action.SWITCH_PHASE: say("advice.switch_phase", phase=proposal.phase.to if proposal.phase else None),
    }.get(proposal.action, say(f"advice.{proposal.action.value}"))
    return say("advice.would", outcome=outcome, conditions=conditions)


def _proposed_after(move: Move, evidence: Evidence, policy: Policy) -> Proposal:
    there = moved(evidence, move.path, move.past)
    return propose(judge_to_decide(there, policy), there, policy, gate(there, policy))


def _would_act_if(evidence: Evidence, policy: Policy) -> tuple[Sentence, ...]:
    """On a hold: what the rules say when the rate is moved just past where energy would move, and the phase's end."""
    sentences = []
    name = "tissue_rate_pct_per_week" if evidence.tissue_rate_pct_per_week is not None else "rate_pct_per_week"
    for mean, side in rate_edges(evidence, policy):
        move = Move(f"{name}.mean", mean, side)
        after = _proposed_after(move, evidence, policy)
        if after.action is not Action.HOLD:
            sentences.append(_would(after, move.sentence))
    now, end = evidence.phase, last_day(evidence, policy)
    if in_first_days(evidence, policy):
        first_days = Move("phase.day", policy.energy_quiet_days, "above")
        sentences.append(say("advice.judged_anew", conditions=(first_days.sentence,)))
    if now is None:
        sentences.append(say("advice.judged_anew", conditions=(say("once.phase_is_set"),)))
    elif now.kind == "maintain" and estimated_at_goal(evidence, policy):
        sentences += _would_leave_goal_if(evidence, policy)
    elif end is not None and end > evidence.as_of:
        sentences.append(say("advice.ends_on", phase=now.kind, last_day=end))
    elif now.kind == "maintain" and end is not None:  # it goes on, for a reason
        longest = now.starts_on + timedelta(days=policy.maintain_max_days - 1)
        sentences.append(say("advice.ends_by", phase=now.kind, last_day=longest))
    return tuple(sentences)


def _would_leave_goal_if(evidence: Evidence, policy: Policy) -> list[Sentence]:
    """In maintenance at the goal: the body fat above which the next phase is recommended, where rest is over."""
    fat, goal = evidence.body_fat_pct, evidence.athlete.goal_body_fat_pct
    if fat is None or goal is None:
        return []
    move = Move("body_fat_pct.mean", mean_at(goal, fat.sd, policy.goal_probability, "below"), "above")
    after = _proposed_after(move, evidence, policy)
    if after.action is Action.SWITCH_PHASE:
        return [_would(after, move.sentence)]
    now, end = evidence.phase, last_day(evidence, policy)
    if now is not None and end is not None and end <= evidence.as_of:  # past its last day it waits for rest, at most
        end = now.starts_on + timedelta(days=policy.maintain_max_days - 1)
    later = end is not None and end > evidence.as_of  # at the goal it goes on past that
    return [say("advice.ends_on_if", phase="maintain", last_day=end, condition=move.sentence)] if later else []
