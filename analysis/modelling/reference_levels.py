"""Which level of a column the others are compared with."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from analysis.levels import MISSING_LEVELS, code_list, level_word
from analysis.results import Note
from registry.errors import DataError, OptionError, suggestion

PREFERRED_REFERENCES: Final = ("no", "none")
"""The reference of a column that has no code list."""


def chosen_reference(
    column: str, levels: Sequence[str], reference: str | bool | int | None = None
) -> tuple[str, tuple[Note, ...]]:
    """Choose the reference level of a column.

    Parameters
    ----------
    column
        Name of the column, by which its code list is found.
    levels
        The levels (words, in order) of the rows that can be compared.
    reference
        The level that the caller wants; None takes the first of the code list; without a list 'no' or 'none', else the
        first in order.

    Returns
    -------
    The level, and a note where the first code of the list does not occur.

    Raises
    ------
    OptionError
        When the wanted level is missing data, or no level of the column.
    DataError
        When it is a code of the list that no row has.

    Examples
    --------
    >>> chosen_reference("grip", ["half_crimp", "open_hand"], "open_hand")
    ('open_hand', ())
    """
    if reference is not None:
        return _wanted(column, levels, level_word(reference)), ()
    codes = [code for code in code_list(column) if code not in MISSING_LEVELS]
    if not codes or "no" in codes:
        preferred = [word for word in PREFERRED_REFERENCES if word in levels]
        return (preferred or list(levels))[0], ()
    if codes[0] in levels or not set(levels) <= set(codes):
        return levels[0], ()
    sentence = f"No row has '{codes[0]}', the first level of '{column}'; the reference is '{levels[0]}' instead."
    return levels[0], (Note("reference_moved", sentence),)


def _wanted(column: str, levels: Sequence[str], word: str) -> str:
    if word in MISSING_LEVELS:
        raise OptionError(f"'{word}' cannot be the reference of '{column}': rows with it are left out.")
    listed = ", ".join(levels)
    if word not in levels and word in code_list(column):
        raise DataError(
            f"no row that can be compared has '{word}', the reference of '{column}'; there are {listed}. Choose one of "
            f"these."
        )
    if word not in levels:
        raise OptionError(
            f"no level '{word}' of '{column}' in the rows that can be compared; there are {listed}."
            f"{suggestion(word, levels)}"
        )
    return word
