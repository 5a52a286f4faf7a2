"""Which loads a gym can make for an exercise: plates, pairs of dumbbells, stacks, added weight and assistance.

Loads are external kilograms in ascending order; of body-weight lifts, assistance is negative, body weight alone is 0.
A gym in pounds makes loads that are whole pounds, given here in kilograms.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from service.domain.training.exercise import Exercise

FINEST_STEP = 0.1  # kg or lb, the gym's own unit: none loads finer (judgement)
POUND_KG = 0.45359237  # exact, international yard and pound agreement 1959


@dataclass(frozen=True)
class Gym:
    """What is there, in the gym's own unit of `unit_kg` kilograms; 0 means there is none.

    Defaults are common practice, no source.
    """

    unit_kg: float = 1.0
    bar: float = 20.0
    smallest_plate: float = 1.25  # in pairs; 0.25–0.5 with micro-plates
    most_on_bar: float = 300.0
    dumbbell_first: float = 2.0
    dumbbell_step: float = 2.0
    dumbbell_last: float = 50.0
    kettlebell_step: float = 4.0
    kettlebell_last: float = 48.0
    stack_step: float = 5.0
    stack_add_on: float = 2.5  # hung on the stack, halves the step
    stack_last: float = 120.0
    machine_step: float = 5.0  # plate-loaded: one small plate a side
    machine_last: float = 400.0
    added_step: float = 1.25
    added_last: float = 60.0
    assistance_step: float = 5.0  # machine or bands
    assistance_last: float = 60.0


IN_KILOGRAMS = Gym()
IN_POUNDS = Gym(
    unit_kg=POUND_KG,
    bar=45.0,
    smallest_plate=2.5,
    most_on_bar=660.0,
    dumbbell_first=5.0,
    dumbbell_step=5.0,
    dumbbell_last=110.0,
    kettlebell_step=9.0,
    kettlebell_last=108.0,
    stack_step=10.0,
    stack_add_on=5.0,
    stack_last=260.0,
    machine_step=10.0,
    machine_last=880.0,
    added_step=2.5,
    added_last=130.0,
    assistance_step=10.0,
    assistance_last=130.0,
)


def available_loads(
    exercise: Exercise, gym: Gym = IN_KILOGRAMS, *, assistance_kg: float | None = None
) -> tuple[float, ...]:
    """Every external load of an exercise in this gym, kg, ascending; bands have no known load and give (0,).

    Parameters: `assistance_kg`, what helped in the last session of a body-weight lift: it exists here, and so does the
    way down from it. Empty when the gym has nothing of the kind.
    """
    kind = exercise.loadability
    if kind == "barbell":
        counts = _steps(gym.bar, 2.0 * gym.smallest_plate, gym.most_on_bar)
    elif kind in ("dumbbell", "dumbbell_pair"):
        counts = _steps(gym.dumbbell_first, gym.dumbbell_step, gym.dumbbell_last)
    elif kind == "kettlebell":
        counts = _steps(gym.kettlebell_step, gym.kettlebell_step, gym.kettlebell_last)
    elif kind == "stack":
        plain = _steps(gym.stack_step, gym.stack_step, gym.stack_last)
        counts = sorted({*plain, *(load + gym.stack_add_on for load in plain)}) if gym.stack_add_on else plain
    elif kind == "plate_machine":
        counts = _steps(0.0, gym.machine_step, gym.machine_last)
    elif kind == "body_mass":
        hung = _steps(0.0, gym.added_step, gym.added_last)
        known = (assistance_kg or 0.0) / gym.unit_kg
        most = max(gym.assistance_last, known) if assistable(exercise) else known
        helped = {*_steps(gym.assistance_step, gym.assistance_step, most), *([known] if known > 0.0 else [])}
        counts = [*(-load for load in sorted(helped, reverse=True)), *hung]
    else:
        counts = [0.0]
    return tuple(count * gym.unit_kg for count in counts)


def assistable(exercise: Exercise) -> bool:
    """Whether a machine or a band can take off part of the body's weight: pull-ups, chin-ups and dips."""
    return exercise.body_mass_share == 1.0


def nearest_load(loads: Sequence[float], kg: float) -> float:
    """The available load nearest to a wish; of two as near, the lighter."""
    return min(loads, key=lambda load: (abs(load - kg), load))


def _steps(first: float, step: float, last: float) -> list[float]:
    if step <= 0.0 or last < first:
        return [first] if first <= last else []
    step = max(step, FINEST_STEP)
    return [first + step * i for i in range(int((last - first) / step + 1e-9) + 1)]
