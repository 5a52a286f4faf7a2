"""The nightly check-in: missing data, a phase about to end, red flags; and the order of the coach's attention."""

from dataclasses import dataclass

from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.rules import phase_rules, safety_rules
from service.domain.rules.data_rules import SUSPECT_ENTRIES, maintenance_well_known
from service.domain.rules.findings import Finding, Severity, Stage, Verdict
from service.domain.rules.phases import last_day
from service.domain.rules.rule import Rule
from service.domain.sentence import Sentence, say

RULE = {rule.code: rule for rule in phase_rules.RULES}


def _no_weigh_in(evidence: Evidence, policy: Policy) -> Verdict | None:
    days, most = evidence.log.days_since_weigh_in, policy.check_in_no_weigh_in_days
    if days is None:
        return Verdict(say("check_in.no_weigh_in_ever"), {"days": None})
    if days < most:
        return None
    return Verdict(say("check_in.no_weigh_in", days=days), {"days": days, "days_overdue": days - most})


def _no_food(evidence: Evidence, policy: Policy) -> Verdict | None:
    days, most = evidence.log.days_since_food, policy.check_in_no_food_days
    if maintenance_well_known(evidence, policy) and evidence.log.complete_food_days_7_d > 0:
        return None  # sparse logging is enough while maintenance is well known
    if days is None:
        return Verdict(say("check_in.no_food_ever"), {"days": None})
    if days < most:
        return None
    return Verdict(say("check_in.no_food", days=days), {"days": days, "days_overdue": days - most})


def _missed_sessions(evidence: Evidence, policy: Policy) -> Verdict | None:
    missed = evidence.log.sessions_missed_7_d
    if missed is None or missed < policy.check_in_missed_sessions:
        return None
    return Verdict(say("check_in.missed_sessions", missed=missed), {"missed": missed})


def _old_measurement(evidence: Evidence, policy: Policy) -> Verdict | None:
    days, most = evidence.log.days_since_measurement, policy.check_in_measurement_days
    if days is None:
        return Verdict(say("check_in.no_measurement_ever"), {"days": None})
    if days <= most:
        return None
    return Verdict(say("check_in.old_measurement", days=days), {"days": days, "days_overdue": days - most})


def _phase_ending(evidence: Evidence, policy: Policy) -> Verdict | None:
    now, end = evidence.phase, last_day(evidence, policy)
    if now is None or now.planned_end_on is None or end is None or _goes_on(evidence, policy):
        return None
    if now.kind != "cut":  # the longest cut is kept, a longer rest or build may be planned
        end = max(end, now.planned_end_on)
    left = (end - evidence.as_of).days
    if left > policy.check_in_phase_ending_days:
        return None
    statement = say("check_in.phase_ends_today", phase=now.kind, last_day=end)
    if left != 0:
        when = "phase_ends_in" if left > 0 else "phase_was_to_end"
        statement = say(f"check_in.{when}", phase=now.kind, days=abs(left), last_day=end)
    return Verdict(statement, {"days_left": left, "days_overdue": max(0, -left)})


def _goes_on(evidence: Evidence, policy: Policy) -> bool:
    """Whether a review would let maintenance go on past its planned end: the goal is kept, or rest is not over."""
    return any(RULE[code].judge(evidence, policy) is not None for code in ("goal.kept", "phase.extended"))


_ADVICE, _INFO, _D = Severity.ADVICE, Severity.INFO, Stage.DATA

RULES: tuple[Rule, ...] = (
    SUSPECT_ENTRIES,
    Rule(
        "check_in.no_weigh_in",
        _D,
        _ADVICE,
        None,
        ("check_in_no_weigh_in_days",),
        _no_weigh_in,
    ),
    Rule(
        "check_in.no_food",
        _D,
        _ADVICE,
        None,
        ("check_in_no_food_days", "maintenance_interval_pct"),
        _no_food,
    ),
    Rule(
        "check_in.phase_ending",
        Stage.PHASE,
        _ADVICE,
        None,
        ("check_in_phase_ending_days", "cut_max_days", "build_min_days", *phase_rules.GOAL, *phase_rules.REST),
        _phase_ending,
    ),
    Rule(
        "check_in.missed_sessions",
        Stage.TRAINING,
        _ADVICE,
        None,
        ("check_in_missed_sessions",),
        _missed_sessions,
    ),
    Rule(
        "check_in.old_measurement",
        _D,
        _INFO,
        None,
        ("check_in_measurement_days",),
        _old_measurement,
    ),
)
RED_FLAGS = tuple(rule for rule in safety_rules.RULES if rule.severity in (Severity.STOP, Severity.WARNING))

HAS_NEXT = frozenset(  # findings that have a next thing to do of their own; what to do of others is what they state
    {
        "loss.ceiling",
        "loss.unexplained",
        "floor.body_fat",
        "floor.bmi",
        "safety.pain",
        "safety.pain_stopped",
        "safety.pain_held",
        "safety.restricted",
        "safety.nerve_signs",
        "safety.readiness",
        "limit.energy_floor",
        "limit.deficit",
        "floor.recover",
        "safety.symptom_noted",
        "safety.bmi_low",
        "safety.eats_below_floor",
        "safety.energy_availability",
        "safety.other_glucose_medication",
        "screening.unanswered",
        "data.suspect_entries",
        "data.unit_unconfirmed",
        "data.no_estimate",
        "data.no_weigh_in_lately",
        "data.few_weigh_ins",
        "data.few_food_days",
        "phase.none",
        "wellbeing.strain",
        "energy.unset",
        "energy.strain",
        "energy.target_fits",
        "energy.ask_for_logs",
        "energy.under_reported",
        "check_in.no_weigh_in",
        "check_in.no_food",
        "check_in.phase_ending",
        "check_in.missed_sessions",
        "check_in.old_measurement",
    }
)


@dataclass(frozen=True)
class Attention:
    """Why an athlete needs the coach: the gravest finding, all reasons, the next thing to do, and how overdue it is."""

    severity: Severity
    code: str
    next: Sentence
    days_overdue: int
    codes: tuple[str, ...]

    def order(self, athlete: str) -> tuple[int, int, str]:
        """A sort key: gravest first, then most overdue, then by the athlete's identifier for a stable order."""
        return -self.severity.rank, -self.days_overdue, athlete


MISSING = frozenset(  # what is not there: of an athlete who was taken on today it may be on its way
    {"check_in.no_weigh_in", "check_in.no_food", "check_in.missed_sessions", "check_in.old_measurement"}
)


def check_in(evidence: Evidence, policy: Policy, *, first_day: bool = False) -> tuple[Finding, ...]:
    """What a check of one athlete finds: red flags, doubts, missing data, the phase's end, sessions, measurement.

    Parameters: `evidence` and `policy`, as of a review; `first_day`, whether the athlete was taken on today: then
    nothing is said to be missing yet.
    """
    rules = [rule for rule in (*RED_FLAGS, *RULES) if not (first_day and rule.code in MISSING)]
    return tuple(finding for rule in rules if (finding := rule(evidence, policy)) is not None)


def attention(findings: tuple[Finding, ...]) -> Attention | None:
    """What a list of findings asks of the coach, None when there are none; also for a review's findings.

    Parameters: `findings`, in the order in which they were made; the first of the gravest leads.
    """
    if not findings:
        return None
    first = max(findings, key=lambda finding: finding.severity.rank)
    pressing = [f for f in findings if f.severity is not Severity.INFO] or findings
    overdue = max(int(f.evidence.get("days_overdue") or 0) for f in pressing)
    return Attention(first.severity, first.code, _next(first), overdue, tuple(f.code for f in findings))


def _next(leading: Finding) -> Sentence:
    if leading.code in HAS_NEXT:
        return say(f"next.{leading.code}")
    return say("next.refer") if leading.code.startswith("safety.") else leading.statement
