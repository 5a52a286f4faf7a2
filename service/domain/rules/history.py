"""What earlier reviews found, and how the week felt: helpers shared by the phase and energy rules."""

from datetime import timedelta

from service.domain.evidence import Evidence
from service.domain.policy import Policy

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


STRAIN = ("strain_hunger", "strain_fatigue", "strain_sleep_h", "strain_signs")


def strained(evidence: Evidence, policy: Policy) -> tuple[str, ...]:
    """The signs of strain in the week's notes, when there are enough of them; else none."""
    felt = evidence.wellbeing
    signs = []
    if felt.hunger is not None and felt.hunger >= policy.strain_hunger:
        signs.append(f"hunger {felt.hunger:.1f} of 5")
    if felt.fatigue is not None and felt.fatigue >= policy.strain_fatigue:
        signs.append(f"fatigue {felt.fatigue:.1f} of 5")
    if felt.sleep_h is not None and felt.sleep_h < policy.strain_sleep_h:
        signs.append(f"sleep {felt.sleep_h:.1f} h")
    return tuple(signs) if len(signs) >= policy.strain_signs else ()


def weeks_since_deload(evidence: Evidence) -> float | None:
    """Weeks since the last deload, else since training began; None when neither is known."""
    start = evidence.history.last_deload_on or evidence.history.training_since
    return None if start is None else (evidence.as_of - start).days / 7.0
