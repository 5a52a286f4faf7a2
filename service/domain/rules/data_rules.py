"""The rules about data: is there enough to judge, and what exactly would help most?"""

from dataclasses import asdict
from typing import Any

from service.domain.evidence import Evidence
from service.domain.normal import Z90
from service.domain.nutrition.logging_need import ALL, LOGGING_NEED, logging_need
from service.domain.policy import Policy
from service.domain.rules.findings import Action, Move, Severity, Stage, Verdict
from service.domain.rules.rule import Rule
from service.domain.sentence import Sentence, say

NEARLY_ALL = 2  # days of 14 that may be missing from a log that is as good as complete; common practice, no source


def maintenance_half_width_pct(evidence: Evidence) -> float | None:
    """Half of the 90 % interval of logged-scale maintenance, percent of its mean; None when unknown."""
    q = evidence.maintenance_kcal
    return None if q is None else q.half_width_pct


def maintenance_well_known(evidence: Evidence, policy: Policy) -> bool:
    """Whether the maintenance interval is narrow enough for sparse food logging."""
    half = maintenance_half_width_pct(evidence)
    return half is not None and half <= policy.maintenance_interval_pct


def by_equations(evidence: Evidence, policy: Policy) -> bool:
    """Whether maintenance still rests on equations of the profile: its interval is about as wide as theirs."""
    half = maintenance_half_width_pct(evidence)
    return half is None or half > policy.maintenance_by_equations_pct


def average_of(evidence: Evidence, policy: Policy) -> Sentence | None:
    """How many weigh-ins the average mass is of, where they are few; None where they are enough, or none of late."""
    count = evidence.log.weigh_ins_14_d
    return say("data.average_of", count=count) if 0 < count < policy.weigh_ins_min_14_d else None


def _suspect_entries(evidence: Evidence, policy: Policy) -> Verdict | None:
    suspects = evidence.log.suspect_28_d
    if not suspects:
        return None
    parts = tuple(
        say(f"data.suspect.{d.kind}", count=d.count, looks=say(f"data.looks.{d.reason}", count=d.count))
        for d in suspects
    )
    numbers = {"suspect_28_d": sum(d.count for d in suspects), "reasons": [asdict(d) for d in suspects]}
    return Verdict(say("data.suspect_entries", entries=parts), numbers, condition=say("once.doubts_are_settled"))


def _unit_unconfirmed(evidence: Evidence, policy: Policy) -> Verdict | None:
    unit = evidence.log.unit_unconfirmed
    if unit is None:
        return None
    statement = say(f"data.unit_unconfirmed.{unit.reason}", mass_kg=unit.mass_kg, other_kg=unit.other_kg)
    return Verdict(statement, asdict(unit), condition=say("once.unit_is_confirmed"))


def _stale(evidence: Evidence, policy: Policy) -> Verdict | None:
    days = evidence.log.days_since_weigh_in
    if days is None:
        numbers = {"days_since_weigh_in": None}
        return Verdict(say("data.no_weigh_in_ever"), numbers, condition=say("once.there_are_weigh_ins"))
    if days <= policy.weigh_in_max_age_days:
        return None
    move = Move("log.days_since_weigh_in", policy.weigh_in_max_age_days, "at_most")
    return Verdict(say("data.no_weigh_in_lately", days=days), {"days_since_weigh_in": days}, (move,))


def _few_weigh_ins(evidence: Evidence, policy: Policy) -> Verdict | None:
    count, least = evidence.log.weigh_ins_14_d, policy.weigh_ins_min_14_d
    if not _weigh_ins_are_few(evidence, policy):
        return None
    some = say("data.only_weigh_ins", count=count) if count else say("data.no_weigh_ins")
    narrowing = _worth_asking(evidence) if _weigh_ins_first(evidence, policy) else None
    statement = say("data.few_weigh_ins", some=some, least=least, narrowing=narrowing)
    numbers = {"weigh_ins_14_d": count, **_ahead(evidence)}
    return Verdict(statement, numbers, (Move("log.weigh_ins_14_d", least, "at_least"),))


def _few_food_days(evidence: Evidence, policy: Policy) -> Verdict | None:
    count, least = evidence.log.complete_food_days_14_d, policy.food_days_min_14_d
    if not _food_days_are_few(evidence, policy):
        return None
    half = maintenance_half_width_pct(evidence)
    statement = say(
        "data.few_food_days",
        some=say("data.only_food_days", count=count) if count else say("data.no_food_days"),
        precision=say("data.not_known") if half is None else say("data.known_only_within", half_width_pct=half),
        least=least,
        narrowing=None if _weigh_ins_first(evidence, policy) else _worth_asking(evidence),
    )
    numbers = {"complete_food_days_14_d": count, "maintenance_half_width_pct": half, **_ahead(evidence)}
    return Verdict(statement, numbers, (Move("log.complete_food_days_14_d", least, "at_least"),))


def _weigh_ins_are_few(evidence: Evidence, policy: Policy) -> bool:
    log = evidence.log
    return log.days_since_weigh_in is not None and log.weigh_ins_14_d < policy.weigh_ins_min_14_d


def _food_days_are_few(evidence: Evidence, policy: Policy) -> bool:
    enough = evidence.log.complete_food_days_14_d >= policy.food_days_min_14_d
    return not enough and not maintenance_well_known(evidence, policy)


def _weigh_ins_first(evidence: Evidence, policy: Policy) -> bool:
    """Whether what would narrow maintenance most is said with too few weigh-ins, not with too few food days."""
    most = evidence.outlook is not None and evidence.outlook.would_narrow_most == "weigh_ins"
    return _weigh_ins_are_few(evidence, policy) and (most or not _food_days_are_few(evidence, policy))


def _ahead(evidence: Evidence) -> dict[str, Any]:
    """How sure maintenance would be after a while, as the evidence of a finding."""
    return {} if evidence.outlook is None else {"outlook": asdict(evidence.outlook)}


def _narrowing(evidence: Evidence) -> Sentence | None:
    """What exactly would narrow maintenance most, and to what: the filter's own numbers."""
    ahead = evidence.outlook
    if ahead is None or evidence.maintenance_kcal is None or evidence.maintenance_kcal.mean <= 0.0:
        return None
    mean = evidence.maintenance_kcal.mean
    spreads = (ahead.weighing_daily_kcal, ahead.logging_daily_kcal, ahead.both_daily_kcal, ahead.as_so_far_kcal)
    weighing, logging, both, so_far = (100.0 * Z90 * sd / mean for sd in spreads)
    if ahead.would_narrow_most is None:
        return say("data.would_hardly_narrow", so_far_pct=so_far, days=ahead.days)
    if ahead.would_narrow_most == "both":
        return say("data.both_would_narrow", both_pct=both, so_far_pct=so_far, days=ahead.days)
    return say(
        f"data.{ahead.would_narrow_most}_would_narrow",
        weighing_pct=weighing,
        logging_pct=logging,
        so_far_pct=so_far,
        days=ahead.days,
    )


def _worth_asking(evidence: Evidence) -> Sentence | None:
    """The same beside a call for data: left out where more data would bring next to nothing."""
    ahead = evidence.outlook
    return None if ahead is None or ahead.would_narrow_most is None else _narrowing(evidence)


def _no_estimate(evidence: Evidence, policy: Policy) -> Verdict | None:
    estimates = {
        "average_mass_kg": evidence.average_mass_kg,
        "rate_pct_per_week": evidence.rate,
        "maintenance_kcal": evidence.maintenance_kcal,
    }
    missing = tuple(name for name, estimate in estimates.items() if estimate is None)
    return Verdict(say("data.no_estimate", missing=missing), {"missing": missing}) if missing else None


def _wide(evidence: Evidence, policy: Policy) -> Verdict | None:
    half = maintenance_half_width_pct(evidence)
    if half is None or half <= policy.maintenance_interval_pct:
        return None
    if _weigh_ins_are_few(evidence, policy) or _food_days_are_few(evidence, policy):
        return None  # said there, with what is asked for
    log, outlook = evidence.log, evidence.outlook
    if outlook is not None:
        ahead = {"maintenance_half_width_pct": half, "ask_for": outlook.would_narrow_most, **_ahead(evidence)}
        return Verdict(say("data.wide_interval", half_width_pct=half, narrowing=_narrowing(evidence)), ahead)
    there = {"food_days": log.complete_food_days_14_d, "weigh_ins": log.weigh_ins_14_d}
    ask_for = min(there, key=lambda kind: there[kind])
    numbers: dict[str, Any] = {"maintenance_half_width_pct": half, "ask_for": None}
    if 14 - there[ask_for] <= NEARLY_ALL:
        return Verdict(say("data.wide_but_logged", half_width_pct=half), numbers)
    numbers["ask_for"] = ask_for
    return Verdict(say(f"data.wide_few_{ask_for}", half_width_pct=half, count=there[ask_for]), numbers)


def _may_log_less(evidence: Evidence, policy: Policy) -> Verdict | None:
    half, need = maintenance_half_width_pct(evidence), logging_need(evidence, policy, None)
    if half is None or half > policy.maintenance_interval_pct or need.complete_days_per_week == ALL:
        return None
    return Verdict(say("data.may_log_less", half_width_pct=half), {"maintenance_half_width_pct": half})


_D, _ADVICE = Stage.DATA, Severity.ADVICE
_FEW = ("weigh_ins_min_14_d", "food_days_min_14_d", "maintenance_interval_pct")

SUSPECT_ENTRIES = Rule("data.suspect_entries", _D, _ADVICE, None, (), _suspect_entries)

RULES: tuple[Rule, ...] = (
    SUSPECT_ENTRIES,
    Rule("data.unit_unconfirmed", _D, _ADVICE, Action.COLLECT_DATA, (), _unit_unconfirmed, delays_rise=True),
    Rule(
        "data.no_estimate",
        _D,
        _ADVICE,
        Action.COLLECT_DATA,
        (),
        _no_estimate,
        delays_rise=True,
    ),
    Rule(
        "data.no_weigh_in_lately",
        _D,
        _ADVICE,
        Action.COLLECT_DATA,
        ("weigh_in_max_age_days",),
        _stale,
        delays_rise=True,
    ),
    Rule(
        "data.few_weigh_ins",
        _D,
        _ADVICE,
        Action.COLLECT_DATA,
        _FEW,
        _few_weigh_ins,
        delays_rise=True,
    ),
    Rule(
        "data.few_food_days",
        _D,
        _ADVICE,
        Action.COLLECT_DATA,
        _FEW,
        _few_food_days,
        delays_rise=True,
    ),
    Rule(
        "data.wide_interval",
        _D,
        Severity.INFO,
        None,
        _FEW,
        _wide,
    ),
    Rule("data.may_log_less", _D, Severity.INFO, None, LOGGING_NEED, _may_log_less),
)
