"""What the service answers, as a digest; made on one commit and compared on another.

    python -m tests.unchanged.digest --write THEN.json      # on the commit before a rearrangement
    python -m tests.unchanged.digest --compare THEN.json    # on the one after it: exit 1 on a difference

Run from the project's root. Both take `--roster FILE` (../shared/samples/roster.ndjson; without that file the rules and
the demo practice alone are compared) and `--only rules|whole|walk|demo`. A difference is named with the headlines of
both sides. To see it inside the answer, keep the whole answers: `--write FILE --bodies THEN` on the earlier commit
(with this folder copied into a worktree of it), then `--compare --explain THEN` here.

Sources: the cases of the rules' own tests and pairs of them (`rules`); the sample roster imported at once (`whole`),
and week by week under a coach who answers (`walk`); the demo practice (`demo`). All but the rules is met over HTTP and
by the `steelyard` command, on a SQLite file, with the clock stopped. `normal_form.py` names what may differ.
"""

import argparse
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import orjson

from tests.unchanged.normal_form import differences, digest, normal
from tests.unchanged.rule_cases import rule_cases
from tests.unchanged.scenarios import Item, demo_practice, walked_roster, whole_roster

ROSTER = Path("../shared/samples/roster.ndjson")
SHOWN = 60
Digests = dict[str, list[str]]  # by item: its digest and headline


def pairs_of(before: Digests) -> list[str]:
    """The pairs of rule cases of a stored digest."""
    return [name.removeprefix("decision/") for name in before if name.startswith("decision/pair/")]


def items(only: str | None, roster: Path, pairs: list[str] | None) -> Iterator[Item]:
    """Everything that is compared."""
    sources: dict[str, Callable[[], Iterator[Item]]] = {
        "rules": lambda: rule_cases(pairs),
        "whole": lambda: whole_roster(roster),
        "walk": lambda: walked_roster(roster),
        "demo": lambda: demo_practice(),
    }
    for name, source in sources.items():
        if only in (None, name):
            if name in ("whole", "walk") and not roster.exists():
                print(f"{name}: left out, there is no {roster}", file=sys.stderr)
                continue
            began = time.perf_counter()
            yield from source()
            print(f"{name}: {time.perf_counter() - began:.0f} s", file=sys.stderr)


def read(path: Path) -> Digests:
    """A stored digest."""
    stored: Digests = orjson.loads(path.read_bytes())
    return stored


def compared(before: Digests, name: str, body: Any, headline: str) -> str | None:
    """What is different about an item, None where nothing is."""
    if name not in before:
        return f"{name}: not in the stored digest ({headline})"
    was, said = before[name]
    return None if was == digest(body) else f"{name}: {said!r} → {headline!r}"


def main() -> int:
    """Write or compare, by the arguments."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--write", type=Path, metavar="FILE", help="make a digest")
    what.add_argument("--compare", type=Path, metavar="FILE", help="compare with such a digest")
    parser.add_argument("--roster", type=Path, default=ROSTER)
    parser.add_argument("--only", choices=("rules", "whole", "walk", "demo"))
    parser.add_argument("--bodies", type=Path, help="write the whole answers in normal form, a line each")
    parser.add_argument("--explain", type=Path, help="such a file of the earlier commit, to say where answers differ")
    asked = parser.parse_args()
    before = read(asked.compare) if asked.compare else {}
    bodies_then = dict(map(orjson.loads, asked.explain.read_bytes().splitlines())) if asked.explain else {}
    made: Digests = {}
    faults, lines = [], []
    for name, answer, headline in items(asked.only, asked.roster, pairs_of(before) if asked.compare else None):
        if name in made:
            raise RuntimeError(f"two items are called {name}")
        body = normal(answer)
        made[name] = [digest(body), headline]
        if asked.bodies:
            lines.append(orjson.dumps([name, body], option=orjson.OPT_SORT_KEYS))
        fault = compared(before, name, body, headline) if asked.compare else None
        if fault is not None:
            faults.append(fault)
            faults += [f"    {line}" for line in differences(bodies_then.get(name), body)[:20]] if bodies_then else []
    if asked.bodies:
        asked.bodies.write_bytes(b"\n".join(lines))
    if asked.write:
        rows = (f"{orjson.dumps(name).decode()}:{orjson.dumps(row).decode()}" for name, row in sorted(made.items()))
        asked.write.write_text("{\n" + ",\n".join(rows) + "\n}\n")
        print(f"{len(made)} items")
        return 0
    return _told(made, before, faults, whole=asked.only is None and asked.roster.exists())


def _told(made: Digests, before: Digests, faults: list[str], *, whole: bool) -> int:
    gone = [f"{name}: not there any more" for name in sorted(before.keys() - made.keys())] if whole else []
    for line in [*faults, *gone][:SHOWN]:
        print(line)
    if len(faults) + len(gone) > SHOWN:
        print(f"… and {len(faults) + len(gone) - SHOWN} lines more")
    same = sum(before.get(name, [""])[0] == row[0] for name, row in made.items())
    print(f"{same} of {len(made)} items are as before, {len(gone)} are gone")
    return 1 if faults or gone else 0


if __name__ == "__main__":
    sys.exit(main())
