"""The comparison of two commits' answers: the same commit agrees with itself, and what differs is seen."""

import pytest

from tests.unchanged import normal_form
from tests.unchanged.digest import compared
from tests.unchanged.normal_form import differences, digest, normal
from tests.unchanged.rule_cases import rule_cases


def test_the_rules_decide_their_cases_twice_alike_and_a_changed_answer_is_seen() -> None:
    made = {name: (normal(answer), headline) for name, answer, headline in rule_cases(())}
    stored = {name: [digest(body), headline] for name, (body, headline) in made.items()}
    again = [compared(stored, name, normal(answer), headline) for name, answer, headline in rule_cases(())]
    assert len(again) > 300
    assert not any(again)
    name, (body, headline) = next(iter(made.items()))
    assert compared(stored, name, [*body, "more"], headline) is not None
    assert compared({}, name, body, headline) is not None


def test_names_that_are_listed_are_forgiven_and_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(normal_form.RENAMED, "average_mass_kg", "trend_mass_kg")
    monkeypatch.setitem(normal_form.RENAMED, "average mass", "trend mass")
    before = {"trend_mass_kg": {"mean": 80.0}, "statement": "The trend mass is 80 kg."}
    after = {"average_mass_kg": {"mean": 80.0}, "statement": "The average mass is 80 kg."}
    assert normal(after) == before
    moved = normal({**after, "average_mass_kg": {"mean": 80.1}})
    assert differences(before, moved) == ["/trend_mass_kg/mean: 80.0 → 80.1"]
    assert differences(before, normal({**after, "statement": "The average mass is 81 kg."}))
    assert differences(before, normal({"average_mass_kg": {"mean": 80.0}}))
    for other in (80, "80.0", None):
        assert differences({"kcal": 80.0}, {"kcal": other})
