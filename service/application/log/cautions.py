"""What is said at once to whoever logs a grave symptom or severe pain: stop, and get help. No diagnosis."""

from collections.abc import Collection, Iterable

from service.catalogue.sentences import render
from service.domain.evidence import SymptomKind
from service.domain.policy import DEFAULT
from service.domain.sentence import say

EMERGENCIES: tuple[SymptomKind, ...] = ("chest_pain", "fainting", "bladder_control_lost")
TODAY: tuple[SymptomKind, ...] = ("numbness", "weakness", "radiating_pain")


def caution(symptoms: Collection[str], pain_levels: Iterable[float]) -> str | None:
    """The caution that an entry needs, None for most.

    Common practice: chest pain, fainting and lost bladder control are emergencies, the other signs of a nerve are seen
    by a physician the same day, and severe pain ends its lift, from the level on at which the service's own policy
    stops it. Parameters: `symptoms`, of the entry; `pain_levels`, 0–10.
    """
    if noted := tuple(kind for kind in EMERGENCIES if kind in symptoms):
        return render(say("at_once.emergency", symptoms=noted))
    if noted := tuple(kind for kind in TODAY if kind in symptoms):
        return render(say("at_once.physician", symptoms=noted))
    worst = max(pain_levels, default=0.0)
    return render(say("at_once.pain", level=worst)) if worst >= DEFAULT.pain_stop_level else None
