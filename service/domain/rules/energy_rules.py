"""The rules about energy: is the rate outside its band, is a change due, and how large may it be?

They act on the probability that the true rate is outside the band on one side, never on the point estimate. Rules that
hold a change back stand before the rules that ask for one.
"""

from datetime import timedelta

from service.domain.estimation.model import REPORTING_MEAN
from service.domain.evidence import Evidence, Kind, ScalarEstimate
from service.domain.policy import Policy
from service.domain.rules.energy_step import (
    Direction,
    EnergyAdjustment,
    energy_adjustment,
    rate_band_pct,
    step,
    strength_step,
)
from service.domain.rules.findings import PHASE_WORDS, Action, Move, Rule, Severity, Stage, Verdict, mean_at
from service.domain.rules.gate import maintenance_by_profile_kcal
from service.domain.rules.history import repeated, strained
from service.domain.rules.targets import PhaseEnergy, lowest_energy, phase_energy
from service.domain.wording import number


def _runs(kind: Kind, rate: ScalarEstimate) -> str:
    span = f"{number(rate.lo, 2)} to {number(rate.hi, 2)}"
    return f"The {PHASE_WORDS[kind]} runs at {number(rate.mean, 2)} %/week ({span})"


def _asked(evidence: Evidence, policy: Policy) -> Direction | None:
    """Which way energy would move, by strength or by rate."""
    if _strength(evidence, policy) is not None:
        return "raise"
    asked = energy_adjustment(evidence, policy)
    return asked.direction if asked else None


def _quiet(evidence: Evidence, policy: Policy) -> Verdict | None:
    now = evidence.phase
    if now is None or now.day > policy.energy_quiet_days or _asked(evidence, policy) is None:
        return None
    words = (
        f"Day {now.day} of the {PHASE_WORDS[now.kind]}: in the first {policy.energy_quiet_days} days of a phase water"
        " and gut content move the scale; energy stays."
    )
    return Verdict(words, {"day": now.day}, (Move("phase.day", policy.energy_quiet_days, "above"),))


def _too_soon(evidence: Evidence, policy: Policy) -> Verdict | None:
    last = evidence.history.last_energy_change_on
    if last is None or _asked(evidence, policy) is None:
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


def _lowering(evidence: Evidence, policy: Policy) -> bool:
    return _asked(evidence, policy) == "lower"


def _strain(evidence: Evidence, policy: Policy) -> Verdict | None:
    signs = strained(evidence, policy)
    if evidence.kind != "cut" or not signs or not _lowering(evidence, policy):
        return None
    need = f"fewer than {policy.strain_signs} signs of strain were in the week's notes"
    words = f"The athlete is under strain ({', '.join(signs)}): no deeper deficit now."
    return Verdict(words, {"signs": list(signs)}, condition=need)


def _ask_for_logs(evidence: Evidence, policy: Policy) -> Verdict | None:
    days = evidence.log.complete_food_days_14_d
    if evidence.kind == "build" or not _lowering(evidence, policy) or days >= policy.complete_log_days:
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
    if logged is None or not _lowering(evidence, policy) or repeated(evidence, "energy.under_reported", 1):
        return None
    usual = maintenance_by_profile_kcal(evidence, policy)  # as people like this log it
    true, limit = usual / REPORTING_MEAN, at_limit(evidence, policy)
    floored = limit is not None and limit.evidence["limit"] == "energy_floor"
    if evidence.kind != "cut" or logged.hi >= usual or not (floored or logged.mean < policy.reporting_ratio_min * true):
        return None
    ratio = logged.mean / true
    words = (
        f"The log holds mass at {number(logged.mean)} kcal where a body like this is expected to need {number(true)}"
        f" kcal: about {number(100.0 * (1.0 - ratio))} % of what is eaten seems not to be logged, if it is not a rarely"
        " low need. Have everything weighed and logged for a week and ask what is missing before cutting more."
    )
    seen = {"maintenance_kcal": logged.mean, "by_profile_kcal": usual, "expected_kcal": true, "ratio": ratio}
    need = f"logged-scale maintenance reached {number(usual)} kcal within its interval"
    return Verdict(words, seen, condition=need)


INSTEAD_OF_LESS = "the rate were back inside its band, or a week of everything logged showed what is missing"


def at_limit(evidence: Evidence, policy: Policy) -> Verdict | None:
    """Whether the rate asks for less energy in a cut but the limits leave no step worth making, quiet days over."""
    now, phase = evidence.energy_kcal, evidence.phase
    if now is None or phase is None or phase.kind != "cut" or not _lowering(evidence, policy):
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
    seen = {"energy_kcal": now, "limit_kcal": limit.energy_kcal, "limit": limit.name}
    return Verdict(words, seen, condition=INSTEAD_OF_LESS)


def _target_fits(evidence: Evidence, policy: Policy) -> Verdict | None:
    asked, now, eaten = energy_adjustment(evidence, policy), evidence.energy_kcal, evidence.log.logged_intake_kcal
    if asked is None or now is None or evidence.kind is None or _strength(evidence, policy) is not None:
        return None
    aim = phase_energy(evidence, policy, evidence.kind)
    if aim is None or step(evidence, policy) is not None:
        return None
    words = f"{_adjustment_words(asked)}, yet {_fits(evidence, policy, aim, asked)}"
    if eaten is not None and abs(eaten - now) >= policy.energy_step_min_kcal:
        side = "above" if eaten > now else "below"
        words += (
            f"; complete days average {number(eaten)} kcal, {number(abs(eaten - now))} {side} the target: help the"
            " athlete to follow it before moving it."
        )
    else:
        words += ": give it another week."
    way = -1.0 if asked.direction == "lower" else 1.0
    edge = number(now + way * policy.energy_step_min_kcal)
    need = (
        f"the energy that fits were {edge} kcal or {'lower' if way < 0.0 else 'higher'}, not {number(aim.energy_kcal)}"
    )
    if way < 0.0 and aim.limited_by is not None:
        need = INSTEAD_OF_LESS
    seen = {"energy_kcal": now, "fitting_kcal": aim.energy_kcal, "logged_intake_kcal": eaten}
    return Verdict(words, seen, condition=need)


def _adjustment_words(asked: EnergyAdjustment) -> str:
    sure = f"with probability {number(asked.probability, 2)}"
    if asked.code == "rate.not_in_deficit":
        return f"This cut has no real deficit {sure}"
    return f"The rate is {asked.side} {number(asked.edge_pct, 2)} %/week {sure}"


def _fits(evidence: Evidence, policy: Policy, aim: PhaseEnergy, asked: EnergyAdjustment) -> str:
    """What the phase asks for at the estimated maintenance, beside the target."""
    now, known = evidence.energy_kcal or 0.0, evidence.maintenance_kcal
    kind = "phase" if evidence.kind == "maintain" else evidence.kind
    at = f"at a maintenance of {number(known.mean if known else 0.0)} kcal"
    if abs(aim.energy_kcal - now) >= policy.energy_step_min_kcal:
        return f"{at} this {kind} asks for {number(aim.energy_kcal)} kcal, no reason to {asked.direction} {number(now)}"
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


def rate_moves(evidence: Evidence, asked: EnergyAdjustment, probability: float) -> tuple[Move, ...]:
    """Where the rate's mean would have to be for the adjustment to end."""
    rate = evidence.rate
    if rate is None:
        return ()
    which = "tissue_rate_pct_per_week" if evidence.tissue_rate_pct_per_week is not None else "rate_pct_per_week"
    limit = mean_at(asked.edge_pct, rate.sd, probability, asked.side)
    return (Move(f"{which}.mean", limit, "below" if asked.side == "above" else "above"),)


_SAY = {
    ("cut", "rate.too_fast"): "faster than",
    ("cut", "rate.too_slow"): "slower than",
    ("build", "rate.too_fast"): "faster than",
    ("build", "rate.too_slow"): "slower than",
    ("maintain", "rate.falling"): "below",
    ("maintain", "rate.rising"): "above",
}


LIMITS = (
    "cut_deficit_max_pct",
    "cut_deficit_max_kcal_per_kg_fat",
    "energy_floor_male_kcal",
    "energy_floor_female_kcal",
    "reporting_ratio_min",
)
FIT = (  # what the energy of a phase is made of
    *LIMITS,
    "cut_rate_aim_pct",
    "build_surplus_max_pct",
    "expenditure_response",
    "food_days_min_14_d",
)
STEP = ("energy_step_min_kcal", "energy_step_max_kcal", "energy_step_max_pct")


def _rate(code: str, kinds: tuple[Kind, ...]) -> Rule:
    def judge(evidence: Evidence, policy: Policy) -> Verdict | None:
        asked, rate, kind = energy_adjustment(evidence, policy), evidence.rate, evidence.kind
        if asked is None or rate is None or kind not in kinds or asked.code != code:
            return None
        change = step(evidence, policy)
        move = (
            ""
            if change is None
            else f": {asked.direction} energy by {number(abs(change.to_kcal - change.from_kcal))} kcal"
        )
        words = (
            f"{_runs(kind, rate)},"
            f" {_SAY[kind, code]} {number(asked.edge_pct, 2)} %/week with probability"
            f" {number(asked.probability, 2)}{move}."
        )
        seen = {"rate_pct_per_week": rate.mean, "edge_pct_per_week": asked.edge_pct, "probability": asked.probability}
        return Verdict(words, seen, rate_moves(evidence, asked, policy.energy_change_probability))

    names = {"cut": ("cut_rate_fast_pct", "cut_rate_slow_pct"), "build": ("build_rate_slow_pct", "build_rate_fast_pct")}
    edges = [name for kind in kinds for name in names.get(kind, ("maintain_rate_pct",))]
    question = {"rate.too_fast": "Is the rate too fast?", "rate.too_slow": "Is the rate too slow?"}
    return Rule(
        code,
        Stage.ENERGY,
        Severity.WARNING if code == "rate.too_fast" else Severity.ADVICE,
        Action.CHANGE_ENERGY,
        question.get(code, "Is maintenance off?"),
        (*edges, "energy_change_probability", *STEP, *FIT),
        judge,
    )


def _not_in_deficit(evidence: Evidence, policy: Policy) -> Verdict | None:
    without, eaten = evidence.probability_not_in_deficit, evidence.log.logged_intake_kcal
    if evidence.kind != "cut" or without is None or without < policy.not_in_deficit_probability:
        return None
    log = f"; complete days average {number(eaten)} kcal" if eaten is not None else ""
    least = number(policy.no_deficit_pct)
    words = f"With probability {number(without, 2)} this cut has no real deficit (under {least} %){log}."
    move = Move("probability_not_in_deficit", policy.not_in_deficit_probability, "below")
    return Verdict(words, {"probability": without, "logged_intake_kcal": eaten}, (move,))


def _in_band(evidence: Evidence, policy: Policy) -> Verdict | None:
    rate, kind = evidence.rate, evidence.kind
    if rate is None or kind is None or _asked(evidence, policy) is not None:
        return None
    low, high = rate_band_pct(evidence, policy, kind)
    if not low <= rate.mean <= high:
        return None
    words = f"{_runs(kind, rate)}, inside its band of {number(low, 2)} to {number(high, 2)}."
    return Verdict(words, {"rate_pct_per_week": rate.mean, "band_pct_per_week": [low, high]})


def _unsure(evidence: Evidence, policy: Policy) -> Verdict | None:
    rate, kind = evidence.rate, evidence.kind
    if rate is None or kind is None or _asked(evidence, policy) is not None:
        return None
    low, high = rate_band_pct(evidence, policy, kind)
    if low <= rate.mean <= high:
        return None
    sure = rate.probability_below(low) if rate.mean < low else rate.probability_above(high)
    words = (
        f"{_runs(kind, rate)}, outside its"
        f" band of {number(low, 2)} to {number(high, 2)}, but only with probability {number(sure, 2)}: wait."
    )
    seen = {"rate_pct_per_week": rate.mean, "band_pct_per_week": [low, high], "probability": sure}
    return Verdict(words, seen)


_E, _ADVICE, _WARN = Stage.ENERGY, Severity.ADVICE, Severity.WARNING
_BUILD = ("build_rate_slow_pct", "build_rate_fast_pct")
_BANDS = ("cut_rate_fast_pct", "cut_rate_slow_pct", *_BUILD, "maintain_rate_pct")
_WISH = (*_BANDS, "energy_change_probability", "not_in_deficit_probability", "strength_warn_probability")
AT_LIMIT = (*_WISH, *LIMITS, "energy_quiet_days", "energy_step_min_kcal")

RULES: tuple[Rule, ...] = (
    Rule("energy.unset", _E, _ADVICE, Action.CHANGE_ENERGY, "Is energy set?", (*FIT, *_BUILD), _unset),
    Rule(
        "energy.quiet_days",
        _E,
        Severity.INFO,
        Action.HOLD,
        "Is the phase still young?",
        ("energy_quiet_days", *_WISH),
        _quiet,
    ),
    Rule(
        "energy.too_soon",
        _E,
        Severity.INFO,
        Action.HOLD,
        "Was energy changed lately?",
        ("energy_change_min_interval_days", *_WISH),
        _too_soon,
    ),
    Rule(
        "energy.strain",
        _E,
        _WARN,
        Action.HOLD,
        "Would a deeper deficit add to strain?",
        ("strain_hunger", "strain_fatigue", "strain_sleep_h", "strain_signs", *_WISH),
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
    Rule(
        "energy.at_limit",
        _E,
        _ADVICE,
        Action.HOLD,
        "Is energy as low as it may go?",
        AT_LIMIT,
        at_limit,
    ),
    Rule(
        "energy.target_fits",
        _E,
        _ADVICE,
        Action.HOLD,
        "Is the target right and not followed?",
        (*_WISH, *STEP, *FIT),
        _target_fits,
    ),
    Rule(
        "energy.ask_for_logs",
        _E,
        _ADVICE,
        Action.COLLECT_DATA,
        "Is the log complete enough to lower energy?",
        ("complete_log_days", *_WISH),
        _ask_for_logs,
    ),
    Rule(
        "strength.lost",
        _E,
        _WARN,
        Action.CHANGE_ENERGY,
        "Is strength being lost in the cut?",
        ("strength_warn_probability", "strength_loss_pct", "cut_rate_slow_pct", *STEP, *FIT),
        _strength,
    ),
    Rule(
        "rate.not_in_deficit",
        _E,
        _ADVICE,
        Action.CHANGE_ENERGY,
        "Is there a deficit at all?",
        ("not_in_deficit_probability", "no_deficit_pct"),
        _not_in_deficit,
    ),
    _rate("rate.too_fast", ("cut", "build")),
    _rate("rate.too_slow", ("cut", "build")),
    _rate("rate.falling", ("maintain",)),
    _rate("rate.rising", ("maintain",)),
    Rule("rate.in_band", _E, Severity.INFO, None, "Is the rate inside its band?", _WISH, _in_band),
    Rule(
        "rate.unsure",
        _E,
        Severity.INFO,
        None,
        "Is the rate surely outside its band?",
        _WISH,
        _unsure,
    ),
)
