"""The rules about energy: is a change due, what holds it back, and is strength being lost?

They act on the probability that the true rate is outside the band on one side, never on the point estimate. Rules that
hold a change back stand before the rules that ask for one; those of the rate itself follow in `rate_rules`.
"""

from datetime import timedelta

from service.domain.estimation.model import REPORTING_MEAN
from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.rules.energy_step import (
    ADJUSTMENT,
    CUT_ADJUSTMENT,
    CUT_OR_BUILD_STEP,
    MAINTAIN_STEP,
    STRENGTH_STEP,
    Direction,
    EnergyAdjustment,
    energy_adjustment,
    first_step,
    rate_step,
    strength_step,
)
from service.domain.rules.findings import PHASE_WORDS, Action, Move, Severity, Stage, Verdict
from service.domain.rules.gate import maintenance_by_profile_kcal
from service.domain.rules.history import STRAIN, repeated, strained
from service.domain.rules.rule import Rule
from service.domain.rules.targets import LOWEST_ENERGY, PHASE_ENERGY, PhaseEnergy, lowest_energy, phase_energy
from service.domain.wording import number


def energy_direction(evidence: Evidence, policy: Policy) -> Direction | None:
    """Which way energy would move, by strength or by rate; None when it would stay."""
    if _strength(evidence, policy) is not None:
        return "raise"
    adjustment = energy_adjustment(evidence, policy)
    return adjustment.direction if adjustment else None


def _quiet(evidence: Evidence, policy: Policy) -> Verdict | None:
    now = evidence.phase
    if now is None or now.day > policy.energy_quiet_days or energy_direction(evidence, policy) is None:
        return None
    words = (
        f"Day {now.day} of the {PHASE_WORDS[now.kind]}: in the first {policy.energy_quiet_days} days of a phase water"
        " and gut content move the scale; energy stays."
    )
    return Verdict(words, {"day": now.day}, (Move("phase.day", policy.energy_quiet_days, "above"),))


def _too_soon(evidence: Evidence, policy: Policy) -> Verdict | None:
    last = evidence.history.last_energy_change_on
    if last is None or energy_direction(evidence, policy) is None:
        return None
    days = (evidence.as_of - last).days
    if days >= policy.energy_change_min_interval_days:
        return None
    words = (
        f"Energy was changed {days} days ago; its effect shows after {policy.energy_change_min_interval_days} days at"
        " the earliest."
    )
    before = evidence.as_of - timedelta(days=policy.energy_change_min_interval_days)
    move = Move("history.last_energy_change_on", before, "at_most")
    return Verdict(words, {"last_change_on": str(last), "days": days}, (move,))


def _lowers(evidence: Evidence, policy: Policy) -> bool:
    return energy_direction(evidence, policy) == "lower"


def _strain(evidence: Evidence, policy: Policy) -> Verdict | None:
    signs = strained(evidence, policy)
    if evidence.kind != "cut" or not signs or not _lowers(evidence, policy):
        return None
    need = f"fewer than {policy.strain_signs} signs of strain were in the week's notes"
    words = f"The athlete is under strain ({', '.join(signs)}): no deeper deficit now."
    return Verdict(words, {"signs": list(signs)}, condition=need)


def _ask_for_logs(evidence: Evidence, policy: Policy) -> Verdict | None:
    days = evidence.log.complete_food_days_14_d
    if evidence.kind == "build" or not _lowers(evidence, policy) or days >= policy.complete_log_days:
        return None
    if repeated(evidence, "energy.ask_for_logs", 1):
        return None
    words = (
        f"The scale asks for less energy, but only {days} of the last 14 food days are complete: log every day of the"
        " coming week before energy is lowered."
    )
    move = Move("log.complete_food_days_14_d", policy.complete_log_days, "at_least")
    return Verdict(words, {"complete_food_days_14_d": days}, (move,))


def _unset(evidence: Evidence, policy: Policy) -> Verdict | None:
    if evidence.kind is None or evidence.energy_kcal is not None:
        return None
    fits = phase_energy(evidence, policy, evidence.kind)
    if fits is None:
        return None
    words = f"The {PHASE_WORDS[evidence.kind]} has no energy target: {number(fits.energy_kcal)} kcal fits it."
    return Verdict(words, {"fitting_kcal": fits.energy_kcal}, condition="an energy target were set")


def _under_reported(evidence: Evidence, policy: Policy) -> Verdict | None:
    """Whether less maintenance is logged than a body like this can live on, or at the floor than such people log.

    Held against the profile: both estimates of maintenance follow the log, a ratio of them shows nothing.
    """
    logged = evidence.maintenance_kcal
    if logged is None or evidence.kind != "cut" or not _lowers(evidence, policy):
        return None
    if repeated(evidence, "energy.under_reported", 1):
        return None
    usual = maintenance_by_profile_kcal(evidence, policy)  # as people like this log it
    true, limit = usual / REPORTING_MEAN, at_limit(evidence, policy)
    floored = limit is not None and limit.evidence["limit"] == "energy_floor"
    if logged.hi >= usual or not (floored or logged.mean < policy.reporting_ratio_min * true):
        return None
    ratio = logged.mean / true
    words = (
        f"The log holds mass at {number(logged.mean)} kcal where a body like this is expected to need {number(true)}"
        f" kcal: about {number(100.0 * (1.0 - ratio))} % of what is eaten seems not to be logged, if it is not a rarely"
        " low need. Have everything weighed and logged for a week and ask what is missing before cutting more."
    )
    numbers = {"maintenance_kcal": logged.mean, "by_profile_kcal": usual, "expected_kcal": true, "ratio": ratio}
    need = f"logged-scale maintenance reached {number(usual)} kcal within its interval"
    return Verdict(words, numbers, condition=need)


INSTEAD_OF_LESS = "the rate were back inside its band, or a week of everything logged showed what is missing"


def at_limit(evidence: Evidence, policy: Policy) -> Verdict | None:
    """Whether the rate asks for less energy in a cut but the limits leave no step worth making, quiet days over."""
    now, phase = evidence.energy_kcal, evidence.phase
    if now is None or phase is None or phase.kind != "cut" or not _lowers(evidence, policy):
        return None
    if phase.day <= policy.energy_quiet_days:
        return None
    limit = lowest_energy(evidence, policy)
    eaten = evidence.log.logged_intake_kcal
    followed = eaten is None or eaten - now < policy.energy_step_min_kcal
    if now - limit.energy_kcal >= policy.energy_step_min_kcal or not followed:
        return None
    names = {
        "energy_floor": "the energy floor",
        "deficit_share": f"the largest deficit of {number(policy.cut_deficit_max_pct)} %",
        "deficit_fat": "the deficit that stored fat can cover",
    }
    words = (
        f"The rate asks for less energy, but {number(now)} kcal is already at {names[limit.name]}"
        f" ({number(limit.energy_kcal)} kcal): the target is not lowered."
    )
    numbers = {"energy_kcal": now, "limit_kcal": limit.energy_kcal, "limit": limit.name}
    return Verdict(words, numbers, condition=INSTEAD_OF_LESS)


def _target_fits(evidence: Evidence, policy: Policy) -> Verdict | None:
    adjustment, now, eaten = energy_adjustment(evidence, policy), evidence.energy_kcal, evidence.log.logged_intake_kcal
    if adjustment is None or now is None or evidence.kind is None or _strength(evidence, policy) is not None:
        return None
    aim = phase_energy(evidence, policy, evidence.kind)
    if aim is None or rate_step(evidence, policy) is not None:
        return None
    words = f"{_adjustment_words(adjustment)}, yet {_fits(evidence, policy, aim, adjustment)}"
    if eaten is not None and abs(eaten - now) >= policy.energy_step_min_kcal:
        side = "above" if eaten > now else "below"
        words += (
            f"; complete days average {number(eaten)} kcal, {number(abs(eaten - now))} {side} the target: help the"
            " athlete to follow it before moving it."
        )
    else:
        words += ": give it another week."
    way = -1.0 if adjustment.direction == "lower" else 1.0
    edge = number(now + way * policy.energy_step_min_kcal)
    need = (
        f"the energy that fits were {edge} kcal or {'lower' if way < 0.0 else 'higher'}, not {number(aim.energy_kcal)}"
    )
    if way < 0.0 and aim.limited_by is not None:
        need = INSTEAD_OF_LESS
    numbers = {"energy_kcal": now, "fitting_kcal": aim.energy_kcal, "logged_intake_kcal": eaten}
    return Verdict(words, numbers, condition=need)


def _adjustment_words(adjustment: EnergyAdjustment) -> str:
    sure = f"with probability {number(adjustment.probability, 2)}"
    if adjustment.code == "rate.not_in_deficit":
        return f"This cut has no real deficit {sure}"
    return f"The rate is {adjustment.side} {number(adjustment.edge_pct, 2)} %/week {sure}"


def _fits(evidence: Evidence, policy: Policy, aim: PhaseEnergy, adjustment: EnergyAdjustment) -> str:
    """What the phase asks for at the estimated maintenance, beside the target."""
    now, maintenance = evidence.energy_kcal or 0.0, evidence.maintenance_kcal
    kind = "phase" if evidence.kind == "maintain" else evidence.kind
    at = f"at a maintenance of {number(maintenance.mean if maintenance else 0.0)} kcal"
    if abs(aim.energy_kcal - now) >= policy.energy_step_min_kcal:
        no_reason = f"no reason to {adjustment.direction} {number(now)}"
        return f"{at} this {kind} asks for {number(aim.energy_kcal)} kcal, {no_reason}"
    if aim.limited_by is None:
        return f"{number(now)} kcal is what this {kind} asks for {at}"
    return f"{number(now)} kcal is as far as the limits let this {kind} go {at}"


def _strength(evidence: Evidence, policy: Policy) -> Verdict | None:
    lost = evidence.strength_lost
    if evidence.kind != "cut" or lost is None or lost < policy.strength_warn_probability:
        return None
    change = strength_step(evidence, policy)
    if change is None:
        return None
    down = [x.exercise for x in evidence.main_lifts if (x.probability_lost or 0.0) >= policy.strength_warn_probability]
    words = (
        f"Strength on the main lifts is more than {number(policy.strength_loss_pct)} % down with probability"
        f" {number(lost, 2)}{' (' + ', '.join(down) + ')' if down else ''}: shrink the deficit, hold the loads."
    )
    move = Move("probability_strength_lost", policy.strength_warn_probability, "below")
    return Verdict(words, {"probability_lost": lost, "lifts": down}, (move,))


_E, _ADVICE, _WARN, _INFO = Stage.ENERGY, Severity.ADVICE, Severity.WARNING, Severity.INFO
STRENGTH_LOST = ("strength_warn_probability", "strength_loss_pct", *STRENGTH_STEP)
DIRECTION = (*ADJUSTMENT, *STRENGTH_LOST)
_CUT_DIRECTION = (*CUT_ADJUSTMENT, *STRENGTH_LOST)
AT_LIMIT = (*_CUT_DIRECTION, *LOWEST_ENERGY, "energy_quiet_days", "energy_step_min_kcal")

RULES: tuple[Rule, ...] = (
    Rule("energy.unset", _E, _ADVICE, Action.CHANGE_ENERGY, "Is energy set?", PHASE_ENERGY, _unset, step=first_step),
    Rule(
        "energy.quiet_days",
        _E,
        _INFO,
        Action.HOLD,
        "Is the phase still young?",
        ("energy_quiet_days", *DIRECTION),
        _quiet,
        delays_rise=True,
    ),
    Rule(
        "energy.too_soon",
        _E,
        _INFO,
        Action.HOLD,
        "Was energy changed lately?",
        ("energy_change_min_interval_days", *DIRECTION),
        _too_soon,
        delays_rise=True,
    ),
    Rule(
        "energy.strain",
        _E,
        _WARN,
        Action.HOLD,
        "Would a deeper deficit add to strain?",
        (*STRAIN, *_CUT_DIRECTION),
        _strain,
    ),
    Rule(
        "energy.under_reported",
        _E,
        _ADVICE,
        Action.COLLECT_DATA,
        "Does the log hold what is eaten?",
        AT_LIMIT,
        _under_reported,
    ),
    Rule("energy.at_limit", _E, _ADVICE, Action.HOLD, "Is energy as low as it may go?", AT_LIMIT, at_limit),
    Rule(
        "energy.target_fits",
        _E,
        _ADVICE,
        Action.HOLD,
        "Is the target right and not followed?",
        (*CUT_OR_BUILD_STEP, *MAINTAIN_STEP, *STRENGTH_LOST),
        _target_fits,
    ),
    Rule(
        "energy.ask_for_logs",
        _E,
        _ADVICE,
        Action.COLLECT_DATA,
        "Is the log complete enough to lower energy?",
        ("complete_log_days", *_CUT_DIRECTION, "maintain_rate_pct"),
        _ask_for_logs,
    ),
    Rule(
        "strength.lost",
        _E,
        _WARN,
        Action.CHANGE_ENERGY,
        "Is strength being lost in the cut?",
        STRENGTH_LOST,
        _strength,
        step=strength_step,
        rise="when_due",
    ),
)
