"""What is asked of the service: a sample roster seen from its end, the same walked week by week, the demo practice.

Each scenario yields items (name, answer, headline); the answers are as they came, not yet in normal form.
"""

import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import orjson

from tests.unchanged.running_service import Service, practice, running

Item = tuple[str, Any, str]
WEEK = timedelta(days=7)
LOOKED_AT = "2026-11-23T09:00:00+00:00"  # the day after the sample roster ends; the demo practice's today
REVIEWED = [date(2026, 6, 7) + 2 * WEEK * step for step in range(13)]  # every second Sunday, to 2026-11-22
ALL_ANSWERED = {
    "pregnant_or_breastfeeding": False, "eating_disorder_history": False, "kidney_disease": False,
    "heart_or_metabolic_disease": False, "glucose_lowering_medication": "none", "clearances": [],
}  # fmt: skip
QUANTITIES = (
    "average_mass_kg", "trend_mass_kg", "rate_pct_per_week", "tissue_rate_pct_per_week", "maintenance_kcal",
    "energy_requirement_kcal", "expenditure_kcal", "body_fat_pct",
)  # fmt: skip


def whole_roster(
    roster: Path, athletes: Sequence[str] | None = None, days: Sequence[date] = REVIEWED
) -> Iterator[Item]:
    """The sample imported at once: reviews as of past days, estimates, what to lift and eat, what the gate refuses."""
    lines = _lines(roster, athletes)
    with practice(LOOKED_AT) as service:
        imported = service.load([orjson.dumps(line) for line in lines])
        for name in service.know_athletes():
            at = f"/athletes/{service.ids[name]}"
            for day in days:
                status, review = service.ask("POST", f"{at}/reviews", {"as_of": str(day)}, dry_run="true")
                _expect(status, 200, review)
                yield f"whole/{name}/review/{day}", review, headline(review)
            yield from _estimates(service, f"whole/{name}", name, "2026-05-25", "2026-11-22")
            yield from _looks(service, f"whole/{name}", name)
            yield from _refusals(service, f"whole/{name}", name)
        if athletes is None:
            yield "whole/import", imported, f"{imported['lines_kept']} lines"
            yield from _menus(service, "whole", sorted(service.ids)[:3], {"pattern": "omnivore"})
            service.command("tick", "--at", LOOKED_AT)
            yield "whole/attention", service.get("/attention", limit=1000), ""
            yield from _stored_reviews(service, "whole")


def walked_roster(roster: Path, weeks: int = 16) -> Iterator[Item]:
    """The sample sent week by week to a coach who answers every review, so that targets and phases move on."""
    lines, start = _lines(roster), date(2026, 8, 3)
    sent_to = start
    with practice(f"{start}T07:00:00+00:00") as service:
        first = [_enriched(line) for line in lines if (_on(line) or "") < str(start)]
        yield "walk/import", service.load([orjson.dumps(line) for line in first]), ""
        names = service.know_athletes()
        for index, name in enumerate(names):
            yield from _enrol(service, index, name, start)
        for week in range(weeks):
            today = start + week * WEEK
            service.clock.set(f"{today}T07:00:00+00:00")
            new = [line for line in lines if line["type"] != "phase" and str(sent_to) <= (_on(line) or "") < str(today)]
            held_back = _days_before(new, names[2], today) if week == 6 else []
            new = [line for line in new if line not in held_back] + _notes(today, week)
            yield from _cleared(service, names, week, today)
            yield f"walk/{today}/import", service.load([orjson.dumps(line) for line in new]), f"{len(new)} lines"
            sent_to = today
            said = service.command("tick", "--at", f"{today}T06:00:00+00:00")
            yield f"walk/{today}/tick", said.split("reviews:")[-1].split(), ""
            if held_back:
                yield from _late_entries(service, names[2], today, held_back)
            attention = service.get("/attention", limit=1000)
            yield f"walk/{today}/attention", attention, " ".join(one["external_id"] for one in attention["items"])
            for index, name in enumerate(names):
                yield from _answered(service, name, index + week, today)
                if week % 5 == 4:
                    lifts = service.get(f"/athletes/{service.ids[name]}/prescriptions")
                    yield f"walk/{name}/prescriptions/{today}", lifts, _lifts(lifts)
        for name in names:
            yield from _estimates(service, f"walk/{name}", name)
            yield from _looks(service, f"walk/{name}", name)
        yield from _menus(service, "walk", names[1:9:3], {})
        yield from _practice_wide(service, "walk", str(start), str(today))


def demo_practice(*, brief: bool = False) -> Iterator[Item]:
    """What `steelyard demo` makes and reviews; `brief`: no more than that."""
    with running(LOOKED_AT) as service:
        said = service.command("demo", "--once")
        found = re.search(r"^Key\s+(\S+)$", said, re.MULTILINE)
        if found is None:
            raise RuntimeError(f"no key in what the demo said:\n{said}")
        service.key = found[1]
        names = service.know_athletes()
        yield "demo/athletes", service.get("/athletes", limit=1000), " ".join(names)
        attention = service.get("/attention", limit=1000)
        yield "demo/attention", attention, " ".join(one["external_id"] for one in attention["items"])
        yield from _stored_reviews(service, "demo")
        if brief:
            return
        for name in names:
            yield from _estimates(service, f"demo/{name}", name, "2026-06-01", "2026-11-22")
            yield from _looks(service, f"demo/{name}", name)
            yield from _refusals(service, f"demo/{name}", name)
        yield from _menus(service, "demo", names[::3], {})
        for index, name in enumerate(names):
            open_ones = [one for one in _reviews(service, name) if one["state"] == "open"]
            for review in open_ones:
                yield from _decided(service, f"demo/{name}/decision/{review['as_of']}", review, _answer(review, index))
        yield from _practice_wide(service, "demo", "2026-08-01", "2026-11-22")


def headline(review: dict[str, Any]) -> str:
    """A review in a few words."""
    asked = review["recommendation"]
    estimates = review["estimates"]
    mass = estimates.get("average_mass_kg", estimates.get("trend_mass_kg"))
    shown = f"{mass['mean']} kg" if mass else "no mass"
    energy = asked["energy_kcal"]
    first = asked["because"][0] if asked["because"] else "-"
    to = f" to {asked['phase']['to']}" if asked["phase"] else ""
    return f"{asked['action']}{to} {energy['from']}>{energy['to']} {first}, {shown}"


def _lines(roster: Path, athletes: Sequence[str] | None = None) -> list[dict[str, Any]]:
    lines = [orjson.loads(line) for line in roster.read_bytes().splitlines() if line.strip()]
    return [line for line in lines if athletes is None or line.get("athlete", line.get("external_id")) in athletes]


def _on(line: dict[str, Any]) -> str | None:
    """The date of a line; None for an athlete."""
    found = line.get("date") or line.get("starts_on") or (line.get("at") or "")[:10]
    return str(found) if found else None


def _expect(status: int, wanted: int, body: Any) -> None:
    if status != wanted:
        raise RuntimeError(f"{status} instead of {wanted}: {body}")


def _enriched(line: dict[str, Any]) -> dict[str, Any]:
    """Athletes of the walk also have goals, experience and wishes, so that more rules have a say."""
    if line["type"] != "athlete":
        return line
    index = int(line["external_id"][-2:])
    more: dict[str, Any] = {"experience": ("novice", "intermediate", "advanced")[index % 3]}
    more["food_pattern"] = ("omnivore", "vegetarian", "vegan", "omnivore")[index % 4]
    if index % 4:
        more["goal"] = {"body_fat_pct": 14 if line["sex"] == "male" else 24}
    if index % 5 == 0:
        more["eating_window"] = {"from": "12:00", "to": "20:00"}
    return {**line, **more, "meals_per_day": 2 + index % 3}


def _enrol(service: Service, index: int, name: str, start: date) -> Iterator[Item]:
    """Screening of all but one, a plan for some, and thresholds of the practice's own."""
    at = f"/athletes/{service.ids[name]}"
    answers: dict[str, Any] = dict(ALL_ANSWERED)
    if index == 3:
        answers |= {"glucose_lowering_medication": "insulin"}
    if index == 8:
        answers |= {"kidney_disease": True, "clearances": [{"for": "deficit", "on": str(start), "by": "Dr Amaral"}]}
    if index != 1:
        status, kept = service.ask("PUT", f"{at}/screening", answers)
        yield f"walk/{name}/screening", [status, kept], ""
    if index % 3 == 0:
        plan = {"days_per_week": 2 + index % 3, "from_date": str(start)}
        status, made = service.ask("POST", f"{at}/training-plans/starter", plan)
        yield f"walk/{name}/starter-plan", [status, made], ""


def _notes(today: date, week: int) -> list[dict[str, Any]]:
    """Hunger and fatigue, and what closes the gate for a while; a mistyped weigh-in and a doubtful meal."""

    def note(athlete: str, days_ago: int, **said: Any) -> dict[str, Any]:
        return {"type": "wellbeing", "athlete": athlete, "date": str(today - timedelta(days=days_ago)), **said}

    notes = [note("s-01", 2, hunger=2 + week % 4, fatigue=2 + (week + 1) % 4, sleep_h=5.5 + week % 3)]
    if week in (3, 4):
        notes += [note("s-05", days, pain=[{"exercise": "back-squat", "level": 6}]) for days in (1, 3)]
    if week == 5:
        notes.append(note("s-06", 1, symptoms=["dizziness"]))
        notes.append({"type": "weigh_in", "athlete": "s-07", "date": str(today - timedelta(days=1)), "mass_kg": 158.0})
        notes.append({"type": "meal", "athlete": "s-08", "date": str(today - timedelta(days=1)), "energy_kcal": 7400})
    if week == 8:
        notes.append(note("s-07", 1, months_without_menstruation=4))
    if week == 10:
        notes.append(note("s-10", 0, symptoms=["chest_pain"]))
    return notes


def _cleared(service: Service, names: Sequence[str], week: int, today: date) -> Iterator[Item]:
    """A professional's word some weeks after the pain, and after the chest pain."""
    for index in {8: (4,), 13: (9,)}.get(week, ()):
        given = [{"for": scope, "on": str(today), "by": "Dr Amaral"} for scope in ("deficit", "load")]
        answers = {**ALL_ANSWERED, "clearances": given}
        status, kept = service.ask("PUT", f"/athletes/{service.ids[names[index]]}/screening", answers)
        yield f"walk/{names[index]}/cleared", [status, kept], str(status)


def _reviews(service: Service, name: str) -> list[dict[str, Any]]:
    return list(service.get(f"/athletes/{service.ids[name]}/reviews", limit=1000)["items"])


def _stored_reviews(service: Service, scenario: str) -> Iterator[Item]:
    for name in sorted(service.ids):
        for review in _reviews(service, name):
            yield f"{scenario}/{name}/stored/{review['as_of']}", review, headline(review)


def _answered(service: Service, name: str, turn: int, today: date) -> Iterator[Item]:
    """The open review of an athlete and the coach's answer to it."""
    for review in _reviews(service, name):
        if review["state"] == "open":
            yield f"walk/{name}/review/{review['as_of']}", review, headline(review)
            yield from _decided(service, f"walk/{name}/decision/{review['as_of']}", review, _answer(review, turn))


def _answer(review: dict[str, Any], turn: int) -> dict[str, Any]:
    """Mostly yes, at times no, at times something else."""
    energy = review["recommendation"]["energy_kcal"]["to"]
    if turn % 9 == 5:
        return {"decision": "declined"}
    if turn % 9 == 3 and energy is not None:
        return {"decision": "amended", "changes": {"energy_kcal": energy - 60}}
    if turn % 9 == 7:
        on = str(date.fromisoformat(review["as_of"]) + timedelta(days=1))
        return {"decision": "amended", "changes": {"phase": {"to": ("cut", "maintain", "build")[turn // 9], "on": on}}}
    return {"decision": "accepted"}


def _decided(service: Service, name: str, review: dict[str, Any], body: dict[str, Any]) -> Iterator[Item]:
    """Every try until the decision is taken: acknowledged where that is asked, declined where it is refused."""
    tries = []
    for _ in range(3):
        status, said = service.ask("POST", f"/reviews/{review['id']}/decision", body)
        tries.append([body, status, said])
        faults = said.get("errors", [])
        if status == 201:
            break
        if faults and all(fault["pointer"] == "/acknowledge" for fault in faults):
            body = {**body, "acknowledge": sorted({fault["code"] for fault in faults})}
        else:
            body = {"decision": "declined"}
    _expect(status, 201, said)
    yield name, tries, f"{body['decision']} at try {len(tries)}"


def _days_before(lines: Sequence[dict[str, Any]], name: str, today: date) -> list[dict[str, Any]]:
    """An athlete's lines of three days of the last week, which come late."""
    days = [str(today - timedelta(days=ago)) for ago in (4, 5, 6)]
    return [line for line in lines if line["athlete"] == name and _on(line) in days]


def _late_entries(service: Service, name: str, today: date, lines: Sequence[dict[str, Any]]) -> Iterator[Item]:
    """Entries that come after the reviews they belong to: a look is made anew and says what has moved."""
    at, look = f"/athletes/{service.ids[name]}", {"as_of": str(today - timedelta(days=3))}
    status, made = service.ask("POST", f"{at}/reviews", look)
    yield f"walk/{name}/look/{look['as_of']}", [status, made], headline(made)
    yield f"walk/{name}/late-import", service.load([orjson.dumps(line) for line in lines]), f"{len(lines)} lines"
    status, again = service.ask("POST", f"{at}/reviews", look)
    yield f"walk/{name}/look-again/{look['as_of']}", [status, again], headline(again)


def _estimates(
    service: Service, at: str, name: str, first: str | None = None, last: str | None = None
) -> Iterator[Item]:
    """Both bases, an item a quantity."""
    span = {} if first is None or last is None else {"from_": first, "to": last}
    for basis in ("as_known", "revised"):
        found = service.get(f"/athletes/{service.ids[name]}/estimates", basis=basis, **span)
        rest = dict(found)
        for quantity in QUANTITIES:
            if quantity in rest:
                band = rest.pop(quantity)
                old = {"average_mass_kg": "trend_mass_kg", "energy_requirement_kcal": "expenditure_kcal"}
                name_then = old.get(quantity, quantity)
                yield f"{at}/estimates/{basis}/{name_then}", band, f"{band['mean'][-1]}"
        yield f"{at}/estimates/{basis}/rest", rest, " ".join(sorted(rest["strength"]))[:40]


def _looks(service: Service, at: str, name: str) -> Iterator[Item]:
    """Everything else that is read of one athlete."""
    here = f"/athletes/{service.ids[name]}"
    lifts = service.get(f"{here}/prescriptions")
    yield f"{at}/prescriptions", lifts, _lifts(lifts)
    yield f"{at}/volume", service.get(f"{here}/volume"), ""
    slug = lifts["items"][0]["exercise"] if lifts["items"] else "back-squat"
    yield f"{at}/substitutes", service.get(f"{here}/substitutes", exercise=slug), slug
    yield f"{at}/adherence", service.get(f"{here}/adherence"), ""
    need = service.get(f"{here}/logging-need")
    yield f"{at}/logging-need", need, f"{need['complete_days_per_week']} days"
    plans = [service.get(f"{here}/{kind}", limit=1000) for kind in ("phases", "targets", "training-plans")]
    yield f"{at}/plans", plans, " ".join(str(len(plan["items"])) for plan in plans)
    suspects = [
        service.get(f"{here}/{kind}", limit=1000, suspect="true")
        for kind in ("weigh-ins", "meals", "training-sessions")
    ]
    yield f"{at}/suspect-entries", suspects, " ".join(str(len(kind["items"])) for kind in suspects)
    status, halves = service.ask("POST", f"{here}/targets/split", {"training_days": ["monday", "thursday", "saturday"]})
    yield f"{at}/targets-split", [status, halves], str(status)


def _refusals(service: Service, at: str, name: str) -> Iterator[Item]:
    """What the gate says to plans made by hand; nothing is kept."""
    here, today = f"/athletes/{service.ids[name]}", service.clock.instant.date()
    tried: dict[str, tuple[str, dict[str, Any]]] = {
        f"targets-{kcal}": ("targets", {"from_date": str(today), "energy_kcal": kcal})
        for kcal in (1100, 1700, 2400, 3300)
    }
    for kind, kcal in (("cut", 1800), ("build", 3000), ("maintain", 2400)):
        end = str(today + timedelta(days=50))
        body = {"kind": kind, "starts_on": str(today + timedelta(days=1)), "planned_end_on": end, "energy_kcal": kcal}
        tried[f"{kind}-{kcal}"] = ("phases", body)
    window = {"from": "12:00", "to": "18:00"}
    tried["window"] = ("targets", {"from_date": str(today), "energy_kcal": 2300, "eating_window": window})
    said = {
        what: list(service.ask("POST", f"{here}/{route}", body, dry_run="true"))
        for what, (route, body) in tried.items()
    }
    yield f"{at}/by-hand", said, " ".join(str(status) for status, _ in said.values())


def _menus(service: Service, scenario: str, names: Sequence[str], more: dict[str, Any]) -> Iterator[Item]:
    """A day's menu at the targets in force, one at given targets, and one that cannot be."""
    given = {"energy_kcal": 2350, "protein_g": 150, "fat_g": 75, "carbohydrate_g": 270, "fibre_g": 32}
    for name in names:
        here = f"/athletes/{service.ids[name]}/menus"
        for what, body in (("in-force", {"days": 2}), ("given", {"days": 1, "seed": 3, "targets": given})):
            status, menus = service.ask("POST", here, {**more, **body})
            yield f"{scenario}/{name}/menus/{what}", [status, menus], f"{status}"
    few = {"days": 1, "targets": given, "at_hand": ["rice-white-cooked", "egg-whole-cooked"]}
    status, none = service.ask("POST", f"/athletes/{service.ids[names[0]]}/menus", few)
    yield f"{scenario}/{names[0]}/menus/few-foods", [status, none], f"{status}"


def _practice_wide(service: Service, scenario: str, first: str, last: str) -> Iterator[Item]:
    """Calibration, the thresholds, and a replay of stricter ones against the service's own."""
    yield f"{scenario}/calibration", service.get("/calibration"), ""
    thresholds = {one.pop("name"): one for one in service.get("/policies/schema")["items"]}
    yield f"{scenario}/thresholds", thresholds, ""
    changes = {"cut_rate_fast_pct": -0.9, "energy_change_probability": 0.7, "maintain_return_steps": 2}
    status, policy = service.ask("POST", "/policies", {"changes": changes})
    _expect(status, 201, policy)
    yield f"{scenario}/policy", policy, ""
    asked = {"from": first, "to": last, "against": "default"}
    status, replay = service.ask("POST", f"/policies/{policy['id']}/replays", asked)
    _expect(status, 202, replay)
    done = service.wait(f"/policies/{policy['id']}/replays/{replay['id']}")
    result = done.pop("result")
    by_policy: dict[str, dict[str, Any]] = defaultdict(dict)
    for which, of_policy in (("strict", policy["id"]), ("default", "default")):
        by_policy[which]["summary"] = result["summary"][of_policy]
        for one in result["athletes"]:
            by_policy[which][one["external_id"]] = one["weeks"][of_policy]
    yield f"{scenario}/replay", [done, by_policy], str(done["state"])


def _lifts(session: dict[str, Any]) -> str:
    return f"{len(session['items'])} lifts"
