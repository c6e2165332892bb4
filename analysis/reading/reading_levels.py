"""The grades that readers give, in order, and the weights of agreement between them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

from analysis.levels import MISSING_LEVELS, code_list, level_word, ordered_levels
from analysis.ordered import NO_STEP, declared_order, scale_of
from analysis.reading.kappa import agreement_weights
from registry.errors import InputError, OptionError, suggestion

Floats = npt.NDArray[np.float64]
Weights = Literal["none", "linear", "quadratic"] | Sequence[str] | Sequence[Sequence[float]] | Any
KINDS: Final = ("none", "linear", "quadratic")
GIVEN: Final = "given"
OTHER_NAMES: Final = {"unweighted": "none", "squared": "quadratic"}
LISTS_OF_GRADES: Final = ("grade", "pulley_grade")
MOST_GRADES: Final = 20
"""Readings with more different values are measurements, for which kappa is no measure (our own choice)."""


@dataclass(frozen=True, kw_only=True)
class Grades:
    """The grades of a comparison.

    Attributes
    ----------
    words
        k grades in order.
    scores
        Their places on the scale; None for a grade that is no step of it.
    ordered
        Whether the order is known; if not, the words are sorted.
    """

    words: tuple[str, ...]
    scores: tuple[float | None, ...]
    ordered: bool


def grades_of(
    frame: Any, readers: Sequence[str], values: Iterable[Any], *, levels: Sequence[Any] | None, registry: bool
) -> Grades:
    """Find the grades that the readers could give.

    Parameters
    ----------
    frame
        As the caller passed it.
    readers
        Its columns.
    values
        All readings that occur.
    levels
        The grades in order, where the caller says them.
    registry
        Whether the readings are those of a registry: then all of its grades are on the scale, used or not.

    Raises
    ------
    InputError
        When there are more grades than MOST_GRADES.
    OptionError
        When ``levels`` is no list of grades, or names one twice.
    """
    present = {word: value for value in values if (word := level_word(value)) not in MISSING_LEVELS}
    if levels is not None:
        if isinstance(levels, str) or not isinstance(levels, Iterable) or not len(levels):
            raise OptionError(f"levels is {levels!r}; give a list of the grades from the lowest to the highest.")
        words = [level_word(level) for level in levels]
        if len(set(words)) < len(words):
            raise OptionError(f"levels names a grade twice ({', '.join(words)}); give each once, in order.")
        return _placed(words)
    if registry:
        return _placed(code_list("grade"))
    if len(present) > MOST_GRADES:
        raise InputError(
            f"the readers give {len(present)} different values; more than {MOST_GRADES} are a measurement, and kappa "
            f"is for grades. Cut them into grades first."
        )
    declared = _declared(frame, readers, present)
    column = next((name for name in LISTS_OF_GRADES if present and set(present) <= set(code_list(name))), readers[0])
    try:
        scale = scale_of(column, present.values(), declared=declared)
    except InputError:
        return Grades(words=tuple(ordered_levels("", present.values())), scores=(None,) * len(present), ordered=False)
    outside = [word for word in ordered_levels(column, present.values()) if word not in scale.scores]
    return Grades(
        words=(*scale.scores, *outside), scores=(*scale.scores.values(), *(None for _ in outside)), ordered=True
    )


def _declared(frame: Any, readers: Sequence[str], present: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the order that the readers' columns declare for the grades that occur; () where they do not, or disagree.

    One reader's category may lack a grade of another's: the order has to come from a column that knows all.
    """
    each = [order for name in readers if (order := declared_order(frame, name))]
    whole = [order for order in each if set(present) <= set(order)]
    if not whole:
        return ()
    longest = max(whole, key=len)
    agreed = all([word for word in longest if word in order] == [w for w in order if w in longest] for order in each)
    return longest if agreed else ()


def _placed(words: Sequence[str]) -> Grades:
    steps = [word for word in words if word not in NO_STEP]
    places = {word: float(place) for place, word in enumerate(steps, 1)}
    return Grades(words=tuple(words), scores=tuple(places.get(word) for word in words), ordered=True)


def weight_matrices(weights: Weights, grades: Grades) -> dict[str, Floats]:
    """Return a matrix of weights of agreement for each kind that was asked for.

    Parameters
    ----------
    weights
        none (or None), linear or quadratic, in any case; several of these words; or a matrix.

    Raises
    ------
    OptionError
        When a word is another, the matrix does not fit the grades, or its diagonal is not 1.
    InputError
        When weights are asked for grades whose order is not known.
    """
    listed = np.atleast_1d(np.asarray("none" if weights is None else weights, dtype=object))
    if listed.ndim == 1 and listed.size and all(isinstance(word, str) for word in listed):
        words = [str(word).strip().lower() for word in listed]
        kinds = dict.fromkeys(OTHER_NAMES.get(word, word) for word in words)
        return {word: _by_name(word, grades) for word in kinds}
    try:
        matrix = np.asarray(weights, dtype=float)
        if matrix.ndim != 2:
            raise ValueError
    except (TypeError, ValueError):
        raise OptionError(f"weights are {', '.join(KINDS)}, or a square matrix of numbers.") from None
    k = len(grades.words)
    if matrix.shape != (k, k):
        shape = " by ".join(str(size) for size in matrix.shape)
        raise OptionError(
            f"weights are {shape}, but there are {k} grades ({', '.join(grades.words)}); give one "
            f"row and column a grade, or name all grades of the matrix with levels=."
        )
    if not np.isfinite(matrix).all() or not np.allclose(np.diag(matrix), 1) or matrix.max() > 1:
        raise OptionError(
            "weights are weights of agreement: 1 on the diagonal and at most 1 beside it. Of weights of disagreement "
            "give 1 - d / d.max()."
        )
    return {GIVEN: matrix}


def _by_name(word: str, grades: Grades) -> Floats:
    if word not in KINDS:
        raise OptionError(f"weights are '{word}'; they are {', '.join(KINDS)} or a matrix.{suggestion(word, KINDS)}")
    if word != "none" and not grades.ordered:
        raise InputError(
            f"{word} weights need the order of the grades, and that of {', '.join(grades.words)} is not known; name "
            f"them from the lowest to the highest with levels=."
        )
    return agreement_weights(word, grades.scores)


def said_of_weights(kinds: Mapping[str, Floats], grades: Grades) -> str:
    """Say how the weights were made, as it would stand in a methods section; '' without weights."""
    if set(kinds) <= {"none"}:
        return ""
    if GIVEN in kinds:
        return " Weights of agreement as given."
    steps = [word for word, score in zip(grades.words, grades.scores, strict=True) if score is not None]
    beside = [word for word in grades.words if word not in steps]
    said = f" Weights fall with the distance on the scale {', '.join(steps)}."
    return said + (
        f" {beside[0]} is no step of it: it agrees with itself alone (weight 0 elsewhere)." if beside else ""
    )
