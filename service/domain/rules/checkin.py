"""The check-in: missing data, a phase about to end, red flags; and what to do next about a finding."""

from datetime import date

from service.domain.evidence import Evidence, Kind
from service.domain.policy import Policy
from service.domain.rules import data_rules, energy_rules, phase_rules, safety_rules
from service.domain.rules.data_rules import SUSPECT_ENTRIES, maintenance_well_known
from service.domain.rules.findings import Action, Finding, Severity, Stage, Verdict
from service.domain.rules.phases import last_day
from service.domain.rules.rule import Rule
from service.domain.rules.screening import UNSCREENED
from service.domain.sentence import Sentence, say

RULE = {rule.code: rule for rule in phase_rules.RULES}
NO_TARGETS = "check_in.no_targets"
PHASE_ENDING = "check_in.phase_ending"


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
    days = evidence.log.days_since_measurement
    most = policy.cut_measurement_every_days if evidence.kind == "cut" else policy.measurement_every_days
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
    facts = {"days_left": left, "days_overdue": max(0, -left), "phase": now.kind, "last_day": str(end)}
    return Verdict(phase_ending(now.kind, end, evidence.as_of), facts)


def phase_ending(phase: Kind, last_day: date, on: date) -> Sentence:
    """That a phase ends or was to end, as it is said on a day."""
    left = (last_day - on).days
    if left == 0:
        return say("check_in.phase_ends_today", phase=phase, last_day=last_day)
    when = "phase_ends_in" if left > 0 else "phase_was_to_end"
    return say(f"check_in.{when}", phase=phase, days=abs(left), last_day=last_day)


def _no_targets(evidence: Evidence, policy: Policy) -> Verdict | None:
    if evidence.kind is None or evidence.energy_kcal is not None or evidence.average_mass_kg is None:
        return None
    return Verdict(say("check_in.no_targets", phase=evidence.kind), {})


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
    Rule(NO_TARGETS, Stage.ENERGY, _ADVICE, None, (), _no_targets),
    Rule(
        PHASE_ENDING,
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
        ("measurement_every_days", "cut_measurement_every_days"),
        _old_measurement,
    ),
)
RED_FLAGS = tuple(rule for rule in safety_rules.RULES if rule.severity in (Severity.STOP, Severity.WARNING))

REQUESTS = tuple(
    rule
    for rule in (*safety_rules.RULES, *data_rules.RULES, *phase_rules.RULES, *energy_rules.RULES)
    if rule.code in (UNSCREENED, SUSPECT_ENTRIES.code, "phase.none", "energy.unset")
    or (rule.stage is Stage.DATA and rule.action is Action.COLLECT_DATA)
)
LEFT_TO_REVIEWS = frozenset(  # what follows from maintenance is said once a week
    {"limit.deficit", "floor.recover", NO_TARGETS}
)

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
        "safety.symptoms",
        "safety.nerve_signs",
        "safety.readiness",
        "limit.energy_floor",
        "limit.deficit",
        "floor.recover",
        "safety.symptom_noted",
        "safety.bmi_low",
        "safety.eats_below_floor",
        "safety.energy_availability",
        "safety.period_late",
        "safety.other_glucose_medication",
        "screening.unanswered",
        "data.suspect_entries",
        "data.unit_unconfirmed",
        "data.no_estimate",
        "data.no_weigh_in_lately",
        "data.few_weigh_ins",
        "data.few_food_days",
        "goal.check",
        "goal.reached",
        "phase.none",
        "wellbeing.strain",
        "energy.unset",
        "energy.strain",
        "energy.target_fits",
        "energy.ask_for_logs",
        "energy.under_reported",
        "check_in.no_weigh_in",
        "check_in.no_food",
        "check_in.no_targets",
        "check_in.phase_ending",
        "check_in.missed_sessions",
        "check_in.old_measurement",
    }
)


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


def requests(evidence: Evidence, policy: Policy) -> tuple[str, ...]:
    """The codes of what is asked for and not there: as soon as entries answer it, it is asked no more."""
    return tuple(rule.code for rule in REQUESTS if rule.judge(evidence, policy) is not None)


def next_step(code: str) -> Sentence | None:
    """What to do about a finding; None where that is what it states."""
    if code in HAS_NEXT:
        return say(f"next.{code}")
    return say("next.refer") if code.startswith("safety.") else None
