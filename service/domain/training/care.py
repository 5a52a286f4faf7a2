"""Who starts lighter and goes on slower, and why: older people, those back after a break, those new to training.

ACSM 2009 (doi 10.1249/MSS.0b013e3181915670) asks novices, and all who have not trained for long, for loads of 8–12
repetitions on two or three days a week, older adults for one to three sets of moderate loads; how much lighter and
slower than others is common practice, no source.
"""

from collections.abc import Collection
from datetime import date, timedelta
from itertools import pairwise
from typing import Literal

from service.domain.policy import Policy
from service.domain.sentence import Sentence, say

Care = Literal["age", "return", "untrained"]


def care_for(
    age_y: float, experience: str | None, trained_on: Collection[date], on: date, policy: Policy
) -> tuple[Care, ...]:
    """The reasons for care on a day; none for most people.

    Parameters
    ----------
    age_y : float
        Years, on that day.
    experience : str or None
        novice, intermediate or advanced.
    trained_on : collection of date
        Every day with a training session, of all that was ever logged; later ones are ignored.
    on : date
        The day asked about.
    policy : Policy
        The thresholds.
    """
    days = sorted({day for day in trained_on if day < on})
    reasons: list[Care] = []
    if age_y >= policy.care_age_y:
        reasons.append("age")
    if _back_from_a_break([*days, on], on, policy):
        reasons.append("return")
    if experience == "novice" and len(days) < policy.care_untrained_sessions:
        reasons.append("untrained")
    return tuple(reasons)


def _back_from_a_break(days: list[date], on: date, policy: Policy) -> bool:
    """Whether a break ends on this day, or has ended lately; `days` are in order."""
    lately = on - timedelta(days=policy.care_after_break_days)
    return any((later - earlier).days >= policy.care_break_days and later > lately for earlier, later in pairwise(days))


def care_reasons(care: Collection[Care], policy: Policy) -> tuple[Sentence, ...]:
    """The reasons in words."""
    return tuple(
        say("care.age", age_y=policy.care_age_y) if reason == "age" else say(f"care.{reason}") for reason in care
    )
