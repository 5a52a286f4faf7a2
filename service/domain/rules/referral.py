"""The referral list: what waits for a licensed professional's clearance, and the mild symptoms beside it.

The service never diagnoses: what was answered, noted or logged closes a deficit, load or both until it is cleared.
"""

from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import date, timedelta
from math import ceil
from typing import Any

from service.domain.evidence import DAYS_PER_MONTH, Evidence, Scope, Symptom
from service.domain.policy import Policy
from service.domain.rules.clearances import CLEARANCE, clearance
from service.domain.rules.findings import Move, Verdict
from service.domain.rules.screening import NO_MENSES, Readiness, behind_readiness, readiness
from service.domain.sentence import Sentence, say

BOTH: tuple[Scope, ...] = ("deficit", "load")
DEFICIT: tuple[Scope, ...] = ("deficit",)
LOAD: tuple[Scope, ...] = ("load",)
GRAVE = ("chest_pain", "fainting")
NERVE_SIGNS = ("numbness", "weakness", "radiating_pain", "bladder_control_lost")
NO_FOOD_PLANNED = ("safety.minor", "safety.pregnancy", "safety.eating_disorder")  # nothing to eat until cleared
SYMPTOM_NOTED = "safety.symptom_noted"  # the finding that closes the way into a deeper deficit


@dataclass(frozen=True)
class Condition:
    """Something on the referral list that holds for this athlete, whether cleared or not."""

    code: str
    scopes: tuple[Scope, ...]
    words: Sentence  # what holds, after “the athlete …”
    since: date | None  # a clearance must not be older than this
    evidence: dict[str, Any]
    moves: tuple[Move, ...] = ()
    rest: bool = False  # while load is closed by it, nothing at all is trained


Finder = Callable[[Evidence, Policy], Condition | None]


def _minor(evidence: Evidence, policy: Policy) -> Condition | None:
    age = evidence.athlete.age_y
    if age is None or age >= policy.adult_age_y:
        return None
    words = say("listed.minor", age_y=int(age), adult_age_y=policy.adult_age_y)
    move = Move("athlete.age_y", policy.adult_age_y, "at_least")
    return Condition("safety.minor", BOTH, words, None, {"age_y": age}, (move,))


def _answered_yes(code: str, question: str, scopes: tuple[Scope, ...], words: Sentence) -> Finder:
    """The condition that stands behind a screening question of yes or no."""

    def find(evidence: Evidence, policy: Policy) -> Condition | None:
        answers = evidence.screening
        if answers is None or not getattr(answers, question):
            return None
        return Condition(code, scopes, words, answers.since(question), {"screening": "yes"})

    return find


def _glucose_medication(evidence: Evidence, policy: Policy) -> Condition | None:
    answers = evidence.screening
    if answers is None or answers.glucose_lowering_medication not in ("insulin", "sulfonylurea"):
        return None
    drug, since = answers.glucose_lowering_medication, answers.since("glucose_lowering_medication")
    words = say("listed.glucose_medication", medication=drug)
    return Condition("safety.glucose_medication", DEFICIT, words, since, {"medication": drug})


def _symptoms(evidence: Evidence, policy: Policy) -> Condition | None:
    return _noted(evidence, "safety.symptoms", GRAVE, BOTH)


def _nerve_signs(evidence: Evidence, policy: Policy) -> Condition | None:
    return _noted(evidence, "safety.nerve_signs", NERVE_SIGNS, LOAD)


def _noted(evidence: Evidence, code: str, kinds: Collection[str], scopes: tuple[Scope, ...]) -> Condition | None:
    """The latest symptom of some kinds: nothing is trained before it is cleared."""
    noted = sorted({(symptom.on, symptom.kind) for symptom in evidence.wellbeing.symptoms if symptom.kind in kinds})
    if not noted:
        return None
    on, kind = noted[-1]
    words = say("listed.symptoms", symptom=kind, on=on)
    return Condition(code, scopes, words, on, {"symptom": kind, "on": str(on)}, rest=True)


_READINESS_WORDS: dict[Readiness, Sentence] = {
    "clearance": say("listed.readiness.clearance"),
    "clearance_before_vigorous": say("listed.readiness.clearance_before_vigorous"),
    "stop": say("listed.readiness.stop"),
}


def _readiness(evidence: Evidence, policy: Policy) -> Condition | None:
    answers = evidence.screening
    outcome = readiness(answers) if answers is not None else "ready"
    if answers is None or outcome == "ready":
        return None
    facts = {"readiness": outcome, "regularly_active": answers.regularly_active}
    rest = outcome != "clearance_before_vigorous"
    since = answers.since(*behind_readiness(answers))
    return Condition("safety.readiness", LOAD, _READINESS_WORDS[outcome], since, facts, rest=rest)


def _symptoms_repeated(evidence: Evidence, policy: Policy) -> Condition | None:
    days = sorted({symptom.on for symptom in _mild_symptoms(evidence, policy)})
    if len(days) < 2:
        return None
    words = say("listed.symptoms_repeated", days=len(days), of_days=policy.symptom_window_days)
    numbers = {"days": len(days), "last_on": str(days[-1])}
    return Condition("safety.symptoms_repeated", BOTH, words, days[-1], numbers, rest=True)


def _menses_missing(evidence: Evidence, policy: Policy) -> Condition | None:
    months, answers = evidence.wellbeing.months_without_menstruation, evidence.screening
    if months is None or months < policy.menses_missing_months or evidence.athlete.male is True:
        return None
    if answers is not None and answers.cycle in NO_MENSES:
        return None
    words = say("listed.menses_missing", months=months)
    move = Move("wellbeing.months_without_menstruation", policy.menses_missing_months, "below")
    since = _missing_since(evidence, policy)
    facts = {"months": months, "referred_since": str(since)}
    return Condition("safety.menses_missing", DEFICIT, words, since, facts, (move,))


def _missing_since(evidence: Evidence, policy: Policy) -> date:
    """The day from which menstruation was missing for so long that it is referred, and nothing explained it any more.

    Where nobody knows when it was last, no clearance of an earlier day than the review's opens.
    """
    last, answers = evidence.wellbeing.last_menstruation_on, evidence.screening
    if last is None:
        return evidence.as_of
    passed = min(last + timedelta(days=ceil(policy.menses_missing_months * DAYS_PER_MONTH)), evidence.as_of)
    explained_until = answers.since("cycle") if answers is not None else None
    return passed if explained_until is None else max(passed, explained_until)


_PREGNANCY = _answered_yes("safety.pregnancy", "pregnant_or_breastfeeding", BOTH, say("listed.pregnancy"))
_EATING_DISORDER = _answered_yes(
    "safety.eating_disorder", "eating_disorder_history", DEFICIT, say("listed.eating_disorder")
)
_KIDNEY = _answered_yes("safety.kidney_disease", "kidney_disease", DEFICIT, say("listed.kidney_disease"))
_HEART = _answered_yes(
    "safety.heart_or_metabolic", "heart_or_metabolic_disease", BOTH, say("listed.heart_or_metabolic")
)
REFERRAL_LIST: dict[str, Finder] = {  # code: whether the condition holds, cleared or not
    "safety.minor": _minor,
    "safety.pregnancy": _PREGNANCY,
    "safety.eating_disorder": _EATING_DISORDER,
    "safety.kidney_disease": _KIDNEY,
    "safety.heart_or_metabolic": _HEART,
    "safety.readiness": _readiness,
    "safety.glucose_medication": _glucose_medication,
    "safety.symptoms": _symptoms,
    "safety.symptoms_repeated": _symptoms_repeated,
    "safety.nerve_signs": _nerve_signs,
    "safety.menses_missing": _menses_missing,
}


PERIOD_LATE = "safety.period_late"  # the finding that holds energy where it is


def late_period(evidence: Evidence, policy: Policy) -> Verdict | None:
    """Whether menstruation is late, though not so long missing that it is referred: no deeper deficit meanwhile."""
    months, answers = evidence.wellbeing.months_without_menstruation, evidence.screening
    if evidence.athlete.male is True or months is None or (answers is not None and answers.cycle in NO_MENSES):
        return None
    if not policy.menses_late_months <= months < policy.menses_missing_months:
        return None
    move = Move("wellbeing.months_without_menstruation", policy.menses_late_months, "below")
    return Verdict(say(PERIOD_LATE, months=months), {"months": months}, (move,))


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


def closed_scopes(evidence: Evidence, policy: Policy, condition: Condition) -> tuple[Scope, ...]:
    """The scopes of a condition that no clearance has opened."""
    return tuple(s for s in condition.scopes if clearance(evidence, policy, s, condition.since) is None)


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
