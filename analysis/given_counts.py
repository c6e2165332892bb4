"""Counts and options that a person types into a call: one way to refuse what makes no sense."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from math import isfinite
from numbers import Integral
from typing import Any

from registry.errors import InputError, OptionError, suggestion


def whole_number(value: Any, name: str) -> int:
    """Return a count as an integer.

    Raises
    ------
    InputError
        When it is not a whole number of 0 or more.

    Examples
    --------
    >>> whole_number(3.0, "n")
    3
    """
    if isinstance(value, (bool, str, bytes)) or value is None:
        raise InputError(f"{name} is given as {type(value).__name__}; a count is needed: a whole number of 0 or more.")
    try:
        number = float(value)
    except (TypeError, ValueError):
        raise InputError(f"{name} is not a number; a count is needed: a whole number of 0 or more.") from None
    except OverflowError:
        raise InputError(f"{name} is beyond all counting (more than 1e308); a count is needed.") from None
    if not isfinite(number) or number < 0 or number != int(number):
        raise InputError(f"{name} is {value}; a count is needed: a whole number of 0 or more.")
    return int(value)


def so_many_of(n: Any, of: Any, *, names: tuple[str, str]) -> tuple[int, int]:
    """Return two counts of which the first is a part of the second.

    Raises
    ------
    InputError
        When one is not a count, or the part is more than the whole.

    Examples
    --------
    >>> so_many_of(3, 8, names=("n", "of"))
    (3, 8)
    """
    part, whole = whole_number(n, names[0]), whole_number(of, names[1])
    if part > whole:
        raise InputError(
            f"{names[0]} is {part} and {names[1]} is {whole}; {names[0]} counts a part of {names[1]} "
            f"and cannot be more. Are the two swapped?"
        )
    return part, whole


def as_seed(value: Any) -> int:
    """Return the seed of a random step.

    Raises
    ------
    OptionError
        When it is not a whole number of 0 or more.

    Examples
    --------
    >>> as_seed(1)
    1
    """
    if isinstance(value, bool) or not isinstance(value, Integral) or value < 0:
        raise OptionError(f"seed is {value!r}; it is a whole number of 0 or more, such as 1.")
    return int(value)


def chosen(value: str, options: Collection[str], name: str, *, aliases: Mapping[str, str] | None = None) -> str:
    """Return the option that a word means: capitals, hyphens and spaces do not count, an alias is resolved.

    Raises
    ------
    OptionError
        When there is no such option.

    Examples
    --------
    >>> chosen("exact", ["wilson", "clopper_pearson"], "method", aliases={"exact": "clopper_pearson"})
    'clopper_pearson'
    >>> chosen("Clopper-Pearson", ["wilson", "clopper_pearson"], "method")
    'clopper_pearson'
    """
    if not isinstance(value, str):
        raise OptionError(f"{name} is {value!r}; it is one of {', '.join(options)}, written in quotes.")
    meant = {_letters(word): word for word in options} | {_letters(a): word for a, word in (aliases or {}).items()}
    word = meant.get(_letters(value))
    if word is None:
        raise OptionError(f"{name} is '{value}'; it is one of {', '.join(options)}.{suggestion(value, options)}")
    return word


def _letters(word: str) -> str:
    return "".join(sign for sign in word.lower() if sign.isalnum())
