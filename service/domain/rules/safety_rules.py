"""The safety rules, heard before all others: the referral list, the loss ceiling, floors and caps, warning signs."""

from dataclasses import replace
from typing import Any

from service.domain.evidence import Evidence, Screening
from service.domain.policy import REFER, Policy
from service.domain.rules import pain_rules
from service.domain.rules.clearances import CLEARANCE
from service.domain.rules.energy_step import RECOVERY_STEP, limit_step, recovery_step
from service.domain.rules.findings import Action, Finding, Move, Severity, Stage, Verdict, finding, mean_at
from service.domain.rules.gate import (
    BODY_FAT_FLOOR,
    IN_DEFICIT,
    energy_availability,
    in_deficit,
    too_lean,
    too_light,
)
from service.domain.rules.history import STRAIN, strained
from service.domain.rules.referral import (
    MILD_SYMPTOM,
    NERVE_SIGNS,
    PERIOD_LATE,
    REFERRAL_LIST,
    SYMPTOM_NOTED,
    closed_scopes,
    late_period,
    mild_symptom,
)
from service.domain.rules.rule import Judge, Rule
from service.domain.rules.screening import ASKED_FOR_LOADS, SOURCE, UNSCREENED, screened, unanswered
from service.domain.rules.targets import (
    ENERGY_FLOOR,
    LOWEST_ENERGY,
    deficit_caps,
    energy_floor_kcal,
    limit_words,
    lowest_energy,
)
from service.domain.sentence import say

AVAILABILITY = "safety.energy_availability"
WELL_UNDER = 0.95  # an average counts as under a floor from 5 % below it; common practice, no source


def _listed(code: str) -> Judge:
    """Whether a condition of the referral list holds and is not cleared."""

    def judge(evidence: Evidence, policy: Policy) -> Verdict | None:
        condition = REFERRAL_LIST[code](evidence, policy)
        scopes = closed_scopes(evidence, policy, condition) if condition else ()
        if condition is None or not scopes:
            return None
        closed = tuple("training" if scope == "load" and condition.rest else scope for scope in scopes)
        statement = say("safety.listed", condition=condition.words, closed=closed)
        dated = condition.since and say("once.dated", since=condition.since)
        need = say("once.cleared", scopes=scopes, dated=dated)
        return Verdict(statement, {**condition.evidence, "closed": list(scopes)}, condition.moves, need)

    return judge


def _referral(code: str, *thresholds: str, source: str = REFER) -> Rule:
    names = (*thresholds, *CLEARANCE)
    return Rule(code, Stage.SAFETY, Severity.STOP, Action.REFER, names, _listed(code), source)


def loss_ceiling_broken_by(evidence: Evidence, policy: Policy) -> tuple[Move, ...]:
    """The rates that break the loss ceiling, as moves to where they would not; empty when it holds.

    Tissue loss counts on a fair chance: the estimate follows a steady loss with some delay. The scale's rate carries
    water: it counts when it is surely beyond the ceiling, or by its mean while tissue loss is beyond the fast edge.
    """
    ceiling, phase = policy.loss_ceiling_pct, evidence.phase
    if phase is not None and phase.day <= policy.loss_ceiling_after_day:
        return ()
    tissue, scale = evidence.tissue_rate_pct_per_week, evidence.rate_pct_per_week
    moves = []
    if tissue is not None:
        limit = mean_at(ceiling, tissue.sd, policy.loss_ceiling_tissue_probability, "below")
        if tissue.mean < limit:
            moves.append(Move("tissue_rate_pct_per_week.mean", limit, "at_least"))
    if scale is not None:
        p = policy.loss_ceiling_probability
        backed = tissue is None or tissue.mean < policy.cut_rate_fast_pct
        limit = ceiling if backed else mean_at(ceiling, scale.sd, p, "below")
        if scale.mean < limit:
            moves.append(Move("rate_pct_per_week.mean", limit, "at_least"))
    return tuple(moves)


def _loss_ceiling(evidence: Evidence, policy: Policy) -> Verdict | None:
    return _too_fast(evidence, policy, "loss.ceiling") if in_deficit(evidence, policy) else None


def _unexplained_loss(evidence: Evidence, policy: Policy) -> Verdict | None:
    if in_deficit(evidence, policy):
        return None
    return _too_fast(evidence, policy, "loss.unexplained")


def _too_fast(evidence: Evidence, policy: Policy, sentence_id: str) -> Verdict | None:
    moves = loss_ceiling_broken_by(evidence, policy)
    if not moves:
        return None
    rates = {"tissue": evidence.tissue_rate_pct_per_week, "scale": evidence.rate_pct_per_week}
    shown = {k: (q.mean, q.probability_below(policy.loss_ceiling_pct)) for k, q in rates.items() if q is not None}
    now = evidence.phase
    statement = say(
        sentence_id,
        ceiling_pct=-policy.loss_ceiling_pct,
        chances=tuple(say(f"loss.by_{k}", probability=p, rate=mean) for k, (mean, p) in shown.items()),
        when=say("loss.on_day", day=now.day, phase=now.kind) if now else say("loss.outside_phases"),
    )
    numbers: dict[str, Any] = {f"{k}_rate_pct_per_week": mean for k, (mean, _) in shown.items()}
    numbers |= {f"{k}_probability": p for k, (_, p) in shown.items()}
    numbers["day"] = evidence.phase.day if evidence.phase else None
    return Verdict(statement, numbers, moves)


def _only_in_deficit(judge: Judge) -> Judge:
    return lambda evidence, policy: judge(evidence, policy) if in_deficit(evidence, policy) else None


def _bmi_low(evidence: Evidence, policy: Policy) -> Verdict | None:
    return None if in_deficit(evidence, policy) else too_light(evidence, policy)


def _energy_floor(evidence: Evidence, policy: Policy) -> Verdict | None:
    energy, least = evidence.energy_kcal, energy_floor_kcal(evidence, policy)
    if energy is None or energy >= least:
        return None
    statement = say("limit.energy_floor", energy_kcal=energy, floor_kcal=least)
    move = Move("targets.energy_kcal", least, "at_least")
    return Verdict(statement, {"energy_kcal": energy, "floor_kcal": least}, (move,))


def _deficit_cap(evidence: Evidence, policy: Policy) -> Verdict | None:
    energy, maintenance = evidence.energy_kcal, evidence.maintenance_kcal
    if energy is None or maintenance is None:
        return None
    limit = lowest_energy(evidence, policy)
    if limit.name == "energy_floor" or energy >= limit.energy_kcal:
        return None
    chance = max(cap.probability_broken(energy) for cap in deficit_caps(evidence, policy))
    if chance < policy.deficit_cap_probability:
        return None
    deficit = maintenance.mean - energy
    statement = say(
        "limit.deficit",
        energy_kcal=energy,
        deficit_pct=100.0 * deficit / maintenance.mean,
        maintenance_kcal=maintenance.mean,
        cap=limit_words(limit, policy),
        probability=chance,
        least_kcal=limit.energy_kcal,
    )
    numbers = {
        "deficit_kcal": deficit,
        "maintenance_kcal": maintenance.mean,
        "limit": limit.name,
        "probability": chance,
        "least_kcal": limit.energy_kcal,
    }
    return Verdict(statement, numbers, condition=say("once.targets.energy_kcal.at_least", value=limit.energy_kcal))


def _other_glucose(evidence: Evidence, policy: Policy) -> Verdict | None:
    if evidence.screening is None or evidence.screening.glucose_lowering_medication != "other":
        return None
    return Verdict(say("safety.other_glucose_medication"))


NOTHING_ON_THE_LIST = Screening(False, False, False, False, "none", (), True, False, "moderate", "natural")


def _unscreened(evidence: Evidence, policy: Policy) -> Verdict | None:
    """What is not answered; where a deficit does not wait for it, only as information."""
    missing = unanswered(evidence.screening or Screening(), evidence.athlete.male)
    if not missing:
        return None
    facts = {"unanswered": list(missing)}
    if not screened(evidence):
        answered = Move("screening", NOTHING_ON_THE_LIST, "answered")
        return Verdict(say("screening.unanswered", questions=missing), facts, (answered,))
    loads = any(name in ASKED_FOR_LOADS for name in missing)
    statement = say("screening.asked_for" if loads else "screening.not_answered", questions=missing)
    return Verdict(statement, facts, (), say("once.screening.answered"), Severity.INFO)


def _energy_availability(evidence: Evidence, policy: Policy) -> Verdict | None:
    logged = _eaten_kcal(evidence, policy)
    intake = evidence.energy_kcal if logged is None else logged
    low = None if intake is None else _low_availability(evidence, policy, intake, "safety.energy_availability")
    planned = evidence.kind == "cut" and not _further_signs(evidence, policy)  # low in a cut by plan
    return low and replace(low, severity=Severity.INFO if planned else None)


def availability_after(evidence: Evidence, policy: Policy, energy_kcal: float) -> Finding | None:
    """The finding that an energy about to be set would leave too little for the body, None where it would not."""
    low = _low_availability(evidence, policy, energy_kcal, "safety.energy_availability_after")
    return None if low is None else finding(AVAILABILITY, Severity.WARNING, low, policy, _LOW_AVAILABILITY)


def _low_availability(evidence: Evidence, policy: Policy, intake_kcal: float, sentence_id: str) -> Verdict | None:
    available = energy_availability(evidence, policy, intake_kcal)
    if available is None:
        return None
    chance = available.probability_below(policy.energy_availability_flag)
    if chance < policy.energy_availability_probability:
        return None
    said = {"energy_kcal": intake_kcal} if sentence_id.endswith("_after") else {}
    statement = say(
        sentence_id,
        **said,
        available=available.mean,
        without=None if evidence.exercise_kcal is not None else say("safety.before_training"),
        flagged_below=policy.energy_availability_flag,
        sign=say("safety.low_libido" if evidence.athlete.male else "safety.missing_periods"),
    )
    numbers = {
        "energy_availability_kcal_per_kg": available.mean,
        "interval": [round(available.lo, 1), round(available.hi, 1)],
        "probability": chance,
        "intake_kcal": intake_kcal,
        "exercise_kcal": None if evidence.exercise_kcal is None else evidence.exercise_kcal.mean,
    }
    return Verdict(statement, numbers)


def _further_signs(evidence: Evidence, policy: Policy) -> bool:
    """Whether anything beside the number speaks of too little energy: strain, missed menses, symptoms of late."""
    felt = evidence.wellbeing
    lately = [
        s
        for s in felt.symptoms
        if s.kind not in NERVE_SIGNS and 0 <= (evidence.as_of - s.on).days < policy.symptom_window_days
    ]
    return bool(strained(evidence, policy) or lately or (felt.months_without_menstruation or 0.0) >= 1.0)


def _eaten_kcal(evidence: Evidence, policy: Policy) -> float | None:
    """Mean intake of the complete days, kcal, when there are enough of them: one fast is no average."""
    log = evidence.log
    return log.logged_intake_kcal if log.complete_food_days_14_d >= max(policy.food_days_min_14_d, 1) else None


def _eats_below_floor(evidence: Evidence, policy: Policy) -> Verdict | None:
    eaten, least = _eaten_kcal(evidence, policy), energy_floor_kcal(evidence, policy)
    if (
        eaten is None
        or eaten >= WELL_UNDER * least
        or (evidence.energy_kcal is not None and evidence.energy_kcal < least)
    ):
        return None
    statement = say("safety.eats_below_floor", eaten_kcal=eaten, floor_kcal=least)
    move = Move("log.logged_intake_kcal", WELL_UNDER * least, "at_least")
    return Verdict(statement, {"logged_intake_kcal": eaten, "floor_kcal": least}, (move,))


def _recover(evidence: Evidence, policy: Policy) -> Verdict | None:
    """Whether mass still falls outside a cut though the athlete is at a floor: a hold would let it go on."""
    at = [
        f for f in (too_light(evidence, policy), too_lean(evidence, policy), _eats_below_floor(evidence, policy)) if f
    ]
    change = recovery_step(evidence, policy)
    rate = evidence.rate
    if not at or change is None or rate is None:
        return None
    statement = say("floor.recover", floors=tuple(f.statement for f in at), rate=rate.mean, energy_kcal=change.to_kcal)
    numbers = {name: value for f in at for name, value in f.evidence.items()}
    need = say("once.mass_holds_or_floors_are_kept")
    return Verdict(statement, {**numbers, "rate_pct_per_week": rate.mean}, condition=need)


_LOW_AVAILABILITY = ("energy_availability_flag", "energy_availability_probability", "reporting_ratio_min")
_CEILING = (
    "loss_ceiling_pct",
    "loss_ceiling_after_day",
    "loss_ceiling_tissue_probability",
    "loss_ceiling_probability",
    "cut_rate_fast_pct",
    *IN_DEFICIT,
)
_LIGHT = ("bmi_floor", *IN_DEFICIT)
_S, _WARN, _STOP = Stage.SAFETY, Severity.WARNING, Severity.STOP

RULES: tuple[Rule, ...] = (
    _referral("safety.pregnancy"),
    _referral("safety.minor", "adult_age_y"),
    _referral("safety.eating_disorder"),
    _referral("safety.glucose_medication"),
    _referral("safety.kidney_disease"),
    _referral("safety.heart_or_metabolic"),
    _referral("safety.readiness", source=SOURCE),
    _referral("safety.symptoms"),
    _referral("safety.symptoms_repeated", "symptom_window_days"),
    _referral("safety.nerve_signs"),
    _referral("safety.menses_missing", "menses_missing_months"),
    Rule(
        "loss.ceiling",
        _S,
        _STOP,
        Action.STOP_DEFICIT,
        _CEILING,
        _loss_ceiling,
    ),
    Rule(
        "loss.unexplained",
        _S,
        _STOP,
        Action.REFER,
        _CEILING,
        _unexplained_loss,
    ),
    Rule(
        "floor.body_fat",
        _S,
        _STOP,
        Action.STOP_DEFICIT,
        (*BODY_FAT_FLOOR, *IN_DEFICIT),
        _only_in_deficit(too_lean),
    ),
    Rule(
        "floor.bmi",
        _S,
        _STOP,
        Action.STOP_DEFICIT,
        _LIGHT,
        _only_in_deficit(too_light),
    ),
    *pain_rules.RULES,
    Rule(
        "limit.energy_floor",
        _S,
        _WARN,
        Action.CHANGE_ENERGY,
        ENERGY_FLOOR,
        _energy_floor,
        step=limit_step,
        rise="at_once",
    ),
    Rule(
        "limit.deficit",
        _S,
        _WARN,
        Action.CHANGE_ENERGY,
        ("deficit_cap_probability", *LOWEST_ENERGY),
        _deficit_cap,
        step=limit_step,
        rise="at_once",
    ),
    Rule(
        "floor.recover",
        _S,
        _WARN,
        Action.CHANGE_ENERGY,
        (*BODY_FAT_FLOOR, "bmi_floor", "food_days_min_14_d", *RECOVERY_STEP),
        _recover,
        step=recovery_step,
        rise="at_once",
    ),
    Rule(
        SYMPTOM_NOTED,
        _S,
        _WARN,
        None,
        MILD_SYMPTOM,
        mild_symptom,
    ),
    Rule(
        "safety.bmi_low",
        _S,
        _WARN,
        None,
        _LIGHT,
        _bmi_low,
    ),
    Rule(
        "safety.eats_below_floor",
        _S,
        _WARN,
        None,
        (*ENERGY_FLOOR, "food_days_min_14_d"),
        _eats_below_floor,
    ),
    Rule(
        AVAILABILITY,
        _S,
        _WARN,
        None,
        (
            *_LOW_AVAILABILITY,
            "food_days_min_14_d",
            *STRAIN,
            "symptom_window_days",
        ),
        _energy_availability,
    ),
    Rule(
        PERIOD_LATE,
        _S,
        _WARN,
        None,
        ("menses_late_months", "menses_missing_months"),
        late_period,
    ),
    Rule(
        "safety.other_glucose_medication",
        _S,
        Severity.ADVICE,
        None,
        (),
        _other_glucose,
    ),
    Rule(UNSCREENED, _S, Severity.ADVICE, None, (), _unscreened),
)
