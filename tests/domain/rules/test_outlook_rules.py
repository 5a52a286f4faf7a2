"""What the data rules ask for is what would narrow maintenance most, by the filter's own numbers."""

from dataclasses import replace
from typing import Any

import pytest

from service.domain.evidence import Outlook
from service.domain.policy import DEFAULT
from service.domain.rules.findings import Finding
from service.domain.rules.rulebook import judge
from tests.domain.rules.on_plan import but, q, said

SD_KCAL = 240.0  # ± 395 kcal of 2850: 13.9 %


def _finding(code: str, outlook: Outlook | None, **more: Any) -> Finding:
    evidence = replace(but(maintenance_kcal=q(2850.0, SD_KCAL), **more), outlook=outlook)
    return next(found for found in judge(evidence, DEFAULT) if found.code == code)


@pytest.mark.parametrize(
    ("outlook", "ask_for", "words"),
    [
        # 1.6449 standard deviations over 2850 kcal: 220 → 12.7 %, 160 → 9.2 %, 210 → 12.1 %
        (
            Outlook(14, 220.0, 210.0, 160.0, 158.0),
            "food_days",
            "Complete food days would help most: ±9.2 % in 14 days, against ±12.1 % with daily weigh-ins and"
            " ±12.7 % if logging stays as it is.",
        ),
        (
            Outlook(14, 220.0, 160.0, 210.0, 158.0),
            "weigh_ins",
            "Daily weigh-ins would help most: ±9.2 % in 14 days, against ±12.1 % with complete food days and"
            " ±12.7 % if logging stays as it is.",
        ),
        (
            Outlook(14, 220.0, 215.0, 212.0, 160.0),
            "both",
            "Daily weigh-ins and complete food days together would help most: ±9.2 % in 14 days, against ±12.7 % if"
            " logging stays as it is.",
        ),
        (
            Outlook(14, 220.0, 219.0, 216.0, 215.0),
            None,
            "More data would hardly help: ±12.7 % in 14 days if logging stays as it is.",
        ),
    ],
)
def test_the_wide_interval_asks_for_what_would_narrow_it(outlook: Outlook, ask_for: str | None, words: str) -> None:
    found = _finding("data.wide_interval", outlook)
    assert found.evidence["ask_for"] == outlook.would_narrow_most == ask_for
    assert found.evidence["outlook"]["logging_daily_kcal"] == outlook.logging_daily_kcal
    assert said(found.statement).endswith(words)


@pytest.mark.parametrize(
    ("code", "more"),
    [
        ("data.few_food_days", {"log__complete_food_days_14_d": 2}),
        ("data.few_weigh_ins", {"log__weigh_ins_14_d": 2}),
    ],
)
def test_a_call_for_data_says_what_it_would_bring(code: str, more: dict[str, int]) -> None:
    plain, told = _finding(code, None, **more), _finding(code, Outlook(14, 220.0, 160.0, 210.0, 158.0), **more)
    assert said(told.statement).startswith(said(plain.statement))
    assert "Daily weigh-ins would help most: ±9.2 %" in said(told.statement)
    assert (told.severity, told.moves) == (plain.severity, plain.moves)


@pytest.mark.parametrize(("best_kcal", "worth"), [(94.9, True), (95.1, False)])
def test_what_is_worth_asking_for(best_kcal: float, worth: bool) -> None:
    """A narrowing by five per cent of the standard deviation (common practice, no source)."""
    assert (Outlook(14, 100.0, 100.0, best_kcal, best_kcal).would_narrow_most is not None) == worth
