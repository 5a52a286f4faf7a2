"""The rules about phases: is it time to leave this one, and to stay in that one?"""

from datetime import timedelta

from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.rules.energy_rules import AT_LIMIT, INSTEAD_OF_LESS, at_limit
from service.domain.rules.findings import Action, Move, Severity, Stage, Verdict, mean_at
from service.domain.rules.history import STRAIN, repeated, strained, weeks_since_deload
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
from service.domain.wording import number

WATER = "Expect 0.5–1.5 kg up in the first days: water and glycogen, not fat."  # methods: glycogen with its water


def _goal(evidence: Evidence, policy: Policy) -> Verdict | None:
    fat, goal = evidence.body_fat_pct, evidence.athlete.goal_body_fat_pct
    if fat is None or goal is None or not goal_reached(evidence, policy):
        return None
    latest = sorted(evidence.log.body_fat_measurements, key=lambda m: m.on)[-policy.goal_measurements :]
    read = " and ".join(f"{number(m.body_fat_pct, 1)} % on {m.on}" for m in latest)
    sure = fat.probability_below(goal)
    words = (
        f"The goal of {number(goal, 1)} % body fat is reached with probability {number(sure, 2)}: estimated"
        f" {number(fat.mean, 1)} %, measured {read}."
    )
    limit = mean_at(goal, fat.sd, policy.goal_probability, "below")
    return Verdict(
        words,
        {"body_fat_pct": fat.mean, "goal_pct": goal, "probability": sure},
        (Move("body_fat_pct.mean", limit, "above"),),
    )


def _goal_in_cut(evidence: Evidence, policy: Policy) -> Verdict | None:
    verdict = _goal(evidence, policy) if evidence.kind == "cut" else None
    return verdict and Verdict(f"{verdict.statement} {WATER}", verdict.evidence, verdict.moves)


def _goal_kept(evidence: Evidence, policy: Policy) -> Verdict | None:
    return _goal(evidence, policy) if evidence.kind == "maintain" else None


def _strength_lost_twice(evidence: Evidence, policy: Policy) -> Verdict | None:
    if _strength_lost_surely(evidence, policy) is None:
        return None
    before = policy.strength_end_reviews - 1
    if before and not repeated(evidence, "strength.lost_surely", before):
        return None
    words = (
        f"Strength on the main lifts is more than {number(policy.strength_loss_pct)} % down with probability"
        f" {number(evidence.strength_lost or 0.0, 2)} in {policy.strength_end_reviews} reviews in a row: end the cut."
        f" {WATER}"
    )
    move = Move("probability_strength_lost", policy.strength_end_probability, "below")
    return Verdict(words, {"probability_lost": evidence.strength_lost}, (move,))


def _strength_lost_surely(evidence: Evidence, policy: Policy) -> Verdict | None:
    lost = evidence.strength_lost
    if evidence.kind != "cut" or lost is None or lost < policy.strength_end_probability:
        return None
    words = (
        f"Strength on the main lifts is more than {number(policy.strength_loss_pct)} % down with probability"
        f" {number(lost, 2)}; in {policy.strength_end_reviews} reviews in a row this ends the cut."
    )
    move = Move("probability_strength_lost", policy.strength_end_probability, "below")
    return Verdict(words, {"probability_lost": lost}, (move,))


def _planned_end(evidence: Evidence, policy: Policy) -> Verdict | None:
    now = evidence.phase
    if now is None or now.kind == "maintain" or now.planned_end_on is None:
        return None
    end = last_day(evidence, policy)
    if end is None or end < now.planned_end_on or not due(evidence, policy, end):
        return None
    water = f" {WATER}" if now.kind == "cut" else ""
    ends = f"its planned end is {end}"
    if end > now.planned_end_on:  # a build's only
        ends = f"planned until {now.planned_end_on}, but at least {policy.build_min_days} days, so it ends {end}"
    words = f"Day {now.day} of the {now.kind}; {ends}.{water}"
    later = evidence.as_of + timedelta(days=policy.phase_lookahead_days)
    if now.kind == "cut":  # a later plan meets the longest cut
        later = min(later, now.starts_on + timedelta(days=policy.cut_max_days - 1))
    move = Move("phase.planned_end_on", later, "above")
    numbers = {"day": now.day, "planned_end_on": str(now.planned_end_on), "last_day_on": str(end)}
    return Verdict(words, numbers, (move,))


def _longest_cut(evidence: Evidence, policy: Policy) -> Verdict | None:
    now = evidence.phase
    end = last_day(evidence, policy) if now and now.kind == "cut" else None
    if now is None or end is None or not due(evidence, policy, end):
        return None
    if now.planned_end_on is not None and now.planned_end_on <= end:
        return None
    words = f"Day {now.day} of the cut; day {policy.cut_max_days} ({end}) is the last of the longest cut. {WATER}"
    need = f"the policy allowed cuts of more than {policy.cut_max_days} days"
    return Verdict(words, {"day": now.day, "last_day_on": str(end)}, condition=need)


def _fat_ceiling(evidence: Evidence, policy: Policy) -> Verdict | None:
    now, fat, ceiling = evidence.phase, evidence.body_fat_pct, fat_ceiling_pct(evidence, policy)
    if now is None or now.kind != "build" or now.day < policy.build_min_days or fat is None:
        return None
    sure = fat.probability_above(ceiling)
    if sure < policy.fat_ceiling_probability:
        return None
    words = (
        f"Body fat is above the build's ceiling of {number(ceiling)} % with probability {number(sure, 2)}"
        f" (estimated {number(fat.mean, 1)} %)."
    )
    move = Move("body_fat_pct.mean", mean_at(ceiling, fat.sd, policy.fat_ceiling_probability, "above"), "below")
    return Verdict(words, {"body_fat_pct": fat.mean, "ceiling_pct": ceiling, "probability": sure}, (move,))


def _plateau(evidence: Evidence, policy: Policy) -> Verdict | None:
    now, lifts = evidence.phase, evidence.main_lifts
    rising = [(x.exercise, x.probability_rising) for x in lifts if x.probability_rising is not None]
    if now is None or now.kind != "build" or not rising or len(rising) < len(lifts):
        return None
    best, most = max(rising, key=lambda pair: pair[1] or 0.0)
    if most is None or most >= policy.rising_probability:
        return None
    words = (
        f"No main lift is rising: the best, {best}, rises with probability {number(most, 2)}, under"
        f" {number(policy.rising_probability, 2)}."
    )
    return Verdict(words, {"best_lift": best, "probability_rising": most})


def _plateau_after_deload(evidence: Evidence, policy: Policy) -> Verdict | None:
    now, deload = evidence.phase, evidence.history.last_deload_on
    if now is None or now.day < policy.build_min_days or deload is None or deload < now.starts_on:
        return None
    weeks = weeks_since_deload(evidence)
    if weeks is None or weeks < policy.plateau_weeks or not plateau_lasts(evidence, policy):
        return None
    words = (
        f"No main lift has been rising for {policy.plateau_weeks} weeks since the deload of {deload}: the build has run"
        " its course."
    )
    need = f"a main lift were rising with probability {number(policy.rising_probability, 2)} or more"
    return Verdict(words, {"last_deload_on": str(deload), "weeks": weeks}, condition=need)


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
    words = (
        "The cut is stalled and energy is at its limit in two reviews in a row: go back to maintenance, then cut again"
        f" from there. {WATER}"
    )
    return Verdict(words, {"energy_kcal": evidence.energy_kcal, "day": now.day}, condition=INSTEAD_OF_LESS)


def _strained(evidence: Evidence, policy: Policy) -> Verdict | None:
    signs = strained(evidence, policy)
    if not signs or evidence.kind != "cut":
        return None
    return Verdict(f"The cut is a strain: {', '.join(signs)} in the week's notes.", {"signs": list(signs)})


def _diet_break(evidence: Evidence, policy: Policy) -> Verdict | None:
    if _strained(evidence, policy) is None or not repeated(evidence, "wellbeing.strain", 1):
        return None
    words = (
        f"The cut has been a strain in two reviews in a row: {policy.diet_break_days} days at maintenance. A break"
        f" helps adherence; a faster metabolism is not to be expected. {WATER}"
    )
    need = f"fewer than {policy.strain_signs} signs of strain were in the week's notes"
    signs = list(strained(evidence, policy))
    return Verdict(words, {"signs": signs, "days": policy.diet_break_days}, condition=need)


def stable(evidence: Evidence, policy: Policy) -> bool:
    """Whether the trend is inside the maintenance band with enough probability."""
    rate, edge = evidence.rate, policy.maintain_rate_pct
    if rate is None:
        return False
    return 1.0 - rate.probability_below(-edge) - rate.probability_above(edge) >= policy.stable_probability


def _rest_over(evidence: Evidence, policy: Policy) -> bool:
    end = last_day(evidence, policy) if evidence.kind == "maintain" else None
    return end is not None and not estimated_at_goal(evidence, policy) and due(evidence, policy, end)


def _not_rested(evidence: Evidence, policy: Policy) -> list[str]:
    why = []
    if not stable(evidence, policy):
        why.append("the trend is not yet stable")
    if (evidence.strength_lost or 0.0) >= policy.strength_warn_probability:
        why.append("strength is not yet regained")
    row = cuts_in_a_row(evidence)
    if row >= policy.cuts_in_a_row_max and too_fat_to_build(evidence, policy) and cut_is_possible(evidence, policy):
        why.append(f"body fat is above a build's ceiling and {row} cuts in a row ask for the longest break")
    return why


def _rested(evidence: Evidence, policy: Policy) -> Verdict | None:
    now = evidence.phase
    if now is None or not _rest_over(evidence, policy):
        return None
    last = now.day + policy.phase_lookahead_days >= policy.maintain_max_days
    why = _not_rested(evidence, policy)
    if why and not last:
        return None
    state = "the longest maintenance is over" if why else "the trend is stable"
    need = f"maintenance could last more than {policy.maintain_max_days} days"
    if not last:
        sure = number(policy.stable_probability, 2)
        need = f"the trend were inside ±{number(policy.maintain_rate_pct, 2)} %/week with probability under {sure}"
    words = f"Day {now.day} of maintenance and {state}: time for the next phase."
    return Verdict(words, {"day": now.day, "not_yet": why}, condition=need)


def _extended(evidence: Evidence, policy: Policy) -> Verdict | None:
    if not _rest_over(evidence, policy) or _rested(evidence, policy) is not None:
        return None
    why = _not_rested(evidence, policy)
    words = (
        f"Maintenance is due to end, but {' and '.join(why)}: stay, until day {policy.maintain_max_days} at the latest."
    )
    return Verdict(words, {"not_yet": why})


def _no_phase(evidence: Evidence, policy: Policy) -> Verdict | None:
    if evidence.phase is not None:
        return None
    return Verdict("No phase is in force: the coach sets build, cut or maintain, with a planned end.")


def _no_goal(evidence: Evidence, policy: Policy) -> Verdict | None:
    if evidence.phase is None or evidence.athlete.goal_body_fat_pct is not None:
        return None
    return Verdict("No body-fat goal is set: the cycles have no end.", condition="a goal were set")


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
    Rule("goal.reached", _P, _ADVICE, _SWITCH, "Is the body-fat goal reached?", GOAL, _goal_in_cut),
    Rule(
        "strength.lost_twice",
        _P,
        _WARN,
        _SWITCH,
        "Has strength been lost for long enough?",
        _LOST,
        _strength_lost_twice,
    ),
    Rule("strength.lost_surely", _P, _WARN, None, "Is strength surely lost?", _LOST, _strength_lost_surely),
    Rule(
        "phase.planned_end",
        _P,
        _ADVICE,
        _SWITCH,
        "Is the phase at its planned end?",
        ("phase_lookahead_days", "build_min_days", "cut_max_days"),
        _planned_end,
    ),
    Rule(
        "phase.longest_cut",
        _P,
        _ADVICE,
        _SWITCH,
        "Is the cut as long as a cut may be?",
        ("cut_max_days", "phase_lookahead_days"),
        _longest_cut,
    ),
    Rule(
        "phase.stalled",
        _P,
        _ADVICE,
        _SWITCH,
        "Is the cut stalled at the limit?",
        ("cut_min_days", *AT_LIMIT),
        _stalled,
    ),
    Rule("phase.diet_break", _P, _ADVICE, _SWITCH, "Is a diet break due?", (*STRAIN, "diet_break_days"), _diet_break),
    Rule("wellbeing.strain", _P, _WARN, None, "Is the cut a strain?", STRAIN, _strained),
    Rule(
        "phase.fat_ceiling",
        _P,
        _ADVICE,
        _SWITCH,
        "Is the athlete too fat to go on building?",
        (*_FAT_CEILING, "fat_ceiling_probability", "build_min_days"),
        _fat_ceiling,
    ),
    Rule(
        "phase.plateau",
        _P,
        _ADVICE,
        _SWITCH,
        "Has the build run its course?",
        ("rising_probability", "plateau_weeks", "build_min_days"),
        _plateau_after_deload,
    ),
    Rule("strength.plateau", _P, Severity.INFO, None, "Is any main lift rising?", ("rising_probability",), _plateau),
    Rule("goal.kept", _P, Severity.INFO, None, "Is the goal reached and kept?", GOAL, _goal_kept, supports_hold=True),
    Rule(
        "phase.rested",
        _P,
        _ADVICE,
        _SWITCH,
        "Is maintenance over?",
        REST,
        _rested,
    ),
    Rule(
        "phase.extended",
        _P,
        _ADVICE,
        None,
        "Must maintenance go on?",
        REST,
        _extended,
    ),
    Rule("phase.none", _P, _ADVICE, None, "Is a phase in force?", (), _no_phase),
    Rule("goal.unset", _P, Severity.INFO, None, "Is there a goal?", (), _no_goal),
)
