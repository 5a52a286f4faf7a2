"""Weekly hard sets per muscle: what an athlete trains, against what the plan means to train.

A set counts 1 for a muscle trained directly and 0.5 indirectly (Pelland et al., preprint 2024: indirect sets count
about half, returns diminish). The bands come from the policy: the whole body alike, more for what is emphasised
(Baz-Valle 2022, J Hum Kinet 81:199: 12–20 sets of trained men), less for novices and where care is taken. In a cut
volume falls by up to a third (common practice).
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from service.domain.policy import DEFAULT, Policy
from service.domain.training.exercise import Exercise

LARGE = ("chest", "glutes", "hamstrings", "lats", "quadriceps", "upper_back")
SMALL = ("biceps", "calves", "front_delts", "rear_delts", "side_delts", "spinal_erectors", "triceps", "trunk")
EMPHASES: Mapping[str, tuple[str, ...]] = {  # what a coach may ask more of, and its muscles
    "back": ("lats", "upper_back"),
    "chest": ("chest",),
    "shoulders": ("front_delts", "side_delts", "rear_delts"),
    "arms": ("biceps", "triceps"),
    "quadriceps": ("quadriceps",),
    "hamstrings": ("hamstrings",),
    "glutes": ("glutes",),
    "calves": ("calves",),
    "trunk": ("trunk",),
}
CUT_SHARE_KEPT = 2.0 / 3.0  # of a band's low end in a cut (common practice, no source)


@dataclass(frozen=True)
class VolumeBand:
    """Weekly hard sets wanted of a muscle."""

    low: float
    high: float

    def in_cut(self) -> "VolumeBand":
        """The band in a cut: its low end falls by up to a third."""
        return VolumeBand(self.low * CUT_SHARE_KEPT, self.high)


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
    experience: str = "intermediate", *, emphasis: Collection[str] = (), care: bool = False, policy: Policy = DEFAULT
) -> dict[str, VolumeBand]:
    """The weekly set budget: a band for every muscle that a plan looks after, in alphabetical order.

    Parameters
    ----------
    experience : str
        novice, intermediate or advanced.
    emphasis : collection of str
        Names in EMPHASES whose muscles are to be trained more.
    care : bool
        Whether the athlete starts lighter (see `care`).
    policy : Policy
        The thresholds.
    """
    share = policy.weekly_sets_care_share if care or experience == "novice" else 1.0
    more = {muscle for name in emphasis for muscle in EMPHASES[name]}
    bands = {}
    for muscle in sorted((*LARGE, *SMALL)):
        least = policy.weekly_sets_low if muscle in LARGE else policy.weekly_sets_low * policy.weekly_sets_small_share
        low = share * (max(policy.weekly_sets_emphasis_low, least) if muscle in more else least)
        bands[muscle] = VolumeBand(low, policy.weekly_sets_high)
    return bands
