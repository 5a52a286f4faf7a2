"""The screening: which questions are still open, and whose training waits for a medical clearance.

Readiness for exercise is judged as published: the preparticipation screening of the American College of Sports Medicine
(Riebe and others 2015, Med Sci Sports Exerc 47:2473, doi 10.1249/MSS.0000000000000664, from memory) asks whether
somebody exercises regularly (30 minutes of moderate intensity on three days a week for three months), whether there is
a known cardiovascular, metabolic or renal disease, and whether there are signs or symptoms of one.

| regularly active | known disease | signs or symptoms | says |
|---|---|---|---|
| no | no | no | no clearance needed; begin light to moderate |
| no | yes | no | clearance before exercise |
| no | any | yes | clearance before exercise |
| yes | no | no | no clearance needed |
| yes | yes | no | no clearance for moderate, one for vigorous exercise |
| yes | any | yes | stop, and clearance |

Beside it the service's own list stays in force: a heart or metabolic disease closes load and deficit whatever else is
answered, as sets near failure are vigorous.
"""

from collections.abc import Sequence
from datetime import date
from typing import Literal

from service.domain.evidence import Evidence, Screening

Readiness = Literal["ready", "clearance", "clearance_before_vigorous", "stop"]
SOURCE = "Riebe 2015, doi 10.1249/MSS.0000000000000664, from memory"
NO_MENSES = ("hormonal_contraception", "menopause")  # where missing menstruation says nothing
UNSCREENED = "screening.unanswered"  # the finding that stands before a deeper deficit


def known_diseases(answers: Screening) -> tuple[str, ...]:
    """The questions that name a cardiovascular, metabolic or renal disease; insulin and sulfonylureas name diabetes."""
    said = {
        "heart_or_metabolic_disease": answers.heart_or_metabolic_disease,
        "kidney_disease": answers.kidney_disease,
        "glucose_lowering_medication": answers.glucose_lowering_medication in ("insulin", "sulfonylurea"),
    }
    return tuple(name for name, named in said.items() if named)


def known_disease(answers: Screening) -> bool:
    """Whether a cardiovascular, metabolic or renal disease was named."""
    return bool(known_diseases(answers))


def readiness(answers: Screening) -> Readiness:
    """What the screening says; what is not answered closes nothing, so that older screenings count as they did."""
    if answers.signs_or_symptoms:
        return "stop" if answers.regularly_active else "clearance"
    if not known_disease(answers) or answers.regularly_active is None:
        return "ready"
    if not answers.regularly_active:
        return "clearance"
    return "clearance_before_vigorous" if answers.desired_intensity == "vigorous" else "ready"


def behind_readiness(answers: Screening) -> tuple[str, ...]:
    """The questions whose answers keep somebody from being ready: where one is answered so anew, readiness is too."""
    diseases = known_diseases(answers)
    if answers.signs_or_symptoms:
        return (*diseases, "signs_or_symptoms")
    return (*diseases, "desired_intensity" if answers.regularly_active else "regularly_active")


def closing(answers: Screening) -> tuple[str, ...]:
    """The answers, by name, that close the safety gate or ask for care: not to be lost by leaving them out."""
    said = {
        "pregnant_or_breastfeeding": answers.pregnant_or_breastfeeding,
        "eating_disorder_history": answers.eating_disorder_history,
        "kidney_disease": answers.kidney_disease,
        "heart_or_metabolic_disease": answers.heart_or_metabolic_disease,
        "glucose_lowering_medication": answers.glucose_lowering_medication not in (None, "none"),
        "injury": answers.injury,
        "regularly_active": known_disease(answers) and answers.regularly_active is False,
        "signs_or_symptoms": answers.signs_or_symptoms,
        "desired_intensity": readiness(answers) == "clearance_before_vigorous",
    }
    return tuple(name for name, closes in said.items() if closes)


def answered_since(first: Screening, later: Sequence[tuple[date, Screening]]) -> tuple[tuple[str, date], ...]:
    """Since when each question, and each injured region, is answered as it is now, where that was not so at first.

    A clearance opens what was known when it was given: what an athlete answers anew takes one of that day or later.
    An answer that was taken back and given again counts from the day it came back.

    Parameters
    ----------
    first : Screening
        The first answers.
    later : sequence of (date, Screening)
        Those that followed, oldest first, each with its day in the athlete's calendar.
    """
    since: dict[str, date] = {}
    before = _given(first)
    for on, answers in later:
        now = _given(answers)
        stayed = now.items() & before.items()
        since = {name: since[name] for name, _ in stayed if name in since} | {
            name: on for name, said in now.items() if (name, said) not in stayed
        }
        before = now
    return tuple(sorted(since.items()))


_MAY_CLOSE = (
    "pregnant_or_breastfeeding",
    "eating_disorder_history",
    "kidney_disease",
    "heart_or_metabolic_disease",
    "glucose_lowering_medication",
    "regularly_active",
    "signs_or_symptoms",
    "desired_intensity",
)


def _given(answers: Screening) -> dict[str, bool | str]:
    """The answers that may close the gate by question, the injured regions one by one; of the cycle what it says."""
    said = {name: getattr(answers, name) for name in _MAY_CLOSE}
    given = {name: answer for name, answer in said.items() if answer is not None}
    return {**given, "cycle": answers.cycle in NO_MENSES, **dict.fromkeys(answers.injury or (), True)}


ASKED_OF_ALL = (
    "eating_disorder_history",
    "kidney_disease",
    "heart_or_metabolic_disease",
    "glucose_lowering_medication",
)
ASKED_FOR_LOADS = ("injury", "regularly_active", "signs_or_symptoms")  # what to lift depends on them


def unanswered(answers: Screening, male: bool | None) -> tuple[str, ...]:
    """The screening questions without an answer, by name: those that a deficit waits for, then the others.

    Men are not asked about pregnancy and their cycle. Injuries, readiness and the cycle came later than the rest: a
    screening without them still opens what it opened, a deficit and more load; they are named until they are answered,
    and without those that loads depend on, loads are raised with care. To close the gate for all who were screened
    before would stop training that goes well for want of a form.
    """
    asked = (*ASKED_FOR_LOADS, *(() if male is True else ("cycle",)))
    return (*_deficit_waits_for(answers, male), *(name for name in asked if getattr(answers, name) is None))


def screened(evidence: Evidence) -> bool:
    """Whether every screening question was answered that a deficit waits for."""
    return not _deficit_waits_for(evidence.screening or Screening(), evidence.athlete.male)


def _deficit_waits_for(answers: Screening, male: bool | None) -> tuple[str, ...]:
    asked = (*(() if male is True else ("pregnant_or_breastfeeding",)), *ASKED_OF_ALL)
    return tuple(name for name in asked if getattr(answers, name) is None)
