"""The documentation's generated sections say what the data say."""

import pytest

from service.domain.rules.rulebook import EVERY_RULE
from tests.documentation import PAGE, SECTIONS, rule_table, with_sections


def test_the_developers_page_is_up_to_date() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert page == with_sections(page), "python -m tests.documentation writes it anew"


def test_an_old_section_is_replaced_and_a_missing_one_named() -> None:
    sections = [f"<!-- generated: {name} -->\nof last year\n<!-- end: {name} -->" for name in SECTIONS]
    page = with_sections("\n".join(["The first line.", *sections, "The last line."]))
    assert page.startswith("The first line.\n<!-- generated") and page.endswith("-->\nThe last line.")
    assert "of last year" not in page and all(generate() in page for generate in SECTIONS.values())
    assert with_sections(page) == page
    with pytest.raises(ValueError, match="phases"):
        with_sections("nothing")


def test_the_table_has_every_rule_in_order() -> None:
    rows = rule_table().splitlines()[2:]
    assert [row.split("`")[1] for row in rows] == [rule.code for rule in EVERY_RULE]
    assert all(row.count("|") == 6 for row in rows)
