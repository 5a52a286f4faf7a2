"""What the rules decide on the cases of their own tests and on pairs of them, and what the gate says to changes."""

import importlib
import random
from collections.abc import Callable, Iterable, Iterator
from dataclasses import MISSING, asdict, fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import orjson

from tests.unchanged.scenarios import Item

PLACES = {  # where a name of the domain may live, before and after
    "decide": ("service.domain.rules.arbiter",),
    "check_in": ("service.domain.rules.checkin",),
    "gate": ("service.domain.rules.gate",),
    "check_change": ("service.domain.rules.amendments",),
    "Change": ("service.domain.rules.amendments",),
    "decision_body": ("service.application.review.decided",),
    "finding_body": ("service.application.review.decided",),
    "DEFAULT": ("service.domain.policy",),
}
PAIRS = 400
DOMAIN_TESTS = Path(__file__).parents[1] / "domain"


def found(name: str) -> Any:
    """The thing of this name, wherever it lives on this commit."""
    for place in PLACES[name]:
        try:
            module = importlib.import_module(place)
        except ModuleNotFoundError as error:
            if error.name and place.startswith(error.name):
                continue
            raise
        if hasattr(module, name):
            return getattr(module, name)
    raise LookupError(f"{name} is in none of {PLACES[name]}: add its new place")


def table(name: str, *files: str) -> Any:
    """A table of cases of the domain's tests, whichever folder the file is in by now."""
    for file in files:
        for path in sorted(DOMAIN_TESTS.rglob(file)):
            module = importlib.import_module(".".join(path.relative_to(DOMAIN_TESTS.parents[1]).with_suffix("").parts))
            if hasattr(module, name):
                return getattr(module, name)
    raise LookupError(f"no table {name} in any of {files} under {DOMAIN_TESTS}")


def evidences() -> dict[str, Any]:
    """Every evidence of the tables by the name of its case; rows added at the end of a code leave the others' names."""
    on_plan = table("ON_PLAN", "on_plan.py")
    cases = {"on-plan": on_plan}
    cases |= dict(_thresholds("rules", table("CASES", "test_rules.py")))
    cases |= dict(_thresholds("check-in", table("CASES", "test_checkin.py", "test_check_in.py")))
    cases |= {f"scripted/{name}": evidence for name, evidence, *_ in table("SCRIPTED", "test_arbiter.py")}
    safety = ("test_safety.py", "test_gate.py", "test_amendments.py")
    cases |= {f"listed/{code}": onto(on_plan) for code, (onto, _) in table("LISTED", *safety).items()}
    for name in ("HARD", "SOFT"):
        cases |= {f"{name.lower()}/{what}": evidence for what, evidence, *_ in table(name, *safety)}
    return cases | {"unweighed": table("UNWEIGHED", *safety)}


def _thresholds(
    source: str, cases: Iterable[tuple[str, Callable[[Any], Any], list[Any], list[Any]]]
) -> Iterator[tuple[str, Any]]:
    """Evidence of each value of the tables of thresholds, numbered within its code."""
    rows: dict[str, int] = {}
    for code, make, on, off in cases:
        row = rows[code] = rows.get(code, 0) + 1
        for side, values in (("on", on), ("off", off)):
            for place, value in enumerate(values):
                yield f"{source}/{code}/{row}-{side}-{place + 1}", make(value)


def rule_cases(pairs: Iterable[str] | None = None) -> Iterator[Item]:
    """Decision, night and gate of each evidence; `pairs` are those of the stored digest, new ones are drawn without."""
    cases = evidences()
    for name, evidence in cases.items():
        yield from _judged(name, evidence)
    for name in _drawn(list(cases)) if pairs is None else pairs:
        one, other = name.removeprefix("pair/").split(" + ")
        if one in cases and other in cases:
            yield from _judged(name, overlaid(cases["on-plan"], cases[one], cases[other]))


def _drawn(names: list[str]) -> list[str]:
    rng = random.Random(2026)
    return sorted({f"pair/{' + '.join(rng.sample(names, 2))}" for _ in range(PAIRS)})


def overlaid(base: Any, one: Any, other: Any) -> Any:
    """The first evidence with whatever the second changes of the base; estimates, phases and targets change whole."""
    changes = {}
    for part in fields(base):
        was, mine, theirs = (getattr(evidence, part.name) for evidence in (base, one, other))
        if theirs == was:
            continue
        same = is_dataclass(was) and type(was) is type(mine) is type(theirs) and _is_a_collection(was)
        changes[part.name] = overlaid(was, mine, theirs) if same else theirs
    return replace(one, **changes)


def _is_a_collection(part: Any) -> bool:
    """Whether a part's fields stand side by side (log, screening, notes), unlike those of an estimate or a phase."""
    return all(one.default is not MISSING or one.default_factory is not MISSING for one in fields(part))


def _judged(name: str, evidence: Any) -> Iterator[Item]:
    policy = found("DEFAULT")
    decision = found("decision_body")(found("decide")(evidence, policy), evidence.as_of)
    night = [found("finding_body")(finding, evidence.as_of) for finding in found("check_in")(evidence, policy)]
    asked = decision["recommendation"]
    first = asked["because"][0] if asked["because"] else "-"
    yield f"decision/{name}", _plain([decision, night]), f"{asked['action']} >{asked['energy_kcal']['to']} {first}"
    opened = asdict(found("gate")(evidence, policy))
    refused = {
        what: [
            found("finding_body")(finding, evidence.as_of)
            for finding in found("check_change")(evidence, policy, found("Change")(**change))
        ]
        for what, change in _CHANGES.items()
    }
    yield f"gate/{name}", _plain([opened, refused]), " ".join(str(len(said)) for said in refused.values())


_CHANGES: dict[str, dict[str, Any]] = {
    "down": {"energy_kcal": 2140.0},
    "far down": {"energy_kcal": 1450.0},
    "up": {"energy_kcal": 2600.0},
    "cut": {"phase": "cut"},
    "cut at 2100": {"phase": "cut", "energy_kcal": 2100.0},
    "build": {"phase": "build", "energy_kcal": 3100.0},
    "maintain in a window": {"phase": "maintain", "energy_kcal": 2850.0, "window": True},
}


def _plain(body: Any) -> Any:
    return orjson.loads(orjson.dumps(body, default=str))
