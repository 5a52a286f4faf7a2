"""The rules about data: is there enough to judge, and what exactly would help most?"""

from dataclasses import asdict
from typing import Any

from service.domain.evidence import Evidence
from service.domain.normal import Z90
from service.domain.nutrition.logging_need import ALL, LOGGING_NEED, logging_need
from service.domain.policy import Policy
from service.domain.rules.findings import Action, Move, Severity, Stage, Verdict
from service.domain.rules.rule import Rule
from service.domain.wording import number

NEARLY_ALL = 2  # days of 14 that may be missing from a log that is as good as complete; common practice, no source


def maintenance_half_width_pct(evidence: Evidence) -> float | None:
    """Half of the 90 % interval of logged-scale maintenance, percent of its mean; None when unknown."""
    q = evidence.maintenance_kcal
    return None if q is None or q.mean <= 0.0 else 50.0 * (q.hi - q.lo) / q.mean


def maintenance_well_known(evidence: Evidence, policy: Policy) -> bool:
    """Whether the maintenance interval is narrow enough for sparse food logging."""
    half = maintenance_half_width_pct(evidence)
    return half is not None and half <= policy.maintenance_interval_pct


_LOOKS = {  # reason: how one and how several of them look
    "pounds_for_kilograms": ("looks like pounds", "look like pounds"),
    "kilograms_for_pounds": ("looks like kilograms sent as pounds", "look like kilograms sent as pounds"),
    "slipped_decimal": ("looks like a slipped decimal", "look like slipped decimals"),
    "implausible_jump": ("is far from the others", "are far from the others"),
    "implausible_value": ("is not plausible", "are not plausible"),
    "unknown_food": ("names an unknown food", "name unknown foods"),
}
_ENTRY = {"weigh_in": ("weigh-in", "weigh-ins"), "meal": ("meal", "meals")}


def _suspect_entries(evidence: Evidence, policy: Policy) -> Verdict | None:
    suspects = evidence.log.suspect_28_d
    if not suspects:
        return None
    parts = [f"{d.count} {_ENTRY[d.kind][d.count > 1]} {_LOOKS[d.reason][d.count > 1]}" for d in suspects]
    total = sum(d.count for d in suspects)
    words = f"{', '.join(parts)} (last 28 days): confirm or correct {'it' if total == 1 else 'them'}."
    numbers = {"suspect_28_d": total, "reasons": [asdict(d) for d in suspects]}
    return Verdict(words, numbers, condition="every doubted entry were confirmed or corrected")


def _stale(evidence: Evidence, policy: Policy) -> Verdict | None:
    days = evidence.log.days_since_weigh_in
    if days is None:
        return Verdict(
            "There is no weigh-in yet: weigh in on most mornings.",
            {"days_since_weigh_in": None},
            condition="there were weigh-ins",
        )
    if days <= policy.weigh_in_max_age_days:
        return None
    words = f"The last weigh-in is {days} days old: weigh in on most mornings of the coming week."
    move = Move("log.days_since_weigh_in", policy.weigh_in_max_age_days, "at_most")
    return Verdict(words, {"days_since_weigh_in": days}, (move,))


def _few_weigh_ins(evidence: Evidence, policy: Policy) -> Verdict | None:
    count, least = evidence.log.weigh_ins_14_d, policy.weigh_ins_min_14_d
    if count >= least:
        return None
    some = f"Only {count} weigh-in{'' if count == 1 else 's'}" if count else "No weigh-ins"
    words = f"{some} in the last 14 days, {least} are the least: weigh in on most mornings."
    numbers = {"weigh_ins_14_d": count, **_ahead(evidence)}
    return Verdict(words + _narrowing(evidence), numbers, (Move("log.weigh_ins_14_d", least, "at_least"),))


def _few_food_days(evidence: Evidence, policy: Policy) -> Verdict | None:
    count, least = evidence.log.complete_food_days_14_d, policy.food_days_min_14_d
    if count >= least or maintenance_well_known(evidence, policy):
        return None
    half = maintenance_half_width_pct(evidence)
    precision = "not known" if half is None else f"known only within ±{number(half)} %"
    some = f"Only {count} complete food day{'' if count == 1 else 's'}" if count else "No complete food days"
    words = (
        f"{some} in the last 14 while maintenance is {precision}: log at least {least} complete"
        " days in the next 14, weekdays and a weekend."
    )
    numbers = {"complete_food_days_14_d": count, "maintenance_half_width_pct": half, **_ahead(evidence)}
    return Verdict(words + _narrowing(evidence), numbers, (Move("log.complete_food_days_14_d", least, "at_least"),))


def _ahead(evidence: Evidence) -> dict[str, Any]:
    """How sure maintenance would be after a while, as the evidence of a finding."""
    return {} if evidence.outlook is None else {"outlook": asdict(evidence.outlook)}


def _narrowing(evidence: Evidence) -> str:
    """What exactly would narrow maintenance most, and to what: the filter's own numbers in words."""
    ahead = evidence.outlook
    if ahead is None or evidence.maintenance_kcal is None or evidence.maintenance_kcal.mean <= 0.0:
        return ""
    mean = evidence.maintenance_kcal.mean
    spreads = (ahead.weighing_daily_kcal, ahead.logging_daily_kcal, ahead.as_so_far_kcal)
    weighing, logging, so_far = (number(100.0 * Z90 * sd / mean, 1) for sd in spreads)
    if ahead.would_narrow_most is None:
        return f" More data would hardly narrow it: ±{so_far} % in {ahead.days} days as so far."
    if ahead.would_narrow_most == "food_days":
        best, other = f"Complete food days would narrow it most: to ±{logging} %", f"±{weighing} % with daily weigh-ins"
    else:
        best, other = f"Daily weigh-ins would narrow it most: to ±{weighing} %", f"±{logging} % with complete food days"
    return f" {best} in {ahead.days} days, against {other} and ±{so_far} % as so far."


def _no_estimate(evidence: Evidence, policy: Policy) -> Verdict | None:
    missing = [
        words
        for words, q in (
            ("average mass", evidence.average_mass_kg),
            ("rate of change", evidence.rate),
            ("maintenance energy", evidence.maintenance_kcal),
        )
        if q is None
    ]
    if not missing:
        return None
    return Verdict(
        f"There is no estimate of {', '.join(missing)} yet: log weigh-ins and complete food days.", {"missing": missing}
    )


def _wide(evidence: Evidence, policy: Policy) -> Verdict | None:
    half = maintenance_half_width_pct(evidence)
    if half is None or half <= policy.maintenance_interval_pct:
        return None
    log, outlook = evidence.log, evidence.outlook
    precision = f"Maintenance is known within ±{number(half, 1)} %"
    if outlook is not None:
        ahead = {"maintenance_half_width_pct": half, "ask_for": outlook.would_narrow_most, **_ahead(evidence)}
        return Verdict(f"{precision}.{_narrowing(evidence)}", ahead)
    missing = {
        f"complete food days ({log.complete_food_days_14_d} of the last 14)": 14 - log.complete_food_days_14_d,
        f"weigh-ins ({log.weigh_ins_14_d} of the last 14)": 14 - log.weigh_ins_14_d,
    }
    most = max(missing, key=lambda words: missing[words])
    numbers: dict[str, Any] = {"maintenance_half_width_pct": half, "ask_for": None}
    if missing[most] <= NEARLY_ALL:
        return Verdict(f"{precision}, and the log is all but complete: further weeks of it will narrow it.", numbers)
    numbers["ask_for"] = "food_days" if most.startswith("complete") else "weigh_ins"
    return Verdict(f"{precision}: more {most} would narrow it most.", numbers)


def _may_log_less(evidence: Evidence, policy: Policy) -> Verdict | None:
    half, need = maintenance_half_width_pct(evidence), logging_need(evidence, policy, None)
    if half is None or half > policy.maintenance_interval_pct or need.complete_days_per_week == ALL:
        return None
    return Verdict(
        f"Maintenance is known within ±{number(half, 1)} %: fewer than seven complete food days a week may do until a"
        " stall or a switch; how many, by how far this athlete's days differ, is in the logging need"
        " (/logging-need).",
        {"maintenance_half_width_pct": half},
    )


_D, _ADVICE = Stage.DATA, Severity.ADVICE

SUSPECT_ENTRIES = Rule("data.suspect_entries", _D, _ADVICE, None, "Are entries suspect?", (), _suspect_entries)

RULES: tuple[Rule, ...] = (
    SUSPECT_ENTRIES,
    Rule(
        "data.no_estimate",
        _D,
        _ADVICE,
        Action.COLLECT_DATA,
        "Is there an estimate to judge by?",
        (),
        _no_estimate,
        delays_rise=True,
    ),
    Rule(
        "data.no_weigh_in_lately",
        _D,
        _ADVICE,
        Action.COLLECT_DATA,
        "Is the last weigh-in recent?",
        ("weigh_in_max_age_days",),
        _stale,
        delays_rise=True,
    ),
    Rule(
        "data.few_weigh_ins",
        _D,
        _ADVICE,
        Action.COLLECT_DATA,
        "Are there enough weigh-ins?",
        ("weigh_ins_min_14_d",),
        _few_weigh_ins,
        delays_rise=True,
    ),
    Rule(
        "data.few_food_days",
        _D,
        _ADVICE,
        Action.COLLECT_DATA,
        "Are there enough complete food days?",
        ("food_days_min_14_d", "maintenance_interval_pct"),
        _few_food_days,
        delays_rise=True,
    ),
    Rule(
        "data.wide_interval",
        _D,
        Severity.INFO,
        None,
        "What would narrow maintenance most?",
        ("maintenance_interval_pct",),
        _wide,
    ),
    Rule("data.may_log_less", _D, Severity.INFO, None, "May food logging be sparser?", LOGGING_NEED, _may_log_less),
)
