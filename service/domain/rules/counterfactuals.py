"""What would have to be different for another recommendation: the evidence moved past its thresholds, judged again."""

from datetime import timedelta

from service.domain.evidence import Evidence, Kind, moved
from service.domain.policy import Policy
from service.domain.rules.energy_step import rate_edges
from service.domain.rules.findings import PHASE_WORDS, Action, Finding, Move, mean_at
from service.domain.rules.gate import gate
from service.domain.rules.phases import estimated_at_goal, last_day
from service.domain.rules.proposals import Proposal, propose
from service.domain.rules.rulebook import RULE, judge
from service.domain.wording import number

MOST_REASONS_IN_TURN = 4  # how often the reasons of a proposal are moved away to see what then comes


def would_change_if(
    findings: tuple[Finding, ...], evidence: Evidence, policy: Policy, proposal: Proposal
) -> tuple[str, ...]:
    """What would have to be different, and what would then be recommended, in words; empty where nothing simple would.

    The reasons of the proposal are moved past their thresholds. Where the same is then proposed for other reasons,
    those are moved too, up to four times. Parameters: `findings` and `proposal`, those of `evidence`.
    """
    if proposal.action is Action.HOLD and all(RULE[code].supports_hold for code in proposal.because):
        return _would_act_if(evidence, policy)
    there, conditions, current = evidence, dict[str, None](), proposal
    for _ in range(MOST_REASONS_IN_TURN):
        reasons = [finding for finding in findings if finding.code in current.reasons]
        if not reasons or any(finding.would_change is None for finding in reasons):
            return ()
        conditions.update(dict.fromkeys(finding.would_change or "" for finding in reasons))
        if current.action is Action.REFER or not all(finding.moves for finding in reasons):
            return (f"would be judged anew if {' and '.join(conditions)}",)
        for move in (move for finding in reasons for move in finding.moves):
            there = moved(there, move.path, move.past)
        findings = judge(there, policy)
        current = propose(findings, there, policy, gate(there, policy))
        if _outcome(current) != _outcome(proposal):
            return (f"would {_words(current)} if {' and '.join(conditions)}",)
    return ()


def _outcome(proposal: Proposal) -> tuple[Action, float | None, Kind | None]:
    return proposal.action, proposal.energy_kcal, proposal.phase.to if proposal.phase else None


def _words(proposal: Proposal) -> str:
    return {
        Action.HOLD: "hold",
        Action.CHANGE_ENERGY: f"change energy to {number(proposal.energy_kcal or 0.0)} kcal",
        Action.SWITCH_PHASE: f"switch to {proposal.phase.to if proposal.phase else 'another phase'}",
        Action.DELOAD: "deload",
        Action.COLLECT_DATA: "ask for data",
        Action.STOP_DEFICIT: "stop the deficit",
        Action.REFER: "refer",
    }[proposal.action]


def _proposed_after(move: Move, evidence: Evidence, policy: Policy) -> Proposal:
    there = moved(evidence, move.path, move.past)
    return propose(judge(there, policy), there, policy, gate(there, policy))


def _would_act_if(evidence: Evidence, policy: Policy) -> tuple[str, ...]:
    """On a hold: what the rules say when the rate is moved just past where energy would move, and the phase's end."""
    sentences = []
    name = "tissue_rate_pct_per_week" if evidence.tissue_rate_pct_per_week is not None else "rate_pct_per_week"
    for mean, side in rate_edges(evidence, policy):
        move = Move(f"{name}.mean", mean, side)
        after = _proposed_after(move, evidence, policy)
        if after.action is not Action.HOLD:
            sentences.append(f"would {_words(after)} if {move.text}")
    now, end = evidence.phase, last_day(evidence, policy)
    if now is None:
        sentences.append("would be judged anew if a phase were set")
    elif now.kind == "maintain" and estimated_at_goal(evidence, policy):
        sentences += _would_leave_goal_if(evidence, policy)
    elif end is not None and end > evidence.as_of:
        sentences.append(f"would end the {PHASE_WORDS[now.kind]} with its last day, {end}")
    elif now.kind == "maintain" and end is not None:  # it goes on, for a reason
        longest = now.starts_on + timedelta(days=policy.maintain_max_days - 1)
        sentences.append(f"would end the maintenance by {longest} at the latest")
    return tuple(sentences)


def _would_leave_goal_if(evidence: Evidence, policy: Policy) -> list[str]:
    """In maintenance at the goal: the body fat above which the next phase is recommended, where rest is over."""
    fat, goal = evidence.body_fat_pct, evidence.athlete.goal_body_fat_pct
    if fat is None or goal is None:
        return []
    move = Move("body_fat_pct.mean", mean_at(goal, fat.sd, policy.goal_probability, "below"), "above")
    after = _proposed_after(move, evidence, policy)
    if after.action is Action.SWITCH_PHASE:
        return [f"would {_words(after)} if {move.text}"]
    end = last_day(evidence, policy)
    later = end is not None and end > evidence.as_of  # at the goal it goes on past its last day
    return [f"would end the maintenance with its last day, {end}, if {move.text} by then"] if later else []
