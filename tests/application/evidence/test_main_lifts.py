"""The one lift of a movement pattern stands for it as one of several would whose rivals are not trained."""

import random

import numpy as np
import pytest

from service.application.evidence.main_lifts import _reigns, _trained_lately


@pytest.mark.parametrize("seed", range(20))
def test_a_lift_without_rivals_reigns_as_it_would_among_them(seed: int) -> None:
    rng, days = random.Random(seed), 300
    trained = sorted(rng.sample(range(-80, days + 20), rng.randrange(1, 12)))
    reigned = np.zeros(days, np.bool_)
    for begin, end, name in _reigns({"back-squat": trained}):
        assert name == "back-squat"
        reigned[max(begin, 0) : max(end, 0)] = True
    np.testing.assert_array_equal(_trained_lately(trained, days), reigned)
