"""The rules about energy: is a change due, what holds it back, and is strength being lost?

They act on the probability that the true rate is outside the band on one side, never on the point estimate. Rules that
hold a change back stand before the rules that ask for one; those of the rate itself follow in `rate_rules`.
"""

from dataclasses import replace
from datetime import timedelta

from service.domain.evidence import Evidence, Kind, ScalarEstimate
from service.domain.policy import Policy
from service.domain.rules.data_rules import average_of, by_equations
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
    in_first_days,
    rate_edges,
    rate_step,
    strength_step,
)
from service.domain.rules.findings import Action, Move, Severity, Stage, Verdict
from service.domain.rules.gate import maintenance_by_profile_kcal, reporting_by_profile
from service.domain.rules.history import STRAIN, repeated, strained
from service.domain.rules.rule import Rule
from service.domain.rules.targets import (
    LOWEST_ENERGY,
    PHASE_ENERGY,
    PhaseEnergy,
    energy_floor_kcal,
    limit_words,
    lowest_energy,
    phase_energy,
)
from service.domain.sentence import Sentence, say

HALF_CYCLE_DAYS = 14.0  # of a menstrual cycle of 28; common practice, no source


def energy_direction(evidence: Evidence, policy: Policy) -> Direction | None:
    """Which way energy would move, by strength or by rate; None when it would stay."""
    if _strength(evidence, policy) is not None:
        return "raise"
    adjustment = energy_adjustment(evidence, policy)
    return adjustment.direction if adjustment else None


def _quiet(evidence: Evidence, policy: Policy) -> Verdict | None:
    now = evidence.phase
    if now is None or not in_first_days(evidence, policy):
        return None
    statement = say("energy.quiet_days", day=now.day, phase=now.kind, first_day=policy.energy_quiet_days + 1)
    return Verdict(statement, {"day": now.day}, (Move("phase.day", policy.energy_quiet_days, "above"),))


def _too_soon(evidence: Evidence, policy: Policy) -> Verdict | None:
    last = evidence.history.last_energy_change_on
    if last is None or energy_direction(evidence, policy) is None:
        return None
    days = (evidence.as_of - last).days
    if days >= policy.energy_change_min_interval_days:
        return None
    statement = say("energy.too_soon", days=days, least_days=policy.energy_change_min_interval_days)
    before = evidence.as_of - timedelta(days=policy.energy_change_min_interval_days)
    again = say(
        "once.energy_may_change_again", on=last + (evidence.as_of - before), days=(evidence.as_of - before).days
    )
    move = Move("history.last_energy_change_on", before, "at_most", again)
    return Verdict(statement, {"last_change_on": str(last), "days": days}, (move,))


def _cycle_water(evidence: Evidence, policy: Policy) -> Verdict | None:
    """Whether cycle water may be why the rate asks for less energy: no start of menstruation was logged yet.

    A swing from trough to peak takes half a cycle: it would be as much of the rate.
    """
    days, rate, mass = evidence.log.days_without_cycle_start, evidence.rate, evidence.average_mass_kg
    if days is None or days > policy.cycle_unseen_days or rate is None or mass is None:
        return None
    if not _lowers(evidence, policy):
        return None
    share_pct = 100.0 * policy.cycle_water_kg / mass.mean * 7.0 / HALF_CYCLE_DAYS
    (_, _), (edge, _) = rate_edges(evidence, policy)
    if rate.mean - share_pct > edge:
        return None
    statement = say("energy.cycle_water", kg=policy.cycle_water_kg, days=days, first_day=policy.cycle_unseen_days + 1)
    numbers = {"days_without_cycle_start": days, "rate_pct_per_week": rate.mean, "cycle_pct_per_week": share_pct}
    return Verdict(statement, numbers, (Move("log.days_without_cycle_start", policy.cycle_unseen_days, "above"),))


def _water_shift(evidence: Evidence, policy: Policy) -> Verdict | None:
    """Whether the scale rose within days by more than tissue can, not long enough ago to be anything but water."""
    rise = evidence.log.water_shift
    if rise is None or rise.kg < policy.water_shift_kg or not _lowers(evidence, policy):
        return None
    before = evidence.as_of - timedelta(days=policy.water_shift_days)
    if rise.since <= before:
        return None
    days = (evidence.as_of - rise.since).days
    statement = say("energy.water_shift", kg=rise.kg, days=days, least_days=policy.water_shift_days)
    need = say("once.rise_has_lasted", days=policy.water_shift_days)
    return Verdict(statement, {"kg": rise.kg, "since": str(rise.since)}, condition=need)


def maintenance_before_phase(evidence: Evidence) -> ScalarEstimate | None:
    """Maintenance as the last review before the present phase had it; None without one."""
    phase = evidence.phase
    if phase is None:
        return None
    return next((r.maintenance_kcal for r in evidence.history.reviews if r.as_of < phase.starts_on), None)


def _flat_on_paper(evidence: Evidence, policy: Policy) -> Verdict | None:
    """Whether a cut that the log shows has left the scale flat for weeks, after a maintenance that was well known.

    Expenditure does not fall by all of a deficit; food that is not logged is the usual reason (common practice).
    """
    phase, rate, logged = evidence.phase, evidence.rate_pct_per_week, evidence.log.logged_intake_kcal
    before = maintenance_before_phase(evidence)
    if phase is None or phase.kind != "cut" or rate is None or logged is None or before is None:
        return None
    deficit_pct = 100.0 * (1.0 - logged / before.mean)
    flat = abs(rate.mean) <= policy.maintain_rate_pct and phase.day >= policy.flat_cut_days
    known = before.half_width_pct is not None and before.half_width_pct <= policy.maintenance_interval_pct
    if not (flat and known and deficit_pct >= policy.flat_cut_logged_deficit_pct and _lowers(evidence, policy)):
        return None
    if repeated(evidence, "energy.flat_on_paper", 1):
        return None
    statement = say(
        "energy.flat_on_paper", day=phase.day, logged_kcal=logged, under_pct=deficit_pct, maintenance_kcal=before.mean
    )
    numbers = {"logged_kcal": logged, "maintenance_before_kcal": before.mean, "logged_deficit_pct": deficit_pct}
    return Verdict(statement, numbers, condition=INSTEAD_OF_LESS)


def _lowers(evidence: Evidence, policy: Policy) -> bool:
    return energy_direction(evidence, policy) == "lower"


def _strain(evidence: Evidence, policy: Policy) -> Verdict | None:
    signs = strained(evidence, policy)
    if evidence.kind != "cut" or not signs or not _lowers(evidence, policy):
        return None
    statement = say("energy.strain", signs=tuple(sign.sentence for sign in signs))
    need = say("once.fewer_signs_of_strain", signs=policy.strain_signs)
    return Verdict(statement, {"signs": dict(signs)}, condition=need)


def _ask_for_logs(evidence: Evidence, policy: Policy) -> Verdict | None:
    days = evidence.log.complete_food_days_14_d
    if evidence.kind == "build" or not _lowers(evidence, policy) or days >= policy.complete_log_days:
        return None
    if repeated(evidence, "energy.ask_for_logs", 1):
        return None
    move = Move("log.complete_food_days_14_d", policy.complete_log_days, "at_least")
    return Verdict(say("energy.ask_for_logs", days=days), {"complete_food_days_14_d": days}, (move,))


def _unset(evidence: Evidence, policy: Policy) -> Verdict | None:
    if evidence.kind is None or evidence.energy_kcal is not None:
        return None
    fits, maintenance = phase_energy(evidence, policy, evidence.kind), evidence.maintenance_kcal
    if fits is None or maintenance is None:
        return None
    lo, hi = (_fitting_at(evidence, policy, evidence.kind, kcal) for kcal in (maintenance.lo, maintenance.hi))
    rests_on = _equations(evidence, policy) if by_equations(evidence, policy) else None
    statement = say("energy.unset", phase=evidence.kind, energy_kcal=fits.energy_kcal, lo=lo, hi=hi, rests_on=rests_on)
    numbers = {
        "fitting_kcal": fits.energy_kcal,
        "interval_kcal": [lo, hi],
        "maintenance_kcal": maintenance.mean,
        "rests_on": "log" if rests_on is None else "equations",
        "limited_by": fits.limited_by,
    }
    return Verdict(statement, numbers, condition=say("once.energy_is_set"))


def _fitting_at(evidence: Evidence, policy: Policy, kind: Kind, maintenance_kcal: float) -> float:
    """The energy that a phase needs if maintenance were surely this."""
    sure = ScalarEstimate(maintenance_kcal, 0.0, maintenance_kcal, maintenance_kcal)
    fits = phase_energy(replace(evidence, maintenance_kcal=sure), policy, kind)
    assert fits is not None
    return fits.energy_kcal


def _equations(evidence: Evidence, policy: Policy) -> Sentence:
    """What the equations are given of an athlete, in words."""
    activity = "said" if evidence.athlete.activity_factor is not None else "usual"
    average = average_of(evidence, policy)
    return say(
        "energy.by_equations",
        weight=say("energy.weight_of_few", average=average) if average else None,
        activity=say(f"energy.activity.{activity}"),
    )


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
    true, limit = usual / reporting_by_profile(evidence), at_limit(evidence, policy)
    floored = limit is not None and limit.evidence["limit"] == "energy_floor"
    if logged.hi >= usual or not (floored or logged.mean < policy.reporting_ratio_min * true):
        return None
    ratio = logged.mean / true
    statement = say("energy.under_reported", logged_kcal=logged.mean, expected_kcal=true, missing=1.0 - ratio)
    numbers = {"maintenance_kcal": logged.mean, "by_profile_kcal": usual, "expected_kcal": true, "ratio": ratio}
    return Verdict(statement, numbers, condition=say("once.maintenance_is_usual", usual_kcal=usual))


INSTEAD_OF_LESS = say("once.rate_is_back_or_gap_is_found")


def at_limit(evidence: Evidence, policy: Policy) -> Verdict | None:
    """Whether the rate asks for less energy in a cut but the limits leave no step worth making.

    None below the energy floor: there the target rises.
    """
    now, phase = evidence.energy_kcal, evidence.phase
    if now is None or phase is None or phase.kind != "cut" or not _lowers(evidence, policy):
        return None
    limit = lowest_energy(evidence, policy)
    if now < energy_floor_kcal(evidence, policy):
        return None
    eaten = evidence.log.logged_intake_kcal
    followed = eaten is None or eaten - now < policy.energy_step_min_kcal
    if now - limit.energy_kcal >= policy.energy_step_min_kcal or not followed:
        return None
    words = limit_words(limit, policy)
    statement = say("energy.at_limit", energy_kcal=now, limit=words, limit_kcal=limit.energy_kcal)
    numbers = {"energy_kcal": now, "limit_kcal": limit.energy_kcal, "limit": limit.name}
    return Verdict(statement, numbers, condition=INSTEAD_OF_LESS)


def _target_fits(evidence: Evidence, policy: Policy) -> Verdict | None:
    adjustment, now, eaten = energy_adjustment(evidence, policy), evidence.energy_kcal, evidence.log.logged_intake_kcal
    if adjustment is None or now is None or evidence.kind is None or _strength(evidence, policy) is not None:
        return None
    aim = phase_energy(evidence, policy, evidence.kind)
    if aim is None or rate_step(evidence, policy) is not None:
        return None
    if eaten is not None and abs(eaten - now) >= policy.energy_step_min_kcal:
        side = "above" if eaten > now else "below"
        then = say(f"energy.eaten_{side}_target", eaten_kcal=eaten, off_kcal=abs(eaten - now))
    else:
        then = say("energy.give_it_a_week")
    rate, fit = _adjustment_asked(adjustment), _fits(evidence, policy, aim, adjustment)
    way = -1.0 if adjustment.direction == "lower" else 1.0
    edge_kcal = now + way * policy.energy_step_min_kcal
    beyond = "lower" if way < 0.0 else "higher"
    need = say(f"once.fitting_is_{beyond}", edge_kcal=edge_kcal, fitting_kcal=aim.energy_kcal)
    if way < 0.0 and aim.limited_by is not None:
        need = INSTEAD_OF_LESS
    numbers = {"energy_kcal": now, "fitting_kcal": aim.energy_kcal, "logged_intake_kcal": eaten}
    return Verdict(say("energy.target_fits", rate=rate, fit=fit, then=then), numbers, condition=need)


def _adjustment_asked(adjustment: EnergyAdjustment) -> Sentence:
    if adjustment.code == "rate.not_in_deficit":
        return say("energy.no_real_deficit", probability=adjustment.probability)
    way = "loss" if adjustment.edge_pct < 0.0 else "gain"
    pace = "faster" if (adjustment.side == "below") is (way == "loss") else "slower"
    edge_pct = abs(adjustment.edge_pct)
    return say(f"energy.{way}_{pace}", edge_pct=edge_pct, probability=adjustment.probability)


def _fits(evidence: Evidence, policy: Policy, aim: PhaseEnergy, adjustment: EnergyAdjustment) -> Sentence:
    """What the phase asks for at the estimated maintenance, beside the target."""
    now, estimate = evidence.energy_kcal or 0.0, evidence.maintenance_kcal
    maintenance = estimate.mean if estimate else 0.0
    if abs(aim.energy_kcal - now) >= policy.energy_step_min_kcal:
        return say(
            f"energy.no_reason_to_{adjustment.direction}",
            maintenance_kcal=maintenance,
            phase=evidence.kind,
            fitting_kcal=aim.energy_kcal,
            energy_kcal=now,
        )
    fit = "as_asked" if aim.limited_by is None else "as_limited"
    return say(f"energy.{fit}", energy_kcal=now, phase=evidence.kind, maintenance_kcal=maintenance)


def _strength(evidence: Evidence, policy: Policy) -> Verdict | None:
    lost = evidence.strength_lost
    if evidence.kind != "cut" or lost is None or lost < policy.strength_warn_probability:
        return None
    if in_first_days(evidence, policy):
        return None
    change = strength_step(evidence, policy)
    if change is None:
        return None
    down = tuple(
        x.exercise for x in evidence.main_lifts if (x.probability_lost or 0.0) >= policy.strength_warn_probability
    )
    statement = say(
        "strength.lost",
        loss_pct=policy.strength_loss_pct,
        probability=lost,
        lifts=say("strength.lifts_down", lifts=down) if down else None,
    )
    move = Move("probability_strength_lost", policy.strength_warn_probability, "below")
    return Verdict(statement, {"probability_lost": lost, "lifts": down}, (move,))


_E, _ADVICE, _WARN, _INFO = Stage.ENERGY, Severity.ADVICE, Severity.WARNING, Severity.INFO
STRENGTH_LOST = ("strength_warn_probability", "energy_quiet_days", "strength_loss_pct", *STRENGTH_STEP)
DIRECTION = (*ADJUSTMENT, *STRENGTH_LOST)
_CUT_DIRECTION = (*CUT_ADJUSTMENT, *STRENGTH_LOST)
AT_LIMIT = (*_CUT_DIRECTION, *LOWEST_ENERGY, "energy_step_min_kcal")
_FIRST_TARGETS = (*PHASE_ENERGY, "maintenance_by_equations_pct", "weigh_ins_min_14_d")

RULES: tuple[Rule, ...] = (
    Rule("energy.unset", _E, _ADVICE, Action.CHANGE_ENERGY, _FIRST_TARGETS, _unset, step=first_step),
    Rule(
        "energy.quiet_days",
        _E,
        _INFO,
        None,
        ("energy_quiet_days",),
        _quiet,
        supports_hold=True,
    ),
    Rule(
        "energy.cycle_water", _E, _INFO, Action.HOLD, ("cycle_unseen_days", "cycle_water_kg", *DIRECTION), _cycle_water
    ),
    Rule(
        "energy.water_shift", _E, _INFO, Action.HOLD, ("water_shift_kg", "water_shift_days", *DIRECTION), _water_shift
    ),
    Rule(
        "energy.too_soon",
        _E,
        _INFO,
        Action.HOLD,
        ("energy_change_min_interval_days", *DIRECTION),
        _too_soon,
        delays_rise=True,
    ),
    Rule(
        "energy.strain",
        _E,
        _WARN,
        Action.HOLD,
        (*STRAIN, *_CUT_DIRECTION),
        _strain,
    ),
    Rule(
        "energy.flat_on_paper",
        _E,
        _ADVICE,
        Action.COLLECT_DATA,
        (
            "flat_cut_days",
            "flat_cut_logged_deficit_pct",
            "maintenance_interval_pct",
            "maintain_rate_pct",
            *_CUT_DIRECTION,
        ),
        _flat_on_paper,
    ),
    Rule(
        "energy.under_reported",
        _E,
        _ADVICE,
        Action.COLLECT_DATA,
        AT_LIMIT,
        _under_reported,
    ),
    Rule("energy.at_limit", _E, _ADVICE, Action.HOLD, AT_LIMIT, at_limit),
    Rule(
        "energy.target_fits",
        _E,
        _ADVICE,
        Action.HOLD,
        (*CUT_OR_BUILD_STEP, *MAINTAIN_STEP, *STRENGTH_LOST),
        _target_fits,
    ),
    Rule(
        "energy.ask_for_logs",
        _E,
        _ADVICE,
        Action.COLLECT_DATA,
        ("complete_log_days", *_CUT_DIRECTION, "maintain_rate_pct"),
        _ask_for_logs,
    ),
    Rule(
        "strength.lost",
        _E,
        _WARN,
        Action.CHANGE_ENERGY,
        STRENGTH_LOST,
        _strength,
        step=strength_step,
        rise="when_due",
    ),
)
