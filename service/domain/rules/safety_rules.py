"""The safety rules, heard before all others: the referral list, the loss ceiling, floors and caps, warning signs."""

from typing import Any

from service.domain.evidence import Evidence, Screening
from service.domain.policy import REFER, Policy
from service.domain.rules.energy_step import RECOVERY_STEP, limit_step, recovery_step
from service.domain.rules.findings import PHASE_WORDS, Action, Move, Severity, Stage, Verdict, mean_at
from service.domain.rules.gate import (
    BODY_FAT_FLOOR,
    CLEARANCE,
    IN_DEFICIT,
    MILD_SYMPTOM,
    PAIN,
    REFERRAL_LIST,
    SYMPTOM_NOTED,
    UNSCREENED,
    closed_scopes,
    energy_availability,
    in_deficit,
    mild_symptom,
    painful_lifts,
    screened,
    too_lean,
    too_light,
)
from service.domain.rules.history import STRAIN, strained
from service.domain.rules.rule import Judge, Rule
from service.domain.rules.targets import ENERGY_FLOOR, LOWEST_ENERGY, energy_floor_kcal, fat_mass_kg, lowest_energy
from service.domain.wording import number

WELL_UNDER = 0.95  # an average counts as under a floor from 5 % below it; common practice, no source


def _listed(code: str) -> Judge:
    """Whether a condition of the referral list holds and is not cleared."""

    def judge(evidence: Evidence, policy: Policy) -> Verdict | None:
        condition = REFERRAL_LIST[code](evidence, policy)
        scopes = closed_scopes(evidence, policy, condition) if condition else ()
        if condition is None or not scopes:
            return None
        closed = " and ".join({"deficit": "no deficit", "load": "no added load"}[s] for s in scopes)
        words = f"The athlete {condition.words}: {closed} until a licensed professional has cleared it."
        dated = f", dated {condition.since} or later," if condition.since else ""
        need = f"a licensed professional's clearance for {' and '.join(scopes)}{dated} were recorded"
        return Verdict(words, {**condition.evidence, "closed": list(scopes)}, condition.moves, need)

    return judge


def _referral(code: str, question: str, *thresholds: str) -> Rule:
    names = (*thresholds, *CLEARANCE)
    return Rule(code, Stage.SAFETY, Severity.STOP, Action.REFER, question, names, _listed(code), REFER)


def _pain(evidence: Evidence, policy: Policy) -> Verdict | None:
    lifts = painful_lifts(evidence, policy)
    if not lifts:
        return None
    pains_noted = "; ".join(
        f"{exercise} {' and '.join(f'{number(p.level)}/10 on {p.on}' for p in pains)}" for exercise, pains in lifts
    )
    words = f"Pain on a lift: {pains_noted}. No load on it until a licensed professional has cleared it."
    notes = {exercise: [{"on": str(p.on), "level": p.level} for p in pains] for exercise, pains in lifts}
    last = max(p.on for _, pains in lifts for p in pains)
    need = f"a licensed professional's clearance for load, dated {last} or later, were recorded"
    return Verdict(words, {"exercises": notes}, (), need)


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
    return _too_fast(evidence, policy, "stop the deficit now.") if in_deficit(evidence, policy) else None


def _unexplained_loss(evidence: Evidence, policy: Policy) -> Verdict | None:
    if in_deficit(evidence, policy):
        return None
    return _too_fast(
        evidence,
        policy,
        "no deficit is planned, so eat at maintenance or above and have an unexplained loss looked at.",
    )


def _too_fast(evidence: Evidence, policy: Policy, what: str) -> Verdict | None:
    moves = loss_ceiling_broken_by(evidence, policy)
    if not moves:
        return None
    rates = {"tissue": evidence.tissue_rate_pct_per_week, "scale": evidence.rate_pct_per_week}
    shown = {k: (q.mean, q.probability_below(policy.loss_ceiling_pct)) for k, q in rates.items() if q is not None}
    chances = " and ".join(f"{number(p, 2)} by the {k} rate of {number(m, 2)} %/week" for k, (m, p) in shown.items())
    now = evidence.phase
    when = f"on day {now.day} of the {PHASE_WORDS[now.kind]}" if now else "outside any phase"
    ceiling = number(policy.loss_ceiling_pct, 1)
    words = f"Loss beyond {ceiling} %/week has a probability of {chances}, {when}: {what}"
    numbers: dict[str, Any] = {f"{k}_rate_pct_per_week": mean for k, (mean, _) in shown.items()}
    numbers |= {f"{k}_probability": p for k, (_, p) in shown.items()}
    numbers["day"] = evidence.phase.day if evidence.phase else None
    return Verdict(words, numbers, moves)


def _only_in_deficit(judge: Judge) -> Judge:
    return lambda evidence, policy: judge(evidence, policy) if in_deficit(evidence, policy) else None


def _bmi_low(evidence: Evidence, policy: Policy) -> Verdict | None:
    return None if in_deficit(evidence, policy) else too_light(evidence, policy)


def _energy_floor(evidence: Evidence, policy: Policy) -> Verdict | None:
    energy, least = evidence.energy_kcal, energy_floor_kcal(evidence, policy)
    if energy is None or energy >= least:
        return None
    words = f"The target of {number(energy)} kcal is below the energy floor of {number(least)} kcal."
    move = Move("targets.energy_kcal", least, "at_least")
    return Verdict(words, {"energy_kcal": energy, "floor_kcal": least}, (move,))


def _deficit_cap(evidence: Evidence, policy: Policy) -> Verdict | None:
    energy, maintenance = evidence.energy_kcal, evidence.maintenance_kcal
    if energy is None or maintenance is None:
        return None
    limit = lowest_energy(evidence, policy)
    excess = limit.energy_kcal - energy
    if limit.name == "energy_floor" or excess <= 0.0:
        return None
    share = 1.0 - policy.cut_deficit_max_pct / 100.0 if limit.name == "deficit_share" else 1.0
    if maintenance.probability_above(maintenance.mean - excess / share) < policy.deficit_cap_probability:
        return None
    deficit = maintenance.mean - energy
    caps = {
        "deficit_share": f"{number(policy.cut_deficit_max_pct)} % of maintenance",
        "deficit_fat": f"what {number(fat_mass_kg(evidence) or 0.0, 1)} kg of fat can cover",
    }
    words = (
        f"The planned deficit is {number(deficit)} kcal ({number(100.0 * deficit / maintenance.mean)} % of the"
        f" {number(maintenance.mean)} kcal of maintenance), more than {caps[limit.name]}:"
        f" eat {number(limit.energy_kcal)} kcal or more."
    )
    need = f"the target were at least {number(limit.energy_kcal)} kcal"
    return Verdict(
        words, {"deficit_kcal": deficit, "maintenance_kcal": maintenance.mean, "limit": limit.name}, condition=need
    )


def _other_glucose(evidence: Evidence, policy: Policy) -> Verdict | None:
    if evidence.screening is None or evidence.screening.glucose_lowering_medication != "other":
        return None
    return Verdict("The athlete takes a glucose-lowering medication: its prescriber should know of the deficit.", {})


NOTHING_ON_THE_LIST = Screening(False, False, False, False, "none")


def _unscreened(evidence: Evidence, policy: Policy) -> Verdict | None:
    if screened(evidence):
        return None
    return Verdict(
        "The screening questions are not all answered: nothing that starts or deepens a deficit is recommended before.",
        moves=(Move("screening", NOTHING_ON_THE_LIST, "answered"),),
    )


def _energy_availability(evidence: Evidence, policy: Policy) -> Verdict | None:
    logged = _eaten_kcal(evidence, policy)
    intake = evidence.energy_kcal if logged is None else logged
    available = None if intake is None else energy_availability(evidence, policy, intake)
    if intake is None or available is None or available >= WELL_UNDER * policy.energy_availability_flag:
        return None
    without = "" if evidence.exercise_kcal is not None else " before the cost of training, which is not known"
    words = (
        f"Energy availability is {number(available, 1)} kcal per kg of fat-free mass{without}, below"
        f" {number(policy.energy_availability_flag)}. This is a screen with poor sensitivity (45 %), no finding about"
        " health; with further signs (low mood, many infections, stress fractures, in women lost menses) refer."
    )
    planned = evidence.kind == "cut" and not _further_signs(evidence, policy)  # low in a cut by plan
    numbers = {"energy_availability_kcal_per_kg": available, "intake_kcal": intake}
    return Verdict(words, numbers, severity=Severity.INFO if planned else None)


def _further_signs(evidence: Evidence, policy: Policy) -> bool:
    """Whether anything beside the number speaks of too little energy: strain, missed menses, symptoms of late."""
    felt = evidence.wellbeing
    lately = [s for s in felt.symptoms if 0 <= (evidence.as_of - s.on).days < policy.symptom_window_days]
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
    words = f"Complete days average {number(eaten)} kcal, below the energy floor of {number(least)} kcal."
    move = Move("log.logged_intake_kcal", WELL_UNDER * least, "at_least")
    return Verdict(words, {"logged_intake_kcal": eaten, "floor_kcal": least}, (move,))


def _recover(evidence: Evidence, policy: Policy) -> Verdict | None:
    """Whether mass still falls outside a cut though the athlete is at a floor: a hold would let it go on."""
    at = [
        f for f in (too_light(evidence, policy), too_lean(evidence, policy), _eats_below_floor(evidence, policy)) if f
    ]
    change = recovery_step(evidence, policy)
    rate = evidence.rate
    if not at or change is None or rate is None:
        return None
    words = (
        f"{' '.join(f.statement for f in at)} The rate is {number(rate.mean, 2)} %/week all the same: raise energy to"
        f" {number(change.to_kcal)} kcal and speak to the athlete about eating."
    )
    numbers = {name: value for f in at for name, value in f.evidence.items()}
    need = "mass no longer fell, or the athlete were above every floor"
    return Verdict(words, {**numbers, "rate_pct_per_week": rate.mean}, condition=need)


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
    _referral("safety.pregnancy", "Is the athlete pregnant or breast-feeding?"),
    _referral("safety.minor", "Is the athlete a minor?", "adult_age_y"),
    _referral("safety.eating_disorder", "Is there a history of an eating disorder?"),
    _referral("safety.glucose_medication", "Insulin or sulfonylureas?"),
    _referral("safety.kidney_disease", "Is there kidney disease?"),
    _referral("safety.heart_or_metabolic", "Is there a heart or metabolic disease?"),
    _referral("safety.symptoms", "Chest pain or fainting?"),
    _referral("safety.symptoms_repeated", "Dizziness or palpitations again and again?", "symptom_window_days"),
    _referral("safety.menses_missing", "Has menstruation stopped?", "menses_missing_months"),
    Rule(
        "loss.ceiling",
        _S,
        _STOP,
        Action.STOP_DEFICIT,
        "Is mass being lost too fast to go on?",
        _CEILING,
        _loss_ceiling,
    ),
    Rule(
        "loss.unexplained",
        _S,
        _STOP,
        Action.REFER,
        "Is mass lost too fast without a deficit?",
        _CEILING,
        _unexplained_loss,
    ),
    Rule(
        "floor.body_fat",
        _S,
        _STOP,
        Action.STOP_DEFICIT,
        "Too lean for a deficit?",
        (*BODY_FAT_FLOOR, *IN_DEFICIT),
        _only_in_deficit(too_lean),
    ),
    Rule(
        "floor.bmi",
        _S,
        _STOP,
        Action.STOP_DEFICIT,
        "Too light for a deficit?",
        _LIGHT,
        _only_in_deficit(too_light),
    ),
    Rule(
        "safety.pain",
        _S,
        _STOP,
        Action.REFER,
        "Does a lift hurt again?",
        PAIN,
        _pain,
    ),
    Rule(
        "limit.energy_floor",
        _S,
        _WARN,
        Action.CHANGE_ENERGY,
        "Is the target below the floor?",
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
        "Is the planned deficit too large?",
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
        "Does mass fall on at a floor?",
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
        "Dizziness or palpitations lately?",
        MILD_SYMPTOM,
        mild_symptom,
    ),
    Rule(
        "safety.bmi_low",
        _S,
        _WARN,
        None,
        "Too light, though not in a deficit?",
        _LIGHT,
        _bmi_low,
    ),
    Rule(
        "safety.eats_below_floor",
        _S,
        _WARN,
        None,
        "Is less eaten than the floor?",
        (*ENERGY_FLOOR, "food_days_min_14_d"),
        _eats_below_floor,
    ),
    Rule(
        "safety.energy_availability",
        _S,
        _WARN,
        None,
        "Is little energy left for the body?",
        (
            "energy_availability_flag",
            "food_days_min_14_d",
            "reporting_ratio_min",
            *STRAIN,
            "symptom_window_days",
        ),
        _energy_availability,
    ),
    Rule(
        "safety.other_glucose_medication",
        _S,
        Severity.ADVICE,
        None,
        "Other glucose-lowering medication?",
        (),
        _other_glucose,
    ),
    Rule(UNSCREENED, _S, Severity.ADVICE, None, "Is the screening answered?", (), _unscreened),
)
