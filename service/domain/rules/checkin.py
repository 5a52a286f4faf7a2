"""The nightly check-in: missing data, a phase about to end, red flags; and the order of the coach's attention."""

from dataclasses import dataclass

from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.rules import phase_rules, safety_rules
from service.domain.rules.data_rules import SUSPECT_ENTRIES, maintenance_well_known
from service.domain.rules.findings import Finding, Severity, Stage, Verdict
from service.domain.rules.phases import last_day
from service.domain.rules.rule import Rule

RULE = {rule.code: rule for rule in phase_rules.RULES}


def _no_weigh_in(evidence: Evidence, policy: Policy) -> Verdict | None:
    days, most = evidence.log.days_since_weigh_in, policy.check_in_no_weigh_in_days
    if days is None:
        return Verdict("No weigh-in yet.", {"days": None})
    if days < most:
        return None
    return Verdict(f"No weigh-in for {days} days.", {"days": days, "days_overdue": days - most})


def _no_food(evidence: Evidence, policy: Policy) -> Verdict | None:
    days, most = evidence.log.days_since_food, policy.check_in_no_food_days
    if maintenance_well_known(evidence, policy) and evidence.log.complete_food_days_7_d > 0:
        return None  # sparse logging is enough while maintenance is well known
    if days is None:
        return Verdict("No food log yet.", {"days": None})
    if days < most:
        return None
    return Verdict(f"No food log for {days} days.", {"days": days, "days_overdue": days - most})


def _missed_sessions(evidence: Evidence, policy: Policy) -> Verdict | None:
    missed = evidence.log.sessions_missed_7_d
    if missed is None or missed < policy.check_in_missed_sessions:
        return None
    plural = "" if missed == 1 else "s"
    return Verdict(f"{missed} session{plural} fewer than usual in the last 7 days.", {"missed": missed})


def _old_measurement(evidence: Evidence, policy: Policy) -> Verdict | None:
    days, most = evidence.log.days_since_measurement, policy.check_in_measurement_days
    if days is None:
        return Verdict("No body-fat measurement yet.", {"days": None})
    if days <= most:
        return None
    words = f"The last body-fat measurement is {days} days old."
    return Verdict(words, {"days": days, "days_overdue": days - most})


def _phase_ending(evidence: Evidence, policy: Policy) -> Verdict | None:
    now, end = evidence.phase, last_day(evidence, policy)
    if now is None or now.planned_end_on is None or end is None or _goes_on(evidence, policy):
        return None
    if now.kind != "cut":  # the longest cut is kept, a longer rest or build may be planned
        end = max(end, now.planned_end_on)
    left = (end - evidence.as_of).days
    if left > policy.check_in_phase_ending_days:
        return None
    when = f"ends in {left} days" if left > 0 else "ends today" if left == 0 else f"was to end {-left} days ago"
    name = "maintenance" if now.kind == "maintain" else f"the {now.kind}"
    numbers = {"days_left": left, "days_overdue": max(0, -left)}
    return Verdict(f"{name[0].upper()}{name[1:]} {when} ({end}).", numbers)


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
        "Did the athlete weigh in lately?",
        ("check_in_no_weigh_in_days",),
        _no_weigh_in,
    ),
    Rule(
        "check_in.no_food",
        _D,
        _ADVICE,
        None,
        "Was food logged lately?",
        ("check_in_no_food_days", "maintenance_interval_pct"),
        _no_food,
    ),
    Rule(
        "check_in.phase_ending",
        Stage.PHASE,
        _ADVICE,
        None,
        "Is the phase about to end?",
        ("check_in_phase_ending_days", "cut_max_days", "build_min_days", *phase_rules.GOAL, *phase_rules.REST),
        _phase_ending,
    ),
    Rule(
        "check_in.missed_sessions",
        Stage.TRAINING,
        _ADVICE,
        None,
        "Were there fewer sessions than usual?",
        ("check_in_missed_sessions",),
        _missed_sessions,
    ),
    Rule(
        "check_in.old_measurement",
        _D,
        _INFO,
        None,
        "Is the last measurement recent?",
        ("check_in_measurement_days",),
        _old_measurement,
    ),
)
RED_FLAGS = tuple(rule for rule in safety_rules.RULES if rule.severity in (Severity.STOP, Severity.WARNING))

NEXT = {  # the one next thing to do, by finding; of others, what they state
    "loss.ceiling": "Return energy to maintenance today and speak to the athlete.",
    "loss.unexplained": "Refer to a licensed professional; speak to the athlete about eating.",
    "floor.body_fat": "Return energy to maintenance and speak to the athlete.",
    "floor.bmi": "Return energy to maintenance and speak to the athlete.",
    "safety.pain": "Take the lift out and have the pain looked at by a licensed professional.",
    "limit.energy_floor": "Raise the target to the floor.",
    "limit.deficit": "Make the deficit smaller.",
    "floor.recover": "Raise energy and speak to the athlete about eating.",
    "safety.symptom_noted": "Ask the athlete how they are; hold energy and loads.",
    "safety.bmi_low": "Speak to the athlete about eating more.",
    "safety.eats_below_floor": "Ask the athlete to eat the target.",
    "safety.energy_availability": "Ask about mood, infections, injuries and, in women, menses; refer when in doubt.",
    "safety.other_glucose_medication": "Make sure that the prescriber of the medication knows of the deficit.",
    "screening.unanswered": "Have the screening questions answered.",
    "data.suspect_entries": "Confirm or correct the doubted entries.",
    "data.no_estimate": "Ask for weigh-ins and complete food days.",
    "data.no_weigh_in_lately": "Ask for a weigh-in tomorrow morning.",
    "data.few_weigh_ins": "Ask for weigh-ins on most mornings.",
    "data.few_food_days": "Ask for complete food days.",
    "phase.none": "Set a phase with a planned end.",
    "wellbeing.strain": "Ask the athlete how the cut feels.",
    "energy.unset": "Set an energy target.",
    "energy.strain": "Ask the athlete how the cut feels; no deeper deficit now.",
    "energy.target_fits": "Help the athlete to follow the target.",
    "energy.ask_for_logs": "Ask for a whole week of complete food days.",
    "energy.under_reported": "Ask what is missing from the food log.",
    "check_in.no_weigh_in": "Ask for a weigh-in tomorrow morning.",
    "check_in.no_food": "Ask for a complete food day.",
    "check_in.phase_ending": "Decide on the next phase.",
    "check_in.missed_sessions": "Ask what kept the athlete from training.",
    "check_in.old_measurement": "Ask for a body-fat measurement.",
}
_REFER_NEXT = "Refer to a licensed professional; no deficit or added load before a clearance."


@dataclass(frozen=True)
class Attention:
    """Why an athlete needs the coach: the gravest finding, all reasons, the next thing to do, and how overdue it is."""

    severity: Severity
    code: str
    next: str
    days_overdue: int
    codes: tuple[str, ...]

    def order(self, athlete: str) -> tuple[int, int, str]:
        """A sort key: gravest first, then most overdue, then by the athlete's identifier for a stable order."""
        return -self.severity.rank, -self.days_overdue, athlete


def check_in(evidence: Evidence, policy: Policy) -> tuple[Finding, ...]:
    """The night's findings for one athlete: red flags, doubts, missing data, the phase's end, sessions, measurement."""
    rules = (*RED_FLAGS, *RULES)
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
    fallback = _REFER_NEXT if first.code.startswith("safety.") else first.statement
    return Attention(
        first.severity, first.code, NEXT.get(first.code, fallback), overdue, tuple(f.code for f in findings)
    )
