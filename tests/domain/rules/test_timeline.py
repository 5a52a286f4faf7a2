"""What is in force from a day on, and what a change alters of it: cases by hand."""

from datetime import timedelta
from typing import Any

import pytest

from service.domain.rules.amendments import Change
from service.domain.rules.timeline import Planned, changes, spans_from, with_step
from tests.domain.rules.on_plan import TODAY, ago


def phase(kind: Any, days_ago: int, kcal: float | None = None, key: Any = None, lasts: int | None = None) -> Planned:
    end = ago(days_ago) + timedelta(days=lasts - 1) if lasts else None
    return Planned(key or f"{kind} {days_ago}", ago(days_ago), kcal, kind, end)


def targets(days_ago: int, kcal: float, *, window: bool = False) -> Planned:
    return Planned(f"targets {days_ago}", ago(days_ago), kcal, window=window)


BUILD, CUT, REST = phase("build", 90, 2900), phase("cut", 40, 2100, lasts=30), phase("maintain", -5, 2600)
PLAN = [REST, CUT, targets(20, 2000), BUILD]


def test_the_newest_phase_and_the_newest_energy_are_in_force_past_a_planned_end() -> None:
    now, later = spans_from(PLAN, TODAY)
    assert (now.on, now.phase, now.energy) == (TODAY, CUT, targets(20, 2000))
    assert (later.on, later.phase, later.energy) == (REST.on, REST, REST)
    assert spans_from([], TODAY)[0].phase is None


CASES = [
    ("history: a phase before the one in force", phase("cut", 60, 1200), ()),
    ("history: targets that newer ones replaced", targets(30, 900), ()),
    ("the same again", targets(20, 2000), ()),
    ("targets of the past that hold today", targets(10, 1900), (Change(1900, None, CUT.on, CUT.planned_end_on),)),
    ("a phase of the past that holds today", phase("build", 3, 3000), (Change(3000, "build", ago(3)),)),
    ("targets in a phase to come", targets(-6, 1500), (Change(1500, "maintain", REST.on),)),
    ("an earlier end of the present phase", phase("cut", 40, 2100, lasts=20), ()),
    (
        "a later end of the present phase",
        phase("cut", 40, 2100, lasts=60),
        (Change(2000, None, CUT.on, CUT.on + timedelta(days=59)),),
    ),
    ("a cut upon a cut is a new one", phase("cut", 0, 2000), (Change(2000, "cut", TODAY),)),
    ("a window", targets(20, 2000, window=True), (Change(2000, None, CUT.on, CUT.planned_end_on, window=True),)),
]


@pytest.mark.parametrize(("step", "wanted"), [pytest.param(*case[1:], id=case[0]) for case in CASES])
def test_what_a_step_alters_today_or_later(step: Planned, wanted: tuple[Change, ...]) -> None:
    assert changes(PLAN, with_step(PLAN, step), TODAY) == wanted


def test_a_phase_moved_out_of_the_way_puts_the_one_before_in_force() -> None:
    plan = [CUT, phase("maintain", 5, 2600, key="closes")]
    moved = with_step(plan, phase("maintain", -30, 2600, key="closes"))
    assert Change(2100, "cut", CUT.on, CUT.planned_end_on) in changes(plan, moved, TODAY)


def test_a_new_step_takes_the_place_of_its_twin_and_two_new_ones_stay_two() -> None:
    twin = Planned(None, CUT.on, 1800, "cut")
    assert [one.key for one in with_step(PLAN, twin) if one.on == CUT.on] == [CUT.key]
    both = with_step(with_step([], Planned(None, TODAY, 1800, "cut")), Planned(None, ago(9), 2500, "build"))
    assert len(both) == 2
