"""Who starts lighter and goes on slower (thresholds: common practice, no source)."""

from datetime import date, timedelta

import pytest

from service.domain.policy import DEFAULT
from service.domain.training.care import Care, care_for

TODAY = date(2026, 3, 2)


def days_before(*counts: int) -> list[date]:
    return [TODAY - timedelta(days=count) for count in counts]


@pytest.mark.parametrize(("age_y", "reasons"), [(59.9, ()), (60.0, ("age",)), (83.0, ("age",))])
def test_from_sixty_on(age_y: float, reasons: tuple[Care, ...]) -> None:
    assert care_for(age_y, "advanced", days_before(2, 4, 7), TODAY, DEFAULT) == reasons


@pytest.mark.parametrize(
    ("trained", "reasons"),
    [
        ((27, 30), ()),
        ((28, 30), ("return",)),  # the break ends today
        ((400,), ("return",)),
        ((5, 33, 35), ("return",)),  # it ended five days ago
        ((27, 55), ("return",)),
        ((28, 2, 56), ()),  # it ended four weeks ago
        ((), ()),  # nothing is known of earlier training: no return
    ],
)
def test_after_a_break_of_four_weeks_for_four_weeks(trained: tuple[int, ...], reasons: tuple[Care, ...]) -> None:
    assert care_for(30, "intermediate", days_before(*trained), TODAY, DEFAULT) == reasons


def test_novices_in_their_first_twelve_sessions() -> None:
    every_third = [3 * count for count in range(1, 13)]
    assert care_for(30, "novice", [], TODAY, DEFAULT) == ("untrained",)
    assert care_for(30, "novice", days_before(*every_third[:11]), TODAY, DEFAULT) == ("untrained",)
    assert care_for(30, "novice", days_before(*every_third), TODAY, DEFAULT) == ()
    assert care_for(30, None, [], TODAY, DEFAULT) == ()


def test_what_is_dated_later_is_not_known() -> None:
    assert care_for(30, "novice", days_before(*range(-30, 0)), TODAY, DEFAULT) == ("untrained",)
