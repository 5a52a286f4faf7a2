"""The same evidence gives the same decision anywhere; consistent data narrow what is known and never ask for more."""

import hashlib
import os
import subprocess
import sys
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.demo.world import simulate
from service.domain.estimation.estimate import estimate, predict_mass
from service.domain.evidence import Lift, PastPhase, Screening, Targets, moved
from service.domain.policy import DEFAULT
from service.domain.records import Athletes, DailyLog, FoodState
from service.domain.rules.amendments import Change, check_change
from service.domain.rules.arbiter import Decision, decide
from service.domain.rules.findings import Action, Severity
from service.domain.rules.targets import phase_energy
from tests.domain.rules.on_plan import CLEAR, ago, but, phase, q

evidences = st.builds(
    but,
    phase=st.builds(
        phase, st.sampled_from(["cut", "build", "maintain"]), st.integers(1, 50), st.sampled_from([28, 42])
    ),
    targets=st.builds(Targets, st.integers(160, 340).map(lambda tens: 10.0 * tens)),
    tissue_rate_pct_per_week=st.builds(q, st.floats(-2.0, 1.5), st.floats(0.05, 0.5)),
    maintenance_kcal=st.builds(q, st.floats(2000.0, 3500.0), st.floats(40.0, 300.0)),
    body_fat_pct=st.builds(q, st.floats(8.0, 32.0), st.just(2.0)),
    screening=st.sampled_from([CLEAR, None, Screening(False, True, False, False, "none")]),
    probability_not_in_deficit=st.floats(0.0, 1.0),
    log__complete_food_days_14_d=st.integers(0, 14),
    log__weigh_ins_14_d=st.integers(1, 14),
)


def digest(decision: Decision) -> str:
    return hashlib.sha256(repr(decision).encode()).hexdigest()


@settings(max_examples=200, deadline=None, derandomize=True)
@given(evidences)
def test_a_decision_is_a_function_of_its_evidence(evidence):
    made = decide(evidence, DEFAULT)
    assert made == decide(evidence, DEFAULT) == decide(replace(evidence), DEFAULT.changed({}))
    backwards = replace(evidence, lifts=evidence.lifts[::-1])
    assert decide(backwards, DEFAULT).recommendation == made.recommendation


MANY = tuple(
    but(
        phase=phase(kind, day, 35),
        targets=Targets(energy),
        tissue_rate_pct_per_week=q(rate, 0.2),
        past_phases=(PastPhase("cut", ago(100), ago(60)), PastPhase("build", ago(59), ago(31))),
        lifts=(Lift("barbell-row", q(90.0, 3.0), 0.7, 0.1), Lift("pull-up", q(100.0, 3.0), 0.4, 0.2)),
    )
    for kind in ("cut", "build", "maintain")
    for day in (3, 14, 35)
    for energy in (2000.0, 2600.0)
    for rate in (-1.7, -0.7, 0.0, 0.6)
)


def digests() -> list[str]:
    """Of the decisions on MANY; called here and in other processes."""
    return [digest(decide(evidence, DEFAULT)) for evidence in MANY]


@pytest.mark.parametrize("seed", ["1", "4242"])
def test_another_process_with_another_hash_seed_decides_the_same(seed):
    code = "from tests.domain.test_determinism import digests; print('\\n'.join(digests()))"
    environment = {**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True)
    assert done.stdout.split() == digests()
    assert len(set(digests())) > 40  # they differ from each other


@settings(max_examples=200, deadline=None, derandomize=True)
@given(evidences, st.integers(0, 6), st.integers(0, 6))
def test_more_data_never_ask_for_data_and_never_break_the_bounds_of_a_step(evidence, food, weigh_ins):
    log = evidence.log
    better = replace(
        evidence,
        log=replace(
            log,
            complete_food_days_14_d=min(log.complete_food_days_14_d + food, 14),
            weigh_ins_14_d=min(log.weigh_ins_14_d + weigh_ins, 14),
        ),
    )
    before, after = decide(evidence, DEFAULT).recommendation, decide(better, DEFAULT).recommendation
    if after.action is Action.COLLECT_DATA and "screening.unanswered" not in after.because:
        assert before.action is Action.COLLECT_DATA
    within = after.phase is None and after.because[:1] not in (("limit.deficit",), ("limit.energy_floor",))
    if after.action is Action.CHANGE_ENERGY and within:
        change = abs(after.energy_to_kcal - after.energy_from_kcal)
        assert 50.0 <= change <= min(250.0, 0.1 * after.energy_from_kcal) + 1e-9


@settings(max_examples=200, deadline=None, derandomize=True)
@given(evidences, st.floats(0.0, 15.0))
def test_the_leaner_are_never_put_into_a_larger_deficit(evidence, points):
    """Less fat: less energy in lost tissue (Forbes 2000, Hall 2008) and less that can be covered (Alpert 2005)."""
    leaner = moved(evidence, "body_fat_pct.mean", max(evidence.body_fat_pct.mean - points, 4.0))
    fuller, thinner = phase_energy(evidence, DEFAULT, "cut"), phase_energy(leaner, DEFAULT, "cut")
    assert thinner.energy_kcal >= fuller.energy_kcal


@settings(max_examples=200, deadline=None, derandomize=True)
@given(evidences, st.integers(120, 260), st.integers(0, 100))
def test_a_lower_energy_never_meets_fewer_hard_limits(evidence, tens, less):
    stops = [
        {f.code for f in check_change(evidence, DEFAULT, Change(energy)) if f.severity is Severity.STOP}
        for energy in (10.0 * tens, 10.0 * (tens - less))
    ]
    limits = {"limit.energy_floor", "limit.deficit"}
    assert stops[0] - limits <= stops[1]
    assert not stops[0] & limits or stops[1] & limits


@pytest.fixture(scope="module")
def rosters():
    """One simulated roster with its log thinned to a half, to three quarters, and whole."""
    world = simulate(60, 84, seed=31)
    who = Athletes(**{f.name: getattr(world.profile, f.name) for f in fields(Athletes)})
    whole = DailyLog(**{f.name: getattr(world.log, f.name) for f in fields(DailyLog)})
    luck = np.random.default_rng(7).random((2, *whole.mass_kg.shape))
    luck[:, :, 0] = 0.0  # everybody's first day stays, so that all begin from one prior
    return who, [_thinned(whole, luck, share) for share in (0.5, 0.75, 1.0)]


def _thinned(log: DailyLog, luck: np.ndarray, share: float) -> DailyLog:
    """The log with this share of its weigh-ins and food days; a larger share has all days of a smaller one."""
    weighed, eaten = luck < share
    return replace(
        log,
        mass_kg=np.where(weighed, log.mass_kg, np.nan),
        intake_kcal=np.where(eaten, log.intake_kcal, np.nan),
        carbohydrate_g=np.where(eaten, log.carbohydrate_g, np.nan),
        food_state=np.where(eaten, log.food_state, int(FoodState.NOT_LOGGED)),
    )


def test_more_of_the_same_log_narrows_what_is_known(rosters):
    """Of the same bodies: the sd may only grow where a weigh-in contradicts the others, which a log of noise may do."""
    who, logs = rosters
    found = [estimate(who, log) for log in logs]
    kcal = np.full((who.male.size, 7), 2200.0)
    widths = [
        {
            "maintenance": one.maintenance_kcal.sd[:, -1],
            "rate": one.tissue_rate_pct_per_week.sd[:, -1],
            "next week": predict_mass(who, one, logs[0].days[-1], kcal).sd,
        }
        for one in found
    ]
    for name in widths[0]:
        half, most, whole = (width[name] for width in widths)
        for narrow, wide in ((most, half), (whole, most)):
            ratio = narrow / wide
            assert np.nanmedian(ratio) < 1.0, name
            assert np.nanmean(ratio <= 1.0) > 0.75, (name, np.nanmean(ratio <= 1.0))
            assert np.nanmax(ratio) < 1.35, (name, np.nanmax(ratio))
