"""A fast part of the comparison with the stored digest; `digest.py` says how to run the whole."""

from collections.abc import Iterable

from tests.unchanged.digest import BEFORE, ROSTER, compared, pairs_of, read
from tests.unchanged.normal_form import differences, normal
from tests.unchanged.rule_cases import rule_cases
from tests.unchanged.scenarios import Item, demo_practice, whole_roster

ROOT = BEFORE.parents[2]
SOME_ATHLETES = ("s-05", "s-09")
STORED = read(BEFORE)


def faults(items: Iterable[Item]) -> tuple[set[str], list[str]]:
    """The names of the items, and what is different about them."""
    names, found = set(), []
    for name, answer, headline in items:
        names.add(name)
        fault = compared(STORED, name, normal(answer), headline)
        found += [] if fault is None else [fault]
    return names, found


def test_the_rules_decide_their_cases_and_pairs_of_them_as_before() -> None:
    names, found = faults(rule_cases(pairs_of(STORED)))
    assert found == []
    assert {name for name in STORED if name.startswith(("decision/", "gate/"))} - names == set()


def test_the_service_answers_as_before() -> None:
    roster = ROOT / ROSTER
    there = roster.exists()
    names, found = faults(whole_roster(roster, SOME_ATHLETES) if there else demo_practice(brief=True))
    assert found == []
    assert len(names) > 35


def test_a_changed_number_a_changed_sentence_and_a_lost_field_are_seen() -> None:
    """The normal form forgives names and what is listed there, and nothing else."""
    before = normal({"trend_mass_kg": {"mean": 80.0}, "statement": "The trend mass is 80 kg.", "gave_way": []})
    after = {"average_mass_kg": {"mean": 80.0}, "statement": "The average mass is 80 kg.", "overridden": []}
    assert normal(after) == before
    moved = normal({**after, "average_mass_kg": {"mean": 80.1}})
    assert differences(before, moved) == ["/trend_mass_kg/mean: 80.0 → 80.1"]
    assert differences(before, normal({**after, "statement": "The average mass is 81 kg."}))
    assert differences(before, normal({"average_mass_kg": {"mean": 80.0}, "overridden": []}))
    for other in (80, "80.0", None):
        assert differences({"kcal": 80.0}, {"kcal": other})
