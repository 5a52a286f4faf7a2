"""Sparse logging against simulated athletes whose maintenance is known: what the rule saves and what it costs."""

import numpy as np
import pytest

from tests.simulated.logging_trial import Trial, first_sparse_week, run, world_of

ATHLETES, DAYS, SETTLED = 40, 84, 42
Trials = dict[tuple[bool, str], Trial]


@pytest.fixture(scope="module")
def trials() -> Trials:
    """Regular and irregular eaters at maintenance: every day, as asked, and none after two weeks."""
    made: Trials = {}
    for regular in (True, False):
        world = world_of(regular, ATHLETES, DAYS, seed=11, steady=True)
        made[regular, "every day"] = run(world, 7)
        made[regular, "as asked"] = run(world, None)
        made[regular, "none"] = run(world, 0, full_weeks=2)
    return made


@pytest.mark.parametrize("regular", [True, False])
def test_logging_as_asked_costs_little_and_never_logging_much(trials: Trials, regular: bool) -> None:
    every, asked, none = (trials[regular, way].after(SETTLED) for way in ("every day", "as asked", "none"))
    assert asked.days_per_week < every.days_per_week - 0.5
    assert asked.rmse_kcal < 1.3 * every.rmse_kcal
    assert asked.half_width_kcal < 1.4 * every.half_width_kcal
    assert asked.coverage > every.coverage - 0.06  # as honest as with the whole log
    assert none.rmse_kcal > 1.5 * asked.rmse_kcal
    # Who never logs is known to be little known: wider intervals, where they held too little before.
    assert none.half_width_kcal > 1.5 * asked.half_width_kcal or none.coverage < asked.coverage - 0.1


def test_an_irregular_eater_is_asked_for_longer_and_for_more(trials: Trials) -> None:
    regular, irregular = trials[True, "as asked"], trials[False, "as asked"]
    assert np.nanmean(first_sparse_week(irregular)) > np.nanmean(first_sparse_week(regular))
    assert irregular.asked[:, -4:].mean() > regular.asked[:, -4:].mean()


@pytest.mark.parametrize("regular", [True, False])
def test_the_first_two_weeks_are_logged_whole_by_all(trials: Trials, regular: bool) -> None:
    assert (trials[regular, "as asked"].asked[:, :2] == 7).all()


def test_a_switch_of_phase_asks_for_every_day_again() -> None:
    world = world_of(True, ATHLETES, 84, seed=12)
    asked = run(world, None).asked
    for athlete, week in np.argwhere(asked < 7):
        day = world.log.phase_day[athlete, 7 * week - 1]
        assert day == 0 or day > 14 or day == 7 * week  # none in force, or not just switched, or the first one
