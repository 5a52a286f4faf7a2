"""What the domain knows of an exercise: pattern, muscles, regions, equipment, how it is loaded and counted."""

from dataclasses import dataclass
from typing import Literal

from service.domain.evidence import Region

Count = Literal["reps", "seconds", "distance_m"]


@dataclass(frozen=True)
class Exercise:
    """One exercise of the catalogue.

    The load of a dumbbell pair is the weight in each hand. `body_mass_share` is the part of body mass that is lifted:
    1 for a pull-up, 0 for a barbell lift. A muscle counts 1 set when trained directly and 0.5 indirectly. Carries count
    metres and holds seconds: they measure no one-repetition maximum. `progressions` are the next harder exercises,
    `regressions` the next easier ones, both by slug.
    """

    slug: str
    name: str
    pattern: str  # hinge, squat, lunge, vertical_pull, horizontal_pull, vertical_push, horizontal_push, carry, ...
    direct: tuple[str, ...]
    indirect: tuple[str, ...]
    regions: tuple[Region, ...]  # of the body, that it loads: left out while one of them hurts
    regions_source: str
    equipment: tuple[str, ...]  # all of it is needed; empty = none
    unilateral: bool
    counts: Count
    body_mass_share: float
    loadability: str  # barbell, dumbbell, dumbbell_pair, kettlebell, stack, plate_machine, body_mass, band
    smallest_step_kg: float
    repetition_curve: str  # a name in repetitions.CURVES
    typical_ratio: float  # 1RM (system) over body mass of an average trained man, to compare exercises
    skill: int  # 1 soon learnt, 2 with a coach, 3 not for novices
    progressions: tuple[str, ...]
    regressions: tuple[str, ...]
    cues: tuple[str, ...]
    cautions: tuple[str, ...]
    aids: tuple[str, ...]  # straps, belt
    grip_aid: str | None

    @property
    def measures_strength(self) -> bool:
        """Whether its sets measure a one-repetition maximum: those of holds, carries and bands don't."""
        return self.counts == "reps" and self.loadability != "band"

    @property
    def muscle_shares(self) -> dict[str, float]:
        """Sets counted per set performed, by muscle (Pelland et al.: direct 1, indirect 0.5)."""
        return dict.fromkeys(self.indirect, 0.5) | dict.fromkeys(self.direct, 1.0)
