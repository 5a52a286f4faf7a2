"""What DEVELOPERS.md says of the rules and phases, generated from their data, between markers.

python -m tests.documentation        # writes the sections anew; a test compares
"""

from pathlib import Path

from service.catalogue.sentences import question
from service.domain.rules.phases import TRANSITIONS
from service.domain.rules.rulebook import EVERY_RULE

PAGE = Path(__file__).parent.parent / "DEVELOPERS.md"


def phase_diagram() -> str:
    """The transition table as a Mermaid state diagram."""
    edges: dict[tuple[str, str], list[str]] = {}
    for row in TRANSITIONS:
        words = f"{row.words}, if {row.when.split(':')[0]}" if row.when else row.words
        edges.setdefault((row.source, row.to), []).append(words)
    lines = [f"    {source} --> {to} : {' / '.join(dict.fromkeys(words))}" for (source, to), words in edges.items()]
    return "\n".join(["```mermaid", "stateDiagram-v2", *lines, "```"])


def rule_table() -> str:
    """All rules in the order in which they are heard, as a table."""
    rows = [
        f"| `{rule.code}` | {rule.stage} | {rule.severity} | {rule.action or '–'} | {question(rule.code)} |"
        for rule in EVERY_RULE
    ]
    return "\n".join(["| rule | stage | severity | argues for | asks |", "|---|---|---|---|---|", *rows])


SECTIONS = {"phases": phase_diagram, "rules": rule_table}


def with_sections(page: str) -> str:
    """The page with every generated section anew; raises ValueError where a marker is missing."""
    for name, generate in SECTIONS.items():
        begin, end = f"<!-- generated: {name} -->", f"<!-- end: {name} -->"
        before, begun, rest = page.partition(begin)
        _, ended, after = rest.partition(end)
        if not begun or not ended:
            raise ValueError(f"no place for the section {name}: {begin} … {end}")
        page = f"{before}{begin}\n{generate()}\n{end}{after}"
    return page


if __name__ == "__main__":
    PAGE.write_text(with_sections(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
