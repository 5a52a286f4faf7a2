"""Lines understood at a glance say the same as by the model; what the model refuses is never understood."""

import json
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from service.api import import_lines
from service.api.import_lines import BadLine, Line, read_lines
from service.api.import_order import Record
from service.api.known_lines import known_line

EXERCISES = ("back-squat", "pull-up", "plank", "farmers-carry", "no-such-lift", " back-squat")
KINDS = ("weigh_in", "meal", "training_session")

absent = st.just(...)
texts = st.one_of(
    st.text(max_size=6),
    st.sampled_from(
        ["", " ", "a", " a", "a ", "a\tb", "a\u00a0", "\u00e9", "x" * 64, "x" * 65, "\u2028", "😀" * 64, "a\0"]
    ),
)
numbers = st.one_of(
    st.integers(-3, 200),
    st.floats(-1, 6000, width=32),
    st.sampled_from([0, 1, 2.0, 8.0, 1e-7, 1e3, 1000.5, 2205, 30000, 125520.0, 10**25, -0.0, True, "5", None, [], {}]),
)
days = st.one_of(
    st.sampled_from(
        ["2026-01-05", "1899-12-31", "1900-01-01", "2200-01-01", "2200-01-02", "2026-02-30", "2026-1-5", "20260105"]
    ),
    st.sampled_from(["2026-01-05T00:00:00", "2026-01-05T00:00:00Z", " 2026-01-05", "", 20260105, None, 0.5]),
)
instants = st.one_of(
    absent,
    st.sampled_from(
        [
            "2026-01-05T07:00:00Z", "2026-01-05T07:00:00+01:00", "2026-01-05T07:00:00.1234567Z", "2026-01-05T07:00Z",
            "2026-01-05T07:00:00", "2026-01-05 07:00:00Z", "2026-01-05T24:00:00Z", "2026-01-05T07:00:60Z",
            "1899-12-31T23:59:59Z", "2200-01-01T00:00:00Z", "2200-01-01T00:00:01Z", "2026-01-05T07:00:00.5-11:30",
            "2026-01-05T07:00:00z", "2026-01-05T07:00:00+25:00", "1900-01-01T00:00:00+01:00", None, 5, "",
        ]
    ),
)  # fmt: skip


def mostly(ordinary: st.SearchStrategy[Any], odd: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    """Odd one time in twelve, so that most lines have one odd thing at most."""
    return st.integers(0, 11).flatmap(lambda number: odd if number == 7 else ordinary)


def maybe(odd: st.SearchStrategy[Any], ordinary: st.SearchStrategy[Any] = absent) -> st.SearchStrategy[Any]:
    return mostly(st.one_of(absent, ordinary), odd)


def said(**fields: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    made = st.fixed_dictionaries(fields)
    return made.map(lambda values: {name: value for name, value in values.items() if value is not ...})


COMMON: dict[str, Any] = {
    "athlete": mostly(st.just("a-1"), st.one_of(texts, absent, numbers)),
    "date": mostly(st.just("2026-01-05"), st.one_of(days, absent)),
    "at": maybe(instants, st.just("2026-01-05T07:00:00Z")),
    "ref": maybe(texts, st.just("r-1")),
    "note": maybe(texts, st.just("as ever")),
    "colour": maybe(texts),
}
amounts = st.one_of(st.integers(3, 90), st.floats(3, 90), st.decimals(3, 90, places=1).map(float))
SETS = said(
    exercise=mostly(st.sampled_from(EXERCISES[:2]), st.sampled_from(EXERCISES)),
    reps=mostly(st.integers(0, 20), st.one_of(numbers, absent)),
    load_kg=mostly(amounts, st.one_of(numbers, absent)),
    rir=maybe(numbers, st.integers(0, 4)),
    **{
        name: maybe(numbers)
        for name in ("seconds", "distance_m", "load_lb", "added_kg", "added_lb", "assistance_kg", "pain")
    },
    kind=maybe(st.sampled_from(["rest", None]), st.sampled_from(["work", "warm_up"])),
    aids=maybe(st.sampled_from([["belt"] * 5, ["rope"], None]), st.sampled_from([[], ["belt"]])),
    note=maybe(texts),
)
LINES = {
    "weigh_in": said(**COMMON, mass_kg=mostly(amounts, st.one_of(numbers, absent)), mass_lb=maybe(numbers)),
    "meal": said(
        **COMMON,
        energy_kcal=mostly(amounts, st.one_of(numbers, absent)),
        foods=maybe(st.one_of(st.just([{"food": "banana", "grams": 100}]), st.none())),
        slot=maybe(numbers, st.integers(1, 12)),
        energy_kj=maybe(numbers),
        **{name: maybe(numbers, amounts) for name in ("protein_g", "fat_g", "fibre_g", "alcohol_g")},
    ),
    "training_session": said(
        **COMMON,
        sets=st.lists(SETS, min_size=1, max_size=2),
        plan_day=maybe(texts),
        deload=maybe(st.sampled_from([None, 1]), st.booleans()),
        symptoms=maybe(st.just(["dizziness"])),
    ),
}
types = st.sampled_from([..., ..., *KINDS, "food_day"])


def by_the_model(record: Record, kind: str | None) -> Line | BadLine:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(import_lines, "known_line", lambda raw, kind: None)
        (line,) = read_lines([record], None, kind)
    return line


def same(raw: bytes, kind: str | None) -> bool:
    """Whether a line was understood at a glance; then it must say what it says by the model, letter by letter."""
    known = known_line(raw, kind)
    if known is None:
        return False
    line = by_the_model(Record(7, raw), kind)
    assert isinstance(line, Line), (raw, line)
    assert repr(known) == repr(tuple(line[1:])), raw
    return True


@pytest.mark.parametrize("of", KINDS)
def test_a_line_understood_at_a_glance_says_what_it_says_by_the_model(of: str) -> None:
    understood = []

    @settings(max_examples=1500, deadline=None)
    @given(LINES[of], mostly(st.just(of), types), mostly(st.just(of), st.sampled_from([None, *KINDS])))
    def compare(line: dict[str, Any], type_: Any, kind: str | None) -> None:
        said = line if type_ is ... else {"type": type_, **line}
        understood.append(same(json.dumps(said).encode(), kind))

    compare()
    assert sum(understood) > len(understood) / 10, "hardly a line was understood, so this proves little"


@pytest.mark.parametrize(
    "raw",
    [
        b'{"type":"weigh_in","athlete":"a","date":"2026-01-05","mass_kg":64.10}',
        b'{"type":"weigh_in","athlete":"a","date":"2026-01-05","mass_kg":6.41e1,"note":null}',
        b'{"type":"weigh_in","athlete":"a","date":"2026-01-05","mass_kg":64,"mass_kg":65}',
        b'{"type":"weigh_in","athlete":"\\u00e9\\ud83d\\ude00","at":"2026-01-05T07:00:00.25+05:30","mass_lb":141,'
        b'"note":"so so"}',
        b' {"mass_kg": 1, "athlete": "a", "date": "2026-01-05", "type": "weigh_in"}\r\n',
        b'{"type":"meal","athlete":"a","date":"2026-01-05","energy_kj":1e3,"slot":1,"alcohol_g":0}',
        b'{"type":"training_session","athlete":"a","date":"2026-01-05","deload":false,'
        b'"sets":[{"exercise":"back-squat","reps":5,"load_kg":100},{"exercise":"pull-up","reps":5,"added_kg":2.5}]}',
    ],
)
def test_ordinary_lines_are_understood(raw: bytes) -> None:
    assert same(raw, None)


@pytest.mark.parametrize(
    "raw",
    [
        b"", b"{}", b"[]", b"nonsense", b'{"type":"weigh_in"', b'{"type":"weigh_in","athlete":"\\ud800","mass_kg":64}',
        b'\xef\xbb\xbf{"type":"weigh_in","athlete":"a","date":"2026-01-05","mass_kg":64}',
        b'{"type":"weigh_in","athlete":"a","date":"2026-01-05","mass_kg":NaN}',
        b'{"type":"weigh_in","athlete":"a","date":"2026-01-05","mass_kg":64,"note":"\xff"}',
    ],
)  # fmt: skip
def test_odd_lines_are_left_to_the_model(raw: bytes) -> None:
    assert known_line(raw, "weigh_in") is None


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=40))
@example(b'{"type":"meal","athlete":"a"}')
def test_any_bytes_are_either_understood_alike_or_left(raw: bytes) -> None:
    same(raw, "weigh_in")
