"""Calibration over HTTP: the service's sums against sums by hand, and a warning where an engine misses too often."""

import uuid
from datetime import date, timedelta
from math import comb
from typing import Any

import pytest

from service.store.tables import Review
from service.store.types import now
from tests.api.conftest import Api, faults, today
from tests.api.in_a_cut import review, stalled

WIDE, NARROW = {"mean": 80.0, "sd": 1.0, "lo": 78.0, "hi": 82.0}, {"mean": 80.0, "sd": 0.5, "lo": 79.5, "hi": 80.5}


def score(phase: str | None, **found: tuple[dict[str, float], float]) -> dict[str, Any]:
    """A review's `score`: by quantity, the predicted band and what was found."""
    quantities = {
        name: {
            "predicted": {
                "mean": band["mean"],
                "sd": 9.0,
                "lo": 0.0,
                "hi": 200.0,
            },  # of the true value: not what counts
            "interval": {"lo": band["lo"], "hi": band["hi"]},
            "found": value,
            "z": round((value - band["mean"]) / band["sd"], 2),
            "inside": band["lo"] <= value <= band["hi"],
        }
        for name, (band, value) in found.items()
    }
    return {"made_as_of": "2026-01-01", "phase": phase, "quantities": quantities}


def keep(api: Api, athlete: dict[str, Any], scores: list[dict[str, Any] | None], last: date | None = None) -> None:
    """Reviews with these scores, one a week, the latest on `last`."""
    end = last or today()
    rows = [
        {
            "athlete_id": uuid.UUID(athlete["id"]),
            "week": f"w{back}",
            "as_of": end - timedelta(weeks=back),
            "action": "hold",
            "severity": 0,
            "document": {},
            "score": one,
            "inputs_digest": "",
            "state": "lapsed",
            "made_at": now(),
            "id": uuid.uuid4(),
        }
        for back, one in enumerate(scores)
    ]
    api.insert(Review, rows)


def test_sums_are_those_of_a_hand_count(fresh: Api) -> None:
    first, second = fresh.athlete(), fresh.athlete()
    keep(
        fresh,
        first,
        [
            score("cut", average_mass_kg=(WIDE, 81.0)),  # inside, z 1
            score("cut", average_mass_kg=(WIDE, 83.0), **{"pull-up": (NARROW, 80.25)}),  # missed, z 3; inside, z 0.5
            None,  # nothing was predicted
        ],
    )
    keep(
        fresh,
        second,
        [
            score("build", average_mass_kg=(NARROW, 79.5)),  # on the edge is inside, z −1
            score(None, **{"barbell-row": (WIDE, 77.0)}),  # missed, z −3
        ],
    )
    answer = fresh("GET", "/calibration").json()
    assert answer["nominal"] == 0.9 and answer["warnings"] == []
    mass = {"scored": 3, "inside": 2, "coverage": 0.667, "mean_width": 3.0, "mean_z": 1.0}  # widths 4, 4, 1
    lifts = {"scored": 2, "inside": 1, "coverage": 0.5, "mean_width": 2.5, "mean_z": -1.25}  # widths 1, 4
    assert answer["overall"] == {"average_mass_kg": mass, "strength": lifts}
    assert set(answer["by_phase"]) == {"cut", "build", "none"}
    assert answer["by_phase"]["cut"]["average_mass_kg"] == {
        "scored": 2,
        "inside": 1,
        "coverage": 0.5,
        "mean_width": 4.0,
        "mean_z": 2.0,
    }
    assert answer["by_phase"]["none"]["strength"]["coverage"] == 0.0
    bound = fresh.key_of("coaching:read", athlete_id=second["id"])("GET", "/calibration").json()
    assert bound["overall"]["average_mass_kg"]["scored"] == 1
    span = f"?from={today() - timedelta(days=3)}&to={today()}"
    assert fresh("GET", f"/calibration{span}").json()["overall"]["average_mass_kg"]["scored"] == 2
    assert faults(fresh("GET", "/calibration?from=soon")).keys() == {"from"}
    assert faults(fresh("GET", "/calibration?to=0001-01-01")).keys() == {"to"}


def test_an_empty_roster_has_no_coverage(fresh: Api) -> None:
    assert fresh("GET", "/calibration").json() == {"nominal": 0.9, "overall": {}, "by_phase": {}, "warnings": []}


@pytest.mark.parametrize(("inside", "of", "warned"), [(7, 10, False), (6, 10, False), (5, 10, True), (3, 5, False)])
def test_a_warning_needs_more_misses_than_chance_explains(fresh: Api, inside: int, of: int, warned: bool) -> None:
    """Binomial tail at 0.9 by hand: P(≤7 of 10) 0.070, P(≤6) 0.013, P(≤5) 0.0016, P(≤3 of 5) 0.081."""
    athlete = fresh.athlete(external_id=f"b-{inside}-{of}")
    hits, misses = score("cut", average_mass_kg=(WIDE, 80.0)), score("cut", average_mass_kg=(WIDE, 90.0))
    keep(fresh, athlete, [hits] * inside + [misses] * (of - inside))
    warnings = fresh("GET", "/calibration").json()["warnings"]
    tail = sum(comb(of, k) * 0.9**k * 0.1 ** (of - k) for k in range(inside + 1))
    assert (tail < 0.01) is warned
    assert [warning["external_id"] for warning in warnings] == ([athlete["external_id"]] if warned else [])
    if warned:
        assert warnings[0]["probability"] == pytest.approx(tail, abs=1e-5)
        assert (warnings[0]["quantity"], warnings[0]["scored"], warnings[0]["inside"]) == (
            "average_mass_kg",
            of,
            inside,
        )


def test_a_body_that_the_engine_cannot_follow_is_named(fresh: Api) -> None:
    """His scale jumps by 3.2 kg from one week to the next; her twin's does not: only he is out of calibration."""
    jumpy = stalled(fresh, "jumpy", days=84, jump_kg=1.6)
    steady = stalled(fresh, "steady", days=84)
    for weeks in range(9, -1, -1):
        for athlete in (jumpy, steady):
            made = review(fresh, athlete, 1 + 7 * weeks)
    answer = fresh("GET", "/calibration").json()
    assert answer["overall"]["average_mass_kg"]["scored"] == 18
    assert [warning["external_id"] for warning in answer["warnings"]] == ["jumpy"], answer
    assert made["score"]["quantities"]["average_mass_kg"]["inside"] in (True, False)
    for one in made["score"]["quantities"].values():
        half = 1.645 * (one["predicted"]["sd"] ** 2 - one["found_sd"] ** 2) ** 0.5  # what the week taught
        assert one["interval"]["hi"] - one["interval"]["lo"] == pytest.approx(2 * half, abs=0.03)
        assert one["inside"] is (one["interval"]["lo"] <= one["found"] <= one["interval"]["hi"])
    own = [row["score"] for row in fresh.rows(Review, athlete_id=steady["id"]) if row["score"]]
    z = [one["quantities"]["average_mass_kg"]["z"] for one in own]
    assert len(z) == 9 and max(map(abs, z)) < 4
