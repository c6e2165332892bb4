"""The steps of an ordered column and their scores: what a trend runs over and weighted agreement counts in.

An order is never guessed from the alphabet. It comes, in this turn, from scores that the caller gives, from numbers,
from an ordered category of the frame, from the dictionary's code list, or from the number in each level's name.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any, Final

import pandas as pd

from analysis.levels import MISSING_LEVELS, code_list, level_word, ordered_levels
from registry.errors import InputError, OptionError

Scores = Mapping[Any, float] | Sequence[float] | None

NO_STEP: Final = ("not_gradable", "not_graded", "other")
"""Codes of ordered lists that are no step of their scale."""
SEVERAL_SCALES: Final = {
    "tier": "tiers of different families have no common order; use pulley_grade, or name one family's steps, for "
    "example scores={'pulley_1': 1, 'pulley_2': 2, 'pulley_3': 3, 'pulley_4': 4}",
}
"""Code lists that hold more than one scale."""
NUMBER: Final = re.compile(r"(?:^\s*[-\u2212])?(?:\d+(?:\.\d+)?|\.\d+)")
"""A hyphen is a minus only where the name begins with it: '25-34' is a band."""


@dataclass(frozen=True, kw_only=True)
class Scale:
    """The steps of a column, lowest first.

    Attributes
    ----------
    scores
        Level (as ``level_word`` writes it) and its score, in the order of the scores.
    outside
        Levels that occur and are no step of the scale.
    origin
        Where the order comes from, in words.
    """

    scores: dict[str, float]
    outside: tuple[str, ...]
    origin: str


def scale_of(column: str, values: Iterable[Any], *, scores: Scores = None, declared: Sequence[str] = ()) -> Scale:
    """Order the levels of a column and give each a score.

    Parameters
    ----------
    column
        Its name, by which the code list is found.
    values
        The values that occur, as they come out of a tally.
    scores
        A score for each level: a mapping, or numbers in the order of the levels. None: numbers are their own scores,
        codes have their place in the code list (1, 2, ...), so that a step nobody reached still counts as one.
    declared
        The order that the frame itself declares (see ``declared_order``).

    Returns
    -------
    Scale. The three faces of missing are neither steps nor outside.

    Raises
    ------
    InputError
        When the levels have no order that is known.
    OptionError
        When the scores do not fit the levels.

    Examples
    --------
    >>> scale_of("pulley_grade", ["III", "I", "not_gradable"])
    Scale(scores={'I': 1.0, 'III': 3.0}, outside=('not_gradable',), origin='places in the code list')
    """
    present = {level_word(value): value for value in values}
    present = {word: value for word, value in present.items() if word not in MISSING_LEVELS}
    if isinstance(scores, Mapping):
        return _given(column, present, {level_word(level): score for level, score in scores.items()})
    scale = _found(column, present, declared)
    if scores is None:
        return scale
    levels = list(scale.scores)
    listed = not isinstance(scores, str) and hasattr(scores, "__len__")
    if not listed or len(scores) != len(levels):
        given = f"{len(scores)} numbers" if listed else repr(scores)
        raise OptionError(
            f"scores of '{column}' are {given}; its {len(levels)} levels are {', '.join(levels)}. Give one number a "
            f"level, or a mapping of levels to numbers."
        )
    return _given(column, present, dict(zip(levels, scores, strict=True)))


def declared_order(frame: Any, column: str) -> tuple[str, ...]:
    """Return the order that a frame declares for a column, as words; () when it declares none.

    Parameters
    ----------
    frame
        As the caller passed it: inside the engine an ordered category is mere text.
    column
        An ordered categorical of pandas, or an Enum of polars.

    Examples
    --------
    >>> steps = pd.Categorical(["low"], categories=["low", "high"], ordered=True)
    >>> declared_order(pd.DataFrame({"load": steps}), "load")
    ('low', 'high')
    """
    if isinstance(frame, pd.DataFrame):
        dtype = frame[column].dtype if column in frame.columns else None
        ordered = isinstance(dtype, pd.CategoricalDtype) and dtype.ordered
        return tuple(level_word(level) for level in dtype.categories) if ordered else ()  # type: ignore[union-attr]
    # Only of frames that are there: asking a lazy one for its schema may compute it.
    schema = getattr(frame, "schema", None) if type(frame).__name__ == "DataFrame" else None
    dtype = schema.get(column) if isinstance(schema, Mapping) else None
    categories = getattr(dtype, "categories", None)
    return tuple(categories) if type(dtype).__name__ == "Enum" and categories is not None else ()


def _given(column: str, present: Mapping[str, Any], scores: Mapping[str, float]) -> Scale:
    bad = [word for word, score in scores.items() if not _is_number(score)]
    if bad:
        raise OptionError(f"the score of level '{bad[0]}' of '{column}' is no number; give each step a number.")
    steps = {word: float(scores[word]) for word in scores if word in present}
    if not steps:
        raise OptionError(
            f"none of the levels with a score ({', '.join(scores)}) occurs in '{column}'; there are "
            f"{', '.join(ordered_levels(column, present.values())) or 'none'}."
        )
    outside = tuple(word for word in ordered_levels(column, present.values()) if word not in steps)
    return Scale(scores=_sorted(steps), outside=outside, origin="as given")


def _found(column: str, present: Mapping[str, Any], declared: Sequence[str]) -> Scale:
    numbers = [_as_number(word) for word in declared]
    if declared and numbers != sorted(number for number in numbers if number is not None):
        places = {word: place for place, word in enumerate(declared, 1)}
        return _placed(present, places, "the order of the category")
    if present and all(_is_number(value) or isinstance(value, bool) for value in present.values()):
        return Scale(scores=_sorted({w: float(v) for w, v in present.items()}), outside=(), origin="the values")
    codes = [code for code in code_list(column) if code not in (*MISSING_LEVELS, *NO_STEP)]
    if codes and set(present) <= {*codes, *NO_STEP}:
        if column in SEVERAL_SCALES:
            raise InputError(f"'{column}' has no one order: {SEVERAL_SCALES[column]}.")
        return _placed(present, {code: place for place, code in enumerate(codes, 1)}, "places in the code list")
    return _from_names(column, present)


def _placed(present: Mapping[str, Any], places: Mapping[str, int], origin: str) -> Scale:
    steps = {word: float(place) for word, place in places.items() if word in present}
    return Scale(scores=steps, outside=tuple(word for word in present if word not in places), origin=origin)


def _from_names(column: str, present: Mapping[str, Any]) -> Scale:
    """Order levels such as '25-34' and '45+' by the first number in each."""
    outside = tuple(word for word in NO_STEP if word in present)
    words = [word for word in present if word not in outside]
    plain = {word: number for word in words if (number := _as_number(word)) is not None}
    first = {word: _first_number(found[0]) for word in words if (found := NUMBER.findall(word))}
    if len(plain) == len(words) == len(set(plain.values())):
        return Scale(scores=_sorted(plain), outside=outside, origin="the values")
    if len(first) < len(words) or len(set(first.values())) < len(words):
        raise InputError(
            f"the levels of '{column}' ({', '.join(sorted(present)[:8])}) have no order that is known; say it with "
            f"scores={{'{words[0] if words else 'level'}': 1, ...}}, or make the column an ordered category."
        )
    ranked = sorted(words, key=lambda word: first[word])
    scores = {word: float(place) for place, word in enumerate(ranked, 1)}
    return Scale(scores=scores, outside=outside, origin="the number in each level's name")


def _as_number(word: str) -> float | None:
    try:
        number = float(word)
    except ValueError:
        return None
    return number if isfinite(number) else None


def _first_number(found: str) -> float:
    return float(found.strip().replace("\N{MINUS SIGN}", "-"))


def _sorted(scores: Mapping[str, float]) -> dict[str, float]:
    return dict(sorted(scores.items(), key=lambda step: step[1]))


def _is_number(value: Any) -> bool:
    if isinstance(value, bool) or not hasattr(value, "__float__"):
        return False
    return isfinite(float(value))
