"""What the domain has to say to a coach: which sentence of the catalogue, and the values that stand in it."""

from dataclasses import dataclass
from datetime import date
from typing import Union

Value = Union[float, str, date, None, "Sentence", tuple["Value", ...]]


@dataclass(frozen=True)
class Sentence:
    """A sentence, or a part of one, by its id in the catalogue; how its values are written is the catalogue's."""

    id: str
    values: tuple[tuple[str, Value], ...] = ()


def say(sentence_id: str, /, **values: Value) -> Sentence:
    """The sentence of this id with these values: numbers, dates, words of the catalogue, other sentences, or several.

    None stands for an optional part that is left out.
    """
    return Sentence(sentence_id, tuple(values.items()))
