"""The golden year: what the service says of three invented athletes, week by week, must not change unnoticed.

When it changes on purpose, `python -m tests.golden.notebook` writes it anew, and the difference is read like a coach.
"""

import difflib
import re

import pytest

from tests.golden.notebook import PAGE, PEOPLE, write


@pytest.fixture(scope="module")
def text() -> str:
    return write()


def test_the_year_is_the_one_that_was_read(text: str) -> None:
    kept = PAGE.read_text()
    changes = difflib.unified_diff(kept.splitlines(), text.splitlines(), "kept", "now", lineterm="", n=1)
    assert text == kept, "\n".join(list(changes)[:60])


def test_every_week_says_what_was_seen_recommended_why_and_what_else(text: str) -> None:
    weeks = re.split(r"\n(?=\*\*\d{4}-W)", text)[1:]
    assert len(weeks) == 50 * len(PEOPLE)
    for week in weeks:
        assert "- seen: " in week and "- recommended: " in week and "- because (" in week
        assert "- otherwise: " in week
    assert sum("predicted" in week for week in weeks) == 49 * len(PEOPLE)


def test_predictions_came_true_about_as_often_as_they_said(text: str) -> None:
    """Of 147 predictions with 90 % intervals a calibrated engine holds 123 to 142 (binomial, 99 %)."""
    held, missed = text.count(": as predicted"), text.count(": outside the prediction")
    assert held + missed == 147 and held >= 123


def test_the_faint_was_referred_until_a_professional_had_cleared_it(text: str) -> None:
    """Day 137 is in the week of 2025-05-25, the clearance of day 152 in that of 2025-06-08."""
    bruno = text[text.index("## Bruno") :]
    weeks = re.split(r"\n(?=\*\*\d{4}-W)", bruno)[1:]
    referred = [re.search(r", (\d{4}-\d\d-\d\d)\*\*", week).group(1) for week in weeks if "recommended: refer" in week]
    assert referred == ["2025-05-25", "2025-06-01"]
    assert all("cut" not in week.split("(")[1] for week in weeks if "2025-06-01**" in week)
