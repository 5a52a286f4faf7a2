"""Weekly hard sets per muscle: what an athlete trains, against what the plan means to train.

A set counts 1 for a muscle trained directly and 0.5 indirectly (Pelland et al., preprint 2024: indirect sets count
about half, returns diminish). The bands of the muscles in focus follow the 12–20 sets of trained men (Baz-Valle
2022, J Hum Kinet 81:199); half of it keeps what is there. In a cut volume falls by up to a third (common practice).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from service.domain.training.exercise import Exercise

BACK = ("lats", "upper_back")
BUDGETED = (
    *BACK, "chest", "front_delts", "rear_delts", "biceps", "triceps", "glutes", "hamstrings", "quadriceps",
    "spinal_erectors",
)  # fmt: skip
CUT_SHARE_KEPT = 2.0 / 3.0  # of a band's low end in a cut (common practice, no source)


@dataclass(frozen=True)
class VolumeBand:
    """Weekly hard sets wanted of a muscle."""

    low: float
    high: float

    def in_cut(self) -> "VolumeBand":
        """The band in a cut: its low end falls by up to a third."""
        return VolumeBand(self.low * CUT_SHARE_KEPT, self.high)


# Weekly hard sets, by experience: Baz-Valle 2022 for trained men, less for novices, more at the top of experience, and
# about half to keep what is there (judgement).
FOCUS_BAND = {"novice": VolumeBand(8, 14), "intermediate": VolumeBand(10, 20), "advanced": VolumeBand(12, 22)}
KEEP_BAND = {"novice": VolumeBand(2, 12), "intermediate": VolumeBand(3, 16), "advanced": VolumeBand(3, 18)}


@dataclass(frozen=True)
class MuscleVolume:
    """A muscle's sets of a week and the verdict: below, within or above its band."""

    muscle: str
    sets: float
    band: VolumeBand
    verdict: str


def weekly_sets(hard_sets: Iterable[tuple[str, float]], catalogue: Mapping[str, Exercise]) -> dict[str, float]:
    """Sets per muscle from (exercise, hard sets) of one week; muscles in alphabetical order. KeyError: no such slug."""
    total: dict[str, float] = {}
    for slug, count in hard_sets:
        for muscle, share in catalogue[slug].muscle_shares.items():
            total[muscle] = total.get(muscle, 0.0) + share * count
    return dict(sorted(total.items()))


def judge_volume(
    sets_by_muscle: Mapping[str, float], bands: Mapping[str, VolumeBand], cutting: bool = False
) -> tuple[MuscleVolume, ...]:
    """Verdicts for every muscle that has a band, in the bands' order; a muscle not trained counts 0 sets."""
    verdicts = []
    for muscle, wanted in bands.items():
        band = wanted.in_cut() if cutting else wanted
        sets = sets_by_muscle.get(muscle, 0.0)
        verdict = "below" if sets < band.low else "above" if sets > band.high else "within"
        verdicts.append(MuscleVolume(muscle, sets, band, verdict))
    return tuple(verdicts)


def bands_for(
    catalogue: Mapping[str, Exercise], experience: str = "intermediate", focus: Iterable[str] = BACK
) -> dict[str, VolumeBand]:
    """The weekly set budget: a band for every large muscle of the catalogue and for those in focus, theirs higher."""
    chosen = set(focus)
    muscles = {muscle for exercise in catalogue.values() for muscle in exercise.direct} & {*BUDGETED, *chosen}
    return {muscle: (FOCUS_BAND if muscle in chosen else KEEP_BAND)[experience] for muscle in sorted(muscles)}
