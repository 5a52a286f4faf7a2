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
from service.domain.training.exercise import Exercise

RATIO_LOG_SD = 0.2
OTHER_PATTERN_LOG_SD = 0.35
SAME_PATTERN = 1.0
KNOWN = 0.15  # preference for what the athlete has trained before
LEAST_OVERLAP = 0.3


@dataclass(frozen=True)
class Substitute:
    """An exercise instead of another; `one_rep_max_kg` (system) is None when nothing is known to start from."""

    exercise: str
    score: float  # 0–2.15, higher is closer
    one_rep_max_kg: ScalarEstimate | None
    why: str


def substitutes(
    exercise: Exercise,
    catalogue: Mapping[str, Exercise],
    equipment: Collection[str],
    *,
    maxima: Mapping[str, ScalarEstimate] | None = None,
    stopped: Collection[str] = (),
    most: int = 3,
    body_mass_kg: float | None = None,
) -> tuple[Substitute, ...]:
    """The closest exercises that can be done here, best first.

    Parameters: `equipment` at hand today; `maxima`, one-repetition maxima (system, kg) of lifts the athlete has
    trained; `stopped`, exercises not to be offered; `body_mass_kg` for body-weight lifts, which are offered without a
    start when it is unknown.
    """
    known = maxima or {}
    found = []
    for other in catalogue.values():
        if other.slug == exercise.slug or other.slug in stopped or not set(other.equipment) <= set(equipment):
            continue
        shared = overlap(exercise, other)
        same = other.pattern == exercise.pattern
        if not same and shared < LEAST_OVERLAP:
            continue
        score = SAME_PATTERN * same + shared + KNOWN * (other.slug in known)
        found.append((score, other))
    found.sort(key=lambda pair: -pair[0])  # stable: the catalogue's order decides between equals
    return tuple(
        Substitute(other.slug, score, _maximum(exercise, other, known, body_mass_kg), _reason(exercise, other, known))
        for score, other in found[:most]
    )


def overlap(one: Exercise, other: Exercise) -> float:
    """Shared muscle work, 0–1: the smaller shares over the larger ones (weighted Jaccard index)."""
    a, b = one.muscle_shares, other.muscle_shares
    muscles = set(a) | set(b)
    return sum(min(a.get(m, 0.0), b.get(m, 0.0)) for m in muscles) / sum(
        max(a.get(m, 0.0), b.get(m, 0.0)) for m in muscles
    )


def carried_over(one: Exercise, other: Exercise, maximum_kg: ScalarEstimate) -> ScalarEstimate:
    """The maximum of another exercise guessed from this one's, with the uncertainty of the ratio on top."""
    middle = maximum_kg.mean * other.typical_ratio / one.typical_ratio
    spread = RATIO_LOG_SD if one.pattern == other.pattern else OTHER_PATTERN_LOG_SD
    log_sd = hypot(maximum_kg.sd / maximum_kg.mean, spread)
    return ScalarEstimate(middle, middle * log_sd, exp(log(middle) - Z90 * log_sd), exp(log(middle) + Z90 * log_sd))


def _maximum(
    exercise: Exercise, other: Exercise, known: Mapping[str, ScalarEstimate], body_mass_kg: float | None
) -> ScalarEstimate | None:
    if other.slug in known:
        return known[other.slug]
    if exercise.slug not in known or (other.body_mass_share > 0.0 and body_mass_kg is None):
        return None
    return carried_over(exercise, other, known[exercise.slug])


def _reason(exercise: Exercise, other: Exercise, known: Mapping[str, ScalarEstimate]) -> str:
    pattern = "same movement" if other.pattern == exercise.pattern else "other movement"
    muscles = ", ".join(sorted(set(exercise.direct) & set(other.direct))) or "part of the same muscles"
    history = "trained before" if other.slug in known else "new: start low"
    return f"{pattern} ({other.pattern.replace('_', ' ')}), {muscles.replace('_', ' ')}; {history}"
