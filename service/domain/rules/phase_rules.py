"""The rules about phases: is it time to leave this one, and to stay in that one?"""

from datetime import timedelta

from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.rules.energy_rules import AT_LIMIT, INSTEAD_OF_LESS, at_limit
from service.domain.rules.findings import Action, Move, Severity, Stage, Verdict, mean_at
from service.domain.rules.history import STRAIN, STRAINED, repeated, strained, weeks_since_deload
from service.domain.rules.phases import (
    CUT_IS_POSSIBLE,
    LAST_DAY_OF_MAINTENANCE,
    cut_is_possible,
    cuts_in_a_row,
    due,
    estimated_at_goal,
    fat_ceiling_pct,
    goal_reached,
    last_day,
    too_fat_to_build,
)
from service.domain.rules.rule import Rule
from service.domain.sentence import Sentence, say

WATER = say("phase.water")  # methods: glycogen with its water


def _goal(evidence: Evidence, policy: Policy) -> Verdict | None:
    fat, goal = evidence.body_fat_pct, evidence.athlete.goal_body_fat_pct
    if fat is None or goal is None or not goal_reached(evidence, policy):
        return None
    latest = sorted(evidence.log.body_fat_measurements, key=lambda m: m.on)[-policy.goal_measurements :]
    sure = fat.probability_below(goal)
    limit = mean_at(goal, fat.sd, policy.goal_probability, "below")
    return Verdict(
        say(
            "goal.reached",
            goal_pct=goal,
            probability=sure,
            body_fat_pct=fat.mean,
            measured=tuple(say("goal.measured", body_fat_pct=m.body_fat_pct, on=m.on) for m in latest),
        ),
        {"body_fat_pct": fat.mean, "goal_pct": goal, "probability": sure},
        (Move("body_fat_pct.mean", limit, "above"),),
    )


def _goal_in_cut(evidence: Evidence, policy: Policy) -> Verdict | None:
    verdict = _goal(evidence, policy) if evidence.kind == "cut" else None
    if verdict is None:
        return None
    return Verdict(say("goal.reached_in_cut", reached=verdict.statement, water=WATER), verdict.evidence, verdict.moves)


def _goal_kept(evidence: Evidence, policy: Policy) -> Verdict | None:
    return _goal(evidence, policy) if evidence.kind == "maintain" else None


def _strength_lost_twice(evidence: Evidence, policy: Policy) -> Verdict | None:
    if _strength_lost_surely(evidence, policy) is None:
        return None
    before = policy.strength_end_reviews - 1
    if before and not repeated(evidence, "strength.lost_surely", before):
        return None
    statement = say(
        "strength.lost_twice",
        loss_pct=policy.strength_loss_pct,
        probability=evidence.strength_lost,
        reviews=policy.strength_end_reviews,
        water=WATER,
    )
    move = Move("probability_strength_lost", policy.strength_end_probability, "below")
    return Verdict(statement, {"probability_lost": evidence.strength_lost}, (move,))


def _strength_lost_surely(evidence: Evidence, policy: Policy) -> Verdict | None:
    lost = evidence.strength_lost
    if evidence.kind != "cut" or lost is None or lost < policy.strength_end_probability:
        return None
    statement = say(
        "strength.lost_surely",
        loss_pct=policy.strength_loss_pct,
        probability=lost,
        reviews=policy.strength_end_reviews,
    )
    move = Move("probability_strength_lost", policy.strength_end_probability, "below")
    return Verdict(statement, {"probability_lost": lost}, (move,))


def _planned_end(evidence: Evidence, policy: Policy) -> Verdict | None:
    now = evidence.phase
    if now is None or now.kind == "maintain" or now.planned_end_on is None:
        return None
    end = last_day(evidence, policy)
    if end is None or end < now.planned_end_on or not due(evidence, policy, end):
        return None
    if now.kind == "cut":
        statement = say("phase.planned_end_of_cut", day=now.day, last_day=end, water=WATER)
    elif end == now.planned_end_on:
        statement = say("phase.planned_end_of_build", day=now.day, last_day=end)
    else:
        statement = say(
            "phase.least_length_of_build",
            day=now.day,
            planned_end=now.planned_end_on,
            least_days=policy.build_min_days,
            last_day=end,
        )
    later = evidence.as_of + timedelta(days=policy.phase_lookahead_days)
    if now.kind == "cut":  # a later plan meets the longest cut
        later = min(later, now.starts_on + timedelta(days=policy.cut_max_days - 1))
    move = Move("phase.planned_end_on", later, "above")
    numbers = {"day": now.day, "planned_end_on": str(now.planned_end_on), "last_day_on": str(end)}
    return Verdict(statement, numbers, (move,))


def _longest_cut(evidence: Evidence, policy: Policy) -> Verdict | None:
    now = evidence.phase
    end = last_day(evidence, policy) if now and now.kind == "cut" else None
    if now is None or end is None or not due(evidence, policy, end):
        return None
    if now.planned_end_on is not None and now.planned_end_on <= end:
        return None
    statement = say("phase.longest_cut", day=now.day, most_days=policy.cut_max_days, last_day=end, water=WATER)
    need = say("once.longer_cuts_are_allowed", most_days=policy.cut_max_days)
    return Verdict(statement, {"day": now.day, "last_day_on": str(end)}, condition=need)


def _fat_ceiling(evidence: Evidence, policy: Policy) -> Verdict | None:
    now, fat, ceiling = evidence.phase, evidence.body_fat_pct, fat_ceiling_pct(evidence, policy)
    if now is None or now.kind != "build" or now.day < policy.build_min_days or fat is None:
        return None
    sure = fat.probability_above(ceiling)
    if sure < policy.fat_ceiling_probability:
        return None
    statement = say("phase.fat_ceiling", ceiling_pct=ceiling, probability=sure, body_fat_pct=fat.mean)
    move = Move("body_fat_pct.mean", mean_at(ceiling, fat.sd, policy.fat_ceiling_probability, "above"), "below")
    return Verdict(statement, {"body_fat_pct": fat.mean, "ceiling_pct": ceiling, "probability": sure}, (move,))


def _plateau(evidence: Evidence, policy: Policy) -> Verdict | None:
    now, lifts = evidence.phase, evidence.main_lifts
    rising = [(x.exercise, x.probability_rising) for x in lifts if x.probability_rising is not None]
    if now is None or now.kind != "build" or not rising or len(rising) < len(lifts):
        return None
    best, most = max(rising, key=lambda pair: pair[1] or 0.0)
    if most is None or most >= policy.rising_probability:
        return None
    statement = say("strength.plateau", best=best, probability=most)
    return Verdict(statement, {"best_lift": best, "probability_rising": most})


def _plateau_after_deload(evidence: Evidence, policy: Policy) -> Verdict | None:
    now, deload = evidence.phase, evidence.history.last_deload_on
    if now is None or now.day < policy.build_min_days or deload is None or deload < now.starts_on:
        return None
    weeks = weeks_since_deload(evidence)
    if weeks is None or weeks < policy.plateau_weeks or not plateau_lasts(evidence, policy):
        return None
    statement = say("phase.plateau", weeks=policy.plateau_weeks, deload_on=deload)
    need = say("once.a_lift_is_rising", probability=policy.rising_probability)
    return Verdict(statement, {"last_deload_on": str(deload), "weeks": weeks}, condition=need)


def plateau_lasts(evidence: Evidence, policy: Policy) -> bool:
    """Whether no main lift has been rising in this review and those of the weeks before."""
    before = policy.plateau_weeks - 1
    return _plateau(evidence, policy) is not None and (not before or repeated(evidence, "strength.plateau", before))


def _stalled(evidence: Evidence, policy: Policy) -> Verdict | None:
    now = evidence.phase  # a stall ends no cut before its least length: nobody can know it after two weeks
    if now is None or now.day < policy.cut_min_days:
        return None
    if at_limit(evidence, policy) is None or not repeated(evidence, "energy.at_limit", 1):
        return None
    numbers = {"energy_kcal": evidence.energy_kcal, "day": now.day}
    return Verdict(say("phase.stalled", water=WATER), numbers, condition=INSTEAD_OF_LESS)


def _strained(evidence: Evidence, policy: Policy) -> Verdict | None:
    signs = strained(evidence, policy)
    if not signs:
        return None
    cutting, words = evidence.kind == "cut", tuple(sign.sentence for sign in signs)
    statement = say("wellbeing.strain" if cutting else "wellbeing.under_strain", signs=words)
    need = say("once.fewer_signs_of_strain", signs=policy.strain_signs)
    severity = None if cutting else Severity.INFO  # there it only keeps a deficit from starting
    return Verdict(statement, {"signs": dict(signs)}, condition=need, severity=severity)


def _diet_break(evidence: Evidence, policy: Policy) -> Verdict | None:
    if evidence.kind != "cut" or not strained(evidence, policy) or not repeated(evidence, STRAINED, 1):
        return None
    statement = say("phase.diet_break", days=policy.diet_break_days, water=WATER)
    need = say("once.fewer_signs_of_strain", signs=policy.strain_signs)
    numbers = {"signs": dict(strained(evidence, policy)), "days": policy.diet_break_days}
    return Verdict(statement, numbers, condition=need)


def stable(evidence: Evidence, policy: Policy) -> bool:
    """Whether the trend is inside the maintenance band with enough probability."""
    rate, edge = evidence.rate, policy.maintain_rate_pct
    if rate is None:
        return False
    return 1.0 - rate.probability_below(-edge) - rate.probability_above(edge) >= policy.stable_probability


def _rest_over(evidence: Evidence, policy: Policy) -> bool:
    end = last_day(evidence, policy) if evidence.kind == "maintain" else None
    return end is not None and not estimated_at_goal(evidence, policy) and due(evidence, policy, end)


def _not_rested(evidence: Evidence, policy: Policy) -> dict[str, Sentence]:
    """Why maintenance should go on, by a name for each reason."""
    why = {}
    if not stable(evidence, policy):
        why["unstable"] = say("phase.not_stable")
    if (evidence.strength_lost or 0.0) >= policy.strength_warn_probability:
        why["strength"] = say("phase.strength_not_regained")
    row = cuts_in_a_row(evidence)
    if row >= policy.cuts_in_a_row_max and too_fat_to_build(evidence, policy) and cut_is_possible(evidence, policy):
        why["cuts_in_a_row"] = say("phase.many_cuts", cuts=row)
    return why


def _rested(evidence: Evidence, policy: Policy) -> Verdict | None:
    now = evidence.phase
    if now is None or not _rest_over(evidence, policy):
        return None
    last = now.day + policy.phase_lookahead_days >= policy.maintain_max_days
    why = _not_rested(evidence, policy)
    if why and not last:
        return None
    statement = say("phase.longest_maintenance" if why else "phase.rested", day=now.day)
    need = say("once.longer_maintenance_is_allowed", most_days=policy.maintain_max_days)
    if not last:
        edge, sure = policy.maintain_rate_pct, policy.stable_probability
        need = say("once.trend_is_unstable", edge_pct=edge, probability=sure)
    return Verdict(statement, {"day": now.day, "not_yet": list(why)}, condition=need)


def _extended(evidence: Evidence, policy: Policy) -> Verdict | None:
    if not _rest_over(evidence, policy) or _rested(evidence, policy) is not None:
        return None
    why = _not_rested(evidence, policy)
    statement = say("phase.extended", why=tuple(why.values()), most_days=policy.maintain_max_days)
    return Verdict(statement, {"not_yet": list(why)})


def _no_phase(evidence: Evidence, policy: Policy) -> Verdict | None:
    if evidence.phase is not None:
        return None
    return Verdict(say("phase.none"))


def _no_goal(evidence: Evidence, policy: Policy) -> Verdict | None:
    if evidence.phase is None or evidence.athlete.goal_body_fat_pct is not None:
        return None
    return Verdict(say("goal.unset"), condition=say("once.goal_is_set"))


_P, _ADVICE, _WARN, _SWITCH = Stage.PHASE, Severity.ADVICE, Severity.WARNING, Action.SWITCH_PHASE
GOAL = ("goal_probability", "goal_measurements", "goal_tolerance_pct", "goal_measurement_max_age_days")
_LOST = ("strength_end_probability", "strength_end_reviews", "strength_loss_pct")
_FAT_CEILING = ("build_fat_ceiling_male_pct", "build_fat_ceiling_female_pct")
REST = (
    *LAST_DAY_OF_MAINTENANCE,
    "maintain_rate_pct",
    "stable_probability",
    "strength_warn_probability",
    "cuts_in_a_row_max",
    *_FAT_CEILING,
    "phase_lookahead_days",
    *CUT_IS_POSSIBLE,
)

RULES: tuple[Rule, ...] = (
    Rule("goal.reached", _P, _ADVICE, _SWITCH, GOAL, _goal_in_cut),
    Rule(
        "strength.lost_twice",
        _P,
        _WARN,
        _SWITCH,
        _LOST,
        _strength_lost_twice,
    ),
    Rule("strength.lost_surely", _P, _WARN, None, _LOST, _strength_lost_surely),
    Rule(
        "phase.planned_end",
        _P,
        _ADVICE,
        _SWITCH,
        ("phase_lookahead_days", "build_min_days", "cut_max_days"),
        _planned_end,
    ),
    Rule(
        "phase.longest_cut",
        _P,
        _ADVICE,
        _SWITCH,
        ("cut_max_days", "phase_lookahead_days"),
        _longest_cut,
    ),
    Rule(
        "phase.stalled",
        _P,
        _ADVICE,
        _SWITCH,
        ("cut_min_days", *AT_LIMIT),
        _stalled,
    ),
    Rule("phase.diet_break", _P, _ADVICE, _SWITCH, (*STRAIN, "diet_break_days"), _diet_break),
    Rule(STRAINED, _P, _WARN, None, STRAIN, _strained),
    Rule(
        "phase.fat_ceiling",
        _P,
        _ADVICE,
        _SWITCH,
        (*_FAT_CEILING, "fat_ceiling_probability", "build_min_days"),
        _fat_ceiling,
    ),
    Rule(
        "phase.plateau",
        _P,
        _ADVICE,
        _SWITCH,
        ("rising_probability", "plateau_weeks", "build_min_days"),
        _plateau_after_deload,
    ),
    Rule("strength.plateau", _P, Severity.INFO, None, ("rising_probability",), _plateau),
    Rule("goal.kept", _P, Severity.INFO, None, GOAL, _goal_kept, supports_hold=True),
    Rule(
        "phase.rested",
        _P,
        _ADVICE,
        _SWITCH,
        REST,
        _rested,
    ),
    Rule(
        "phase.extended",
        _P,
        _ADVICE,
        None,
        REST,
        _extended,
    ),
    Rule("phase.none", _P, _ADVICE, None, (), _no_phase),
    Rule("goal.unset", _P, Severity.INFO, None, (), _no_goal),
)
