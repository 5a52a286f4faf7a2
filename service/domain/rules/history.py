"""What earlier reviews found, and how the week felt: helpers shared by the phase and energy rules."""

from datetime import timedelta
from typing import NamedTuple

from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.sentence import Sentence, say

CONSECUTIVE_DAYS = 13  # two weekly reviews are in a row when they are at most this far apart


def repeated(evidence: Evidence, code: str, times: int) -> bool:
    """Whether each of the last `times` reviews, in a row and within the present phase, found this code."""
    after = evidence.as_of
    for review in evidence.history.reviews[:times]:
        begun = evidence.phase is None or review.as_of >= evidence.phase.starts_on
        in_a_row = timedelta(0) < after - review.as_of <= timedelta(days=CONSECUTIVE_DAYS)
        if code not in review.codes or not begun or not in_a_row:
            return False
        after = review.as_of
    return len(evidence.history.reviews) >= times


class Sign(NamedTuple):
    """A sign of strain: hunger or fatigue, 1–5, or sleep, h, on average of the week."""

    name: str
    value: float

    @property
    def sentence(self) -> Sentence:
        """The sign in words."""
        return say(f"sign.{self.name}", value=self.value)


STRAINED = "wellbeing.strain"  # the finding that keeps a deficit from starting or deepening
STRAIN = ("strain_hunger", "strain_fatigue", "strain_sleep_h", "strain_signs")


def strained(evidence: Evidence, policy: Policy) -> tuple[Sign, ...]:
    """The signs of strain in the week's notes, when there are enough of them; else none."""
    felt = evidence.wellbeing
    signs = []
    if felt.hunger is not None and felt.hunger >= policy.strain_hunger:
        signs.append(Sign("hunger", felt.hunger))
    if felt.fatigue is not None and felt.fatigue >= policy.strain_fatigue:
        signs.append(Sign("fatigue", felt.fatigue))
    if felt.sleep_h is not None and felt.sleep_h < policy.strain_sleep_h:
        signs.append(Sign("sleep_h", felt.sleep_h))
    return tuple(signs) if len(signs) >= policy.strain_signs else ()


def weeks_since_deload(evidence: Evidence) -> float | None:
    """Weeks since the last deload, else since training began; None when neither is known."""
    start = evidence.history.last_deload_on or evidence.history.training_since
    return None if start is None else (evidence.as_of - start).days / 7.0
