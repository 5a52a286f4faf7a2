"""The safety gate: who may not be put into a deficit or under more load, why, and until when.

The service never diagnoses. A condition on the referral list closes the gate until a licensed professional's clearance
is recorded; nothing that starts or deepens a deficit, or raises load, passes a closed gate.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np

from service.domain.estimation.model import (
    MASS_INDEX_MEAN,
    REPORTING_MEAN,
    REPORTING_UNLOGGED_MEAN,
    USUAL_AGE_Y,
    USUAL_HEIGHT_FEMALE_CM,
    USUAL_HEIGHT_MALE_CM,
    judged_activity,
)
from service.domain.evidence import Clearance, Evidence, Pain, Scope, Screening, Symptom
from service.domain.physiology.composition import energy_availability_kcal_per_kg
from service.domain.physiology.energy import mifflin_st_jeor
from service.domain.policy import Policy
from service.domain.rules.findings import Move, Verdict
from service.domain.rules.targets import ENERGY_FLOOR, energy_floor_kcal, reporting_ratio
from service.domain.sentence import Sentence, say

BOTH: tuple[Scope, ...] = ("deficit", "load")
DEFICIT: tuple[Scope, ...] = ("deficit",)
SYMPTOM_NOTED = "safety.symptom_noted"  # the finding that closes the way into a deeper deficit
UNSCREENED = "screening.unanswered"  # the finding that stands before it


@dataclass(frozen=True)
class Condition:
    """Something on the referral list that holds for this athlete, whether cleared or not."""

    code: str
    scopes: tuple[Scope, ...]
    words: Sentence  # what holds, after “the athlete …”
    since: date | None  # a clearance must not be older than this
    evidence: dict[str, Any]
    moves: tuple[Move, ...] = ()


Finder = Callable[[Evidence, Policy], Condition | None]


@dataclass(frozen=True)
class Gate:
    """What may be planned: a deficit, more load; which lifts are stopped; which codes closed it."""

    deficit_open: bool
    load_open: bool
    deepening_open: bool  # also closed by a fresh mild symptom
    screened: bool
    closed_exercises: tuple[str, ...]
    closed_by: tuple[str, ...]
    on_referral_list: bool  # also when cleared: then still no fasting window
    window_open: bool  # an eating window may be set where one is asked for: not on the list
    kidney_closed: bool


def screened(evidence: Evidence) -> bool:
    """Whether every screening question was answered."""
    answers = evidence.screening
    return answers is not None and None not in (
        answers.pregnant_or_breastfeeding,
        answers.eating_disorder_history,
        answers.kidney_disease,
        answers.heart_or_metabolic_disease,
        answers.glucose_lowering_medication,
    )


def _minor(evidence: Evidence, policy: Policy) -> Condition | None:
    age = evidence.athlete.age_y
    if age is None or age >= policy.adult_age_y:
        return None
    words = say("listed.minor", age_y=int(age), adult_age_y=policy.adult_age_y)
    move = Move("athlete.age_y", policy.adult_age_y, "at_least")
    return Condition("safety.minor", BOTH, words, None, {"age_y": age}, (move,))


def _answered_yes(
    code: str, answer: Callable[[Screening], bool | None], scopes: tuple[Scope, ...], words: Sentence
) -> Finder:
    """The condition that stands behind a screening question of yes or no."""

    def find(evidence: Evidence, policy: Policy) -> Condition | None:
        if evidence.screening is None or not answer(evidence.screening):
            return None
        return Condition(code, scopes, words, None, {"screening": "yes"})

    return find


def _glucose_medication(evidence: Evidence, policy: Policy) -> Condition | None:
    drug = evidence.screening.glucose_lowering_medication if evidence.screening else None
    if drug not in ("insulin", "sulfonylurea"):
        return None
    words = say("listed.glucose_medication", medication=drug)
    return Condition("safety.glucose_medication", DEFICIT, words, None, {"medication": drug})


def _symptoms(evidence: Evidence, policy: Policy) -> Condition | None:
    grave = sorted({(x.on, x.kind) for x in evidence.wellbeing.symptoms if x.kind in ("chest_pain", "fainting")})
    if not grave:
        return None
    on, kind = grave[-1]
    words = say("listed.symptoms", symptom=kind, on=on)
    return Condition("safety.symptoms", BOTH, words, on, {"symptom": kind, "on": str(on)})


def _symptoms_repeated(evidence: Evidence, policy: Policy) -> Condition | None:
    days = sorted({symptom.on for symptom in _mild_symptoms(evidence, policy)})
    if len(days) < 2:
        return None
    words = say("listed.symptoms_repeated", days=len(days), of_days=policy.symptom_window_days)
    numbers = {"days": len(days), "last_on": str(days[-1])}
    return Condition("safety.symptoms_repeated", BOTH, words, days[-1], numbers)


def _menses_missing(evidence: Evidence, policy: Policy) -> Condition | None:
    months = evidence.wellbeing.months_without_menstruation
    if months is None or months < policy.menses_missing_months or evidence.athlete.male is True:
        return None
    words = say("listed.menses_missing", months=months)
    move = Move("wellbeing.months_without_menstruation", policy.menses_missing_months, "below")
    return Condition("safety.menses_missing", DEFICIT, words, None, {"months": months}, (move,))


_PREGNANCY = _answered_yes("safety.pregnancy", lambda s: s.pregnant_or_breastfeeding, BOTH, say("listed.pregnancy"))
_EATING_DISORDER = _answered_yes(
    "safety.eating_disorder", lambda s: s.eating_disorder_history, DEFICIT, say("listed.eating_disorder")
)
_KIDNEY = _answered_yes("safety.kidney_disease", lambda s: s.kidney_disease, DEFICIT, say("listed.kidney_disease"))
_HEART = _answered_yes(
    "safety.heart_or_metabolic", lambda s: s.heart_or_metabolic_disease, BOTH, say("listed.heart_or_metabolic")
)
REFERRAL_LIST: dict[str, Finder] = {  # code: whether the condition holds, cleared or not
    "safety.minor": _minor,
    "safety.pregnancy": _PREGNANCY,
    "safety.eating_disorder": _EATING_DISORDER,
    "safety.kidney_disease": _KIDNEY,
    "safety.heart_or_metabolic": _HEART,
    "safety.glucose_medication": _glucose_medication,
    "safety.symptoms": _symptoms,
    "safety.symptoms_repeated": _symptoms_repeated,
    "safety.menses_missing": _menses_missing,
}


def conditions(evidence: Evidence, policy: Policy) -> tuple[Condition, ...]:
    """Everything on the referral list that holds for the athlete, in the list's order."""
    return tuple(c for find in REFERRAL_LIST.values() if (c := find(evidence, policy)) is not None)


def _mild_symptoms(evidence: Evidence, policy: Policy) -> list[Symptom]:
    """Dizziness and palpitations that still count."""
    return [
        symptom
        for symptom in evidence.wellbeing.symptoms
        if symptom.kind in ("dizziness", "palpitations")
        and 0 <= (evidence.as_of - symptom.on).days < policy.symptom_window_days
    ]


CLEARANCE = ("clearance_valid_days",)


def clearance(evidence: Evidence, policy: Policy, scope: Scope, since: date | None) -> Clearance | None:
    """The newest valid clearance of a scope, given not before `since` and not after the review date; None without."""
    clearances = evidence.screening.clearances if evidence.screening else ()
    valid = [
        c
        for c in clearances
        if c.scope == scope
        and 0 <= (evidence.as_of - c.on).days <= policy.clearance_valid_days
        and (since is None or c.on >= since)
    ]
    return max(valid, key=lambda c: (c.on, c.by), default=None)


def closed_scopes(evidence: Evidence, policy: Policy, condition: Condition) -> tuple[Scope, ...]:
    """The scopes of a condition that no clearance has opened."""
    return tuple(s for s in condition.scopes if clearance(evidence, policy, s, condition.since) is None)


PAIN = ("pain_level", "pain_times", "pain_window_days", *CLEARANCE)


def painful_lifts(evidence: Evidence, policy: Policy) -> tuple[tuple[str, tuple[Pain, ...]], ...]:
    """Exercises with enough pain, often enough, close enough together, and no clearance of load since."""
    by_lift: dict[str, dict[date, Pain]] = {}
    for pain in evidence.wellbeing.pains:
        if pain.level >= policy.pain_level and pain.on <= evidence.as_of:
            days = by_lift.setdefault(pain.exercise, {})
            if pain.on not in days or days[pain.on].level < pain.level:
                days[pain.on] = pain
    stopped = []
    for exercise in sorted(by_lift):
        notes = [by_lift[exercise][on] for on in sorted(by_lift[exercise])]
        runs = [notes[i : i + policy.pain_times] for i in range(len(notes) - policy.pain_times + 1)]
        close = [run for run in runs if (run[-1].on - run[0].on).days < policy.pain_window_days]
        if close and clearance(evidence, policy, "load", close[-1][-1].on) is None:
            stopped.append((exercise, tuple(close[-1])))
    return tuple(stopped)


def gate(evidence: Evidence, policy: Policy) -> Gate:
    """What may be planned for this athlete on this date."""
    listed = conditions(evidence, policy)
    closed = [(c.code, closed_scopes(evidence, policy, c)) for c in listed]
    lifts = painful_lifts(evidence, policy)
    mild = mild_symptom(evidence, policy) is not None
    return Gate(
        deficit_open=not any("deficit" in scopes for _, scopes in closed),
        load_open=not (mild or any("load" in scopes for _, scopes in closed)),
        deepening_open=not mild,
        screened=screened(evidence),
        closed_exercises=tuple(exercise for exercise, _ in lifts),
        closed_by=tuple(code for code, scopes in closed if scopes) + (("safety.pain",) if lifts else ()),
        on_referral_list=bool(listed),
        window_open=not listed,
        kidney_closed=any(code == "safety.kidney_disease" and scopes for code, scopes in closed),
    )


def stricter(first: Gate, second: Gate) -> Gate:
    """What both gates let through: the same athlete on two days."""
    return Gate(
        deficit_open=first.deficit_open and second.deficit_open,
        load_open=first.load_open and second.load_open,
        deepening_open=first.deepening_open and second.deepening_open,
        screened=first.screened and second.screened,
        closed_exercises=tuple(sorted({*first.closed_exercises, *second.closed_exercises})),
        closed_by=tuple(dict.fromkeys((*first.closed_by, *second.closed_by))),
        on_referral_list=first.on_referral_list or second.on_referral_list,
        window_open=first.window_open and second.window_open,
        kidney_closed=first.kidney_closed or second.kidney_closed,
    )


MILD_SYMPTOM = ("symptom_window_days", *CLEARANCE)


def mild_symptom(evidence: Evidence, policy: Policy) -> Verdict | None:
    """Whether dizziness or palpitations were noted lately and not cleared since."""
    recent = sorted((symptom.on, symptom.kind) for symptom in _mild_symptoms(evidence, policy))
    if not recent or clearance(evidence, policy, "load", recent[-1][0]) is not None:
        return None
    on, kind = recent[-1]
    statement = say("safety.symptom_noted", symptom=kind, on=on, days=policy.symptom_window_days)
    over = on + timedelta(days=policy.symptom_window_days)
    need = say("once.symptom_is_over_or_cleared", over=over, since=on)
    return Verdict(statement, {"symptom": kind, "on": str(on)}, condition=need)


BODY_FAT_FLOOR = ("body_fat_floor_male_pct", "body_fat_floor_female_pct")


def body_fat_floor_pct(evidence: Evidence, policy: Policy) -> float:
    """Body fat below which no deficit is planned; the higher one when the sex is unknown."""
    return policy.body_fat_floor_male_pct if evidence.athlete.male is True else policy.body_fat_floor_female_pct


def maintenance_by_profile_kcal(evidence: Evidence, policy: Policy) -> float:
    """Logged-scale maintenance of somebody by profile alone, kcal/d, never below the energy floor.

    Equation: resting energy (Mifflin and others 1990, 10.1093/ajcn/51.2.241) × activity × `reporting_by_profile`, as in
    the prior of the estimation; at the average mass, else at the mean body mass index of that prior. What
    is unknown is taken as there (178 or 165 cm, 30 years), an unknown sex as male: the higher need.
    """
    who = evidence.athlete
    male = who.male is not False
    height_cm = who.height_cm or (USUAL_HEIGHT_MALE_CM if male else USUAL_HEIGHT_FEMALE_CM)
    usual_kg = MASS_INDEX_MEAN * (height_cm / 100.0) ** 2
    mass_kg = evidence.average_mass_kg.mean if evidence.average_mass_kg else usual_kg
    resting = float(mifflin_st_jeor(mass_kg, height_cm, USUAL_AGE_Y if who.age_y is None else who.age_y, male))
    activity = float(judged_activity(np.array(np.nan if who.activity_factor is None else who.activity_factor)))
    return max(reporting_by_profile(evidence) * activity * resting, energy_floor_kcal(evidence, policy))


def reporting_by_profile(evidence: Evidence) -> float:
    """Logged over eaten as it is presumed: the usual share of who has logged food, 1 of who has not."""
    return REPORTING_UNLOGGED_MEAN if evidence.log.days_since_food is None else REPORTING_MEAN


def energy_availability(evidence: Evidence, policy: Policy, intake_kcal: float) -> float | None:
    """Energy that an intake on the logging scale leaves for the body, kcal per kg of fat-free mass; None when unknown.

    On the true scale: logs miss a part of what is eaten. Without the cost of training where that is not known.
    """
    lean = evidence.fat_free_mass_kg
    if lean is None or lean <= 0.0:
        return None
    true_intake = intake_kcal / reporting_ratio(evidence, policy)
    return float(energy_availability_kcal_per_kg(true_intake, evidence.exercise_kcal or 0.0, lean))


IN_DEFICIT = ("no_deficit_pct", *ENERGY_FLOOR)  # the floor where maintenance is not known


def in_deficit(evidence: Evidence, policy: Policy, energy_kcal: float | None = None) -> bool:
    """Whether an energy target (the one in force by default) is a deficit that counts, or the phase is a cut.

    Held against the estimate of maintenance, before the first weigh-in against the maintenance of the profile.
    """
    energy = evidence.energy_kcal if energy_kcal is None else energy_kcal
    if energy_kcal is None and evidence.kind == "cut":
        return True
    if energy is None:
        return False
    estimate = evidence.maintenance_kcal
    maintenance = maintenance_by_profile_kcal(evidence, policy) if estimate is None else estimate.mean
    return energy < maintenance * (1.0 - policy.no_deficit_pct / 100.0)


def too_lean(evidence: Evidence, policy: Policy) -> Verdict | None:
    """Whether body fat is below the floor at even odds."""
    fat, least = evidence.body_fat_pct, body_fat_floor_pct(evidence, policy)
    if fat is None or fat.mean >= least:
        return None
    statement = say("floor.body_fat", body_fat_pct=fat.mean, floor_pct=least)
    return Verdict(
        statement, {"body_fat_pct": fat.mean, "floor_pct": least}, (Move("body_fat_pct.mean", least, "at_least"),)
    )


def too_light(evidence: Evidence, policy: Policy) -> Verdict | None:
    """Whether the body mass index is below its floor."""
    bmi, height = evidence.body_mass_index, evidence.athlete.height_cm
    if bmi is None or height is None or bmi >= policy.bmi_floor:
        return None
    statement = say("floor.bmi", bmi=bmi, floor=policy.bmi_floor)
    least_kg = policy.bmi_floor * (height / 100.0) ** 2
    return Verdict(
        statement, {"bmi": bmi, "least_mass_kg": least_kg}, (Move("average_mass_kg.mean", least_kg, "at_least"),)
    )
