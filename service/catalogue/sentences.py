"""The sentences that coaches read, from `sentences.toml`, and how values are written in them."""

import tomllib
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from functools import cache
from importlib.resources import files
from math import ceil, floor
from string import Formatter
from typing import Any

from service.catalogue.exercises import exercises
from service.domain.sentence import Sentence, Value, say

NEAR_DAYS = 182  # a date further away than half a year is written with its year
_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def render(*sentences: Sentence, on: date | None = None) -> str:
    """Sentences as text, one after the other.

    Parameters: `on`, the day on which they are said: dates within half a year of it are written without their year.
    Raises LookupError where the catalogue has no such sentence, word or way of writing, or a value is missing.
    """
    return " ".join(_text(sentence, on) for sentence in sentences)


def question(code: str) -> str:
    """What a rule of the review or the check-in asks."""
    return render(say(f"question.{code}"))


@cache
def catalogue() -> Mapping[str, str]:
    """Every sentence by its id, as it stands in the file."""
    return dict(_flat(_document()["sentence"]))


def words(table: str) -> Mapping[str, str]:
    """A table of words by what the domain calls them; empty where there is no such table."""
    found: dict[str, str] = _document()["word"].get(table, {})
    return found


@cache
def _document() -> dict[str, Any]:
    return tomllib.loads(files(__package__).joinpath("sentences.toml").read_text(encoding="utf-8"))


def _flat(tree: Mapping[str, Any], before: str = "") -> list[tuple[str, str]]:
    pairs: list[tuple[str, str]] = []
    for name, item in tree.items():
        pairs += [(before + name, item)] if isinstance(item, str) else _flat(item, f"{before}{name}.")
    return pairs


@cache
def _parts(sentence_id: str) -> Sequence[tuple[str, str | None, str]]:
    """A sentence as pieces: text, the value that follows it, if one does, and how that is written."""
    return [(text, name, how or "") for text, name, how, _ in Formatter().parse(catalogue()[sentence_id])]


def _text(sentence: Sentence, on: date | None) -> str:
    values = dict(sentence.values)
    return "".join(
        text if name is None else text + _written(values[name], how, on) for text, name, how in _parts(sentence.id)
    )


def _written(value: Value, how: str, on: date | None) -> str:
    if isinstance(value, tuple):
        texts = list(dict.fromkeys(_written(item, "" if how == "in_turn" else how, on) for item in value))
        return " ".join(texts) if how == "in_turn" else _listed(texts)
    if isinstance(value, Sentence):
        return _text(value, on)
    if value is None:
        if how:
            raise LookupError(f"a value is missing that is written as {how!r}")
        return ""
    if "|" in how:
        return _counted(value, how)
    return _WAYS[how](value, on) if how in _WAYS else words(how)[value]  # type: ignore[index]


def _counted(count: Any, how: str) -> str:
    """A count with its noun, one or several; after an equals sign the word alone."""
    one, several = how.removeprefix("=").split("|")
    word = one if number(count) == "1" else several
    return word if how.startswith("=") else f"{number(count)} {word}"


def _listed(texts: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(texts[:-1]), *texts[-1:])))


def number(value: float, digits: int = 0) -> str:
    """A number for a sentence: fixed decimals, a true minus sign, no minus zero."""
    text = f"{round(value, digits) + 0.0:.{digits}f}"
    return text.replace("-", "−")


def _chance(probability: float) -> str:
    """A probability in per cent; what is nearly sure or nearly out of the question is not rounded to be quite so."""
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else f"{number(100.0 * probability)} %"


def _trend(rate_pct: float) -> str:
    """A rate of change in % a week: which way, and how fast."""
    size = number(abs(rate_pct), 2)
    way = "steady" if float(size) == 0.0 else "falling" if rate_pct < 0.0 else "rising"
    return words("trend")[way].replace("#", size)


def _day(day: date, on: date | None) -> str:
    year = "" if on is not None and abs((day - on).days) <= NEAR_DAYS else f" {day.year}"
    return f"{day.day} {_MONTHS[day.month - 1]}{year}"


def _towards(rounded: Callable[[float], int], digits: int) -> Callable[[Any, date | None], str]:
    """A number rounded to one side: a condition that holds for the exact number holds for what is written."""
    return lambda value, on: number(rounded(round(value * 10.0**digits, 6)) / 10.0**digits, digits)


_WAYS: dict[str, Callable[[Any, date | None], str]] = {
    **{f"{digits}": lambda value, on, digits=digits: number(value, digits) for digits in range(3)},  # type: ignore[misc]
    **{f"{digits}+": _towards(ceil, digits) for digits in range(3)},
    **{f"{digits}-": _towards(floor, digits) for digits in range(3)},
    "chance": lambda probability, on: _chance(probability),
    "date": _day,
    "date_with_year": lambda day, on: _day(day, None),
    "exercise": lambda slug, on: exercises()[slug].name,
    "question": lambda code, on: question(code),
    "text": lambda text, on: str(text),
    "trend": lambda rate, on: _trend(rate),
}
