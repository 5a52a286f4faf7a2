"""Simulated lifters: truth that behaves as the trade expects, sets as untidy as real ones."""

from dataclasses import fields

import numpy as np
import pytest

from service.demo.lifters import LIFTS, PULL_UP, draw_lifters, train
from service.demo.people import draw_people
from service.demo.records import BUILD, CUT
from service.demo.world import Simulation, simulate


@pytest.fixture(scope="module")
def world():
    return simulate(200, 168, seed=21)


@pytest.fixture(scope="module")
def training(world):
    return train(world, seed=5)


def four_week_change(world, training, kind):
    """Per cent over the first 28 days of each phase of a kind."""
    inside = (world.log.phase[:, 28:] == kind) & (world.log.phase_day[:, 28:] == 29)
    strength = training.one_rep_max_kg
    return 100 * (strength[:, 28:] / strength[:, :-28] - 1)[inside]


def test_seed_fixes_the_training(world, training):
    again = train(world, seed=5)
    for f in fields(training):
        if f.name != "lifts":
            np.testing.assert_array_equal(getattr(training, f.name), getattr(again, f.name))
    assert len(train(world, seed=6).day) != len(training.day)


def test_more_days_only_add_days():
    simulation = Simulation(draw_people(np.random.default_rng(1), 30, 120), 120, seed=2)
    simulation.advance(120)
    short, whole = train(simulation.world(80), 9), train(simulation.world(), 9)
    np.testing.assert_array_equal(short.one_rep_max_kg, whole.one_rep_max_kg[:, :80])
    early = whole.day < 80
    for name in ("athlete", "day", "lift", "load_kg", "reps", "rir", "warm_up"):
        np.testing.assert_array_equal(getattr(short, name), getattr(whole, name)[early])


def test_strength_rises_in_a_build_and_is_held_or_slowly_lost_in_a_cut(world, training):
    build, cut = four_week_change(world, training, BUILD), four_week_change(world, training, CUT)
    assert np.median(build) > 0.5
    # Murphy & Koehler 2022, doi 10.1111/sms.14075: strength not impaired on average in a deficit
    assert -1.0 < np.median(cut) < 0.8
    assert 0.01 < (cut < -5).mean() < 0.12
    assert (build < -5).mean() < 0.01


def test_effort_and_untidiness(training):
    work = ~training.warm_up
    assert training.reps.min() >= 1 and 4 <= np.median(training.reps[work]) <= 9
    assert 0.15 < np.isnan(training.rir[work]).mean() < 0.5
    assert np.isnan(training.rir[training.warm_up]).all()
    assert 0.1 < training.warm_up.mean() < 0.3
    assert 0.2 < training.marked_warm_up[training.warm_up].mean() < 0.8
    assert not training.marked_warm_up[work].any()
    assert np.all(training.load_kg % 2.5 == 0)
    per_week = len(np.unique(training.athlete * 1000 + training.day)) / 200 / 24
    assert 2.0 < per_week < 3.0


def test_sets_are_within_what_the_lifter_can_do(world, training):
    """Best set × Epley against the truth: an error of 4–8 %, field studies find 5–7 kg on bench (Hutchins 2010)."""
    work = ~training.warm_up & np.isfinite(training.rir)
    body = world.truth.noise_free_mass_kg[training.athlete, training.day]
    load = training.load_kg + np.where(training.lift == PULL_UP, body, 0)
    truth = training.one_rep_max_kg[training.athlete, training.day, training.lift]
    estimate = load * (1 + (training.reps + training.rir) / 30)
    error = (estimate / truth - 1)[work]
    assert abs(np.median(error)) < 0.06
    assert 0.03 < np.sqrt(np.mean(error**2)) < 0.10
    assert np.mean(load[work] < truth[work]) > 0.995


def test_repetition_curve_matches_the_percentage_table():
    """NSCA %1RM–repetition table (from memory): 5 at 87 %, 8 at 80 %, 10 at 75 %; the mean lifter within one."""
    world = simulate(400, 10, seed=3)
    k = draw_lifters(np.random.default_rng(1), world).curve.mean()
    for share, reps in ((0.87, 5), (0.80, 8), (0.75, 10)):
        assert 1 + k * (1 / share - 1) == pytest.approx(reps, abs=1)


def test_a_session_has_four_lifts_and_each_lift_its_turn(training):
    sessions = np.unique(np.stack([training.athlete, training.day, training.lift]), axis=1)
    _, counts = np.unique(sessions[0] * 1000 + sessions[1], return_counts=True)
    assert np.median(counts) == 4
    weekly = np.bincount(sessions[2], minlength=len(LIFTS)) / 200 / 24
    assert weekly.min() > 0.8
