"""What the domain knows of an exercise: pattern, muscles, equipment and how it is loaded."""

from dataclasses import dataclass

from service.domain.evidence import Region


@dataclass(frozen=True)
class Exercise:
    """One exercise of the catalogue.

    The load of a dumbbell pair is the weight in each hand. `body_mass_share` is the part of body mass that is lifted:
    1 for a pull-up, 0 for a barbell lift. A muscle counts 1 set when trained directly and 0.5 indirectly.
    """

    slug: str
    name: str
    pattern: str  # hinge, squat, lunge, vertical_pull, horizontal_pull, vertical_push, horizontal_push, carry, ...
    direct: tuple[str, ...]
    indirect: tuple[str, ...]
    equipment: tuple[str, ...]  # all of it is needed; empty = none
    unilateral: bool
    body_mass_share: float
    loadability: str  # barbell, dumbbell, dumbbell_pair, kettlebell, stack, plate_machine, body_mass, band
    smallest_step_kg: float
    repetition_curve: str  # a name in repetitions.CURVES
    typical_ratio: float  # 1RM (system) over body mass of an average trained man, to compare exercises
    skill: int  # 1 soon learnt, 2 with a coach, 3 not for novices
    cues: tuple[str, ...]
    cautions: tuple[str, ...]
    grip_aid: str | None
    regions: tuple[Region, ...] = ()  # of the body, that it loads

    @property
    def muscle_shares(self) -> dict[str, float]:
        """Sets counted per set performed, by muscle (Pelland et al.: direct 1, indirect 0.5)."""
        return dict.fromkeys(self.indirect, 0.5) | dict.fromkeys(self.direct, 1.0)
