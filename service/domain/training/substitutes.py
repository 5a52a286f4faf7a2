"""What to lift instead: by movement pattern, muscles and equipment, with a starting load and how unsure it is.

The strength of a lift that was never trained is guessed from one that was, by the ratio of their typical maxima
(`Exercise.typical_ratio`, common practice, no source). Between two exercises of one pattern that ratio differs from
person to person by about a fifth (judgement), so the start is taken from the lower bound.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from math import exp, hypot, log

from service.domain.evidence import ScalarEstimate
from service.domain.normal import Z90
from service.domain.sentence import Sentence, say
from service.domain.training.exercise import Exercise

RATIO_LOG_SD = 0.2  # log units, between people, of the ratio of two maxima of one pattern (judgement)
OTHER_PATTERN_LOG_SD = 0.35  # likewise, of two patterns
SAME_PATTERN = 1.0  # score for the same movement, as much as for all muscles in common (judgement)
TRAINED_BEFORE = 0.15  # score for what the athlete has trained before (judgement)
LEAST_OVERLAP = 0.3  # share of muscle work in common below which another pattern is no substitute (judgement)


@dataclass(frozen=True)
class Substitute:
    """An exercise instead of another; `one_rep_max_kg` (system) is None when nothing is known to start from."""

    exercise: str
    score: float  # 0–2.15, higher is closer
    one_rep_max_kg: ScalarEstimate | None
    why: Sentence


def substitutes(
    exercise: Exercise,
    catalogue: Mapping[str, Exercise],
    equipment: Collection[str],
    *,
    maxima: Mapping[str, ScalarEstimate] | None = None,
    avoid: Collection[str] = (),
    hurts: bool = False,
    most: int = 3,
    body_mass_kg: float | None = None,
) -> tuple[Substitute, ...]:
    """The closest exercises that can be done here, best first.

    Parameters
    ----------
    exercise : Exercise
        What cannot be done.
    catalogue : mapping of Exercise
        By slug.
    equipment : collection of str
        At hand today.
    maxima : mapping of ScalarEstimate, optional
        One-repetition maxima (system, kg) of the lifts the athlete has trained, by slug.
    avoid : collection of str
        Slugs that are not to be offered.
    hurts : bool
        It cannot be done because it hurts: what loads fewer of its regions is closer, and another movement will do
        that trains one of its muscles directly.
    most : int
        How many to return at most.
    body_mass_kg : float, optional
        For body-weight lifts, which are offered without a start when it is unknown.
    """
    maxima = maxima or {}
    candidates = []
    for other in catalogue.values():
        if other.slug == exercise.slug or other.slug in avoid or not set(other.equipment) <= set(equipment):
            continue
        shared = overlap(exercise, other)
        same = other.pattern == exercise.pattern
        if not same and shared < LEAST_OVERLAP and not (hurts and set(exercise.direct) & set(other.direct)):
            continue
        score = SAME_PATTERN * same + shared + TRAINED_BEFORE * (other.slug in maxima)
        candidates.append((score, other))
    candidates.sort(key=lambda pair: -pair[0])  # stable: the catalogue's order decides between equals
    if hurts:
        candidates.sort(key=lambda pair: len(set(exercise.regions) & set(pair[1].regions)))
    return tuple(
        Substitute(other.slug, score, _maximum(exercise, other, maxima, body_mass_kg), _reason(exercise, other, maxima))
        for score, other in candidates[:most]
    )


def overlap(one: Exercise, other: Exercise) -> float:
    """Shared muscle work, 0–1: Σ min(a, b) / Σ max(a, b) over the muscles' shares (weighted Jaccard index)."""
    a, b = one.muscle_shares, other.muscle_shares
    muscles = set(a) | set(b)
    return sum(min(a.get(m, 0.0), b.get(m, 0.0)) for m in muscles) / sum(
        max(a.get(m, 0.0), b.get(m, 0.0)) for m in muscles
    )


def carried_over(one: Exercise, other: Exercise, maximum_kg: ScalarEstimate) -> ScalarEstimate:
    """The maximum of another exercise (system, kg) guessed from this one's by the ratio of their typical maxima.

    Its log variance is that of the known maximum plus the ratio's, RATIO_LOG_SD² or OTHER_PATTERN_LOG_SD².
    """
    middle = maximum_kg.mean * other.typical_ratio / one.typical_ratio
    spread = RATIO_LOG_SD if one.pattern == other.pattern else OTHER_PATTERN_LOG_SD
    log_sd = hypot(maximum_kg.sd / maximum_kg.mean, spread)
    return ScalarEstimate(middle, middle * log_sd, exp(log(middle) - Z90 * log_sd), exp(log(middle) + Z90 * log_sd))


def _maximum(
    exercise: Exercise, other: Exercise, maxima: Mapping[str, ScalarEstimate], body_mass_kg: float | None
) -> ScalarEstimate | None:
    if other.slug in maxima:
        return maxima[other.slug]
    if not other.measures_strength:
        return None
    if exercise.slug not in maxima or (other.body_mass_share > 0.0 and body_mass_kg is None):
        return None
    return carried_over(exercise, other, maxima[exercise.slug])


def _reason(exercise: Exercise, other: Exercise, maxima: Mapping[str, ScalarEstimate]) -> Sentence:
    shared = tuple(sorted(set(exercise.direct) & set(other.direct)))
    return say(
        "substitute.same_movement" if other.pattern == exercise.pattern else "substitute.other_movement",
        pattern=other.pattern,
        muscles=say("substitute.muscles", muscles=shared) if shared else say("substitute.part_of_the_muscles"),
        history=say("substitute.trained_before" if other.slug in maxima else "substitute.new"),
    )
