"""Text that survives a spreadsheet program: nothing is run as a formula, nothing is retyped as a date or a number.

Spreadsheet programs read ``0012`` as 12, ``2024-05-31`` as a day in their own notation, ``1E5`` as 100000, ``MAR1`` as
a day in March, and ``=...`` as a formula to run. One apostrophe before such a text keeps it text; reading back takes
exactly one apostrophe away, so that what was written is what is read.
"""

from __future__ import annotations

import csv
import io
import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

APOSTROPHE = "'"
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""The last four are the wide forms that East Asian settings take for the plain ones."""

LONGEST_NUMBER = 9
"""Digits; a longer number may come back as 1.23E+11."""

TRUTH_WORDS = frozenset(
    """
    true false wahr falsch vrai faux verdadero verdadeiro falso vero waar onwaar sand falsk sant sann falskt tosi
    epätosi prawda fałsz pravda nepravda igaz hamis
    """.split()  # noqa: SIM905 - words in lines are read more easily than in quotes
)
NUMBER_WORDS = frozenset("e a p am pm t z h d b st nd rd th er te gmt utc".split())  # noqa: SIM905
"""Words that follow the digits of dates, times and exponents."""

LEADING_WORDS = frozenset(
    """
    eur usd chf gbp kr fr mon tue wed thu fri sat sun mo di mi do sa so lun mer jeu ven sam dim
    """.split()  # noqa: SIM905
)
"""Money and week days, which may stand before the digits as well."""

MONTHS = frozenset(
    """
    jan jän gen ene feb fév fev mar mär mrz apr avr abr may mai mag mei maj jun jui giu jul lug aug aoû aou ago sep set
    oct okt ott out nov dec dez déc dic
    """.split()  # noqa: SIM905
)
LETTERS = re.compile(r"[^\W\d_]+")
PLAIN_NUMBER = re.compile(r"0|[1-9][0-9]*")


def harmless(words: str) -> str:
    """Put an apostrophe before text that a spreadsheet would take for a formula.

    Examples
    --------
    >>> harmless("=1+1"), harmless("ring"), harmless("-5 weeks")
    ("'=1+1", 'ring', "'-5 weeks")
    """
    return APOSTROPHE + words if _runs(words) else words


def kept_text(words: str) -> str:
    """Put one apostrophe before text that a spreadsheet would run or retype, and before an apostrophe.

    Examples
    --------
    >>> [kept_text(words) for words in ("0012", "2024-05-31", "3,5", "=1+1", "TRUE", "1E5", "'a")]
    ["'0012", "'2024-05-31", "'3,5", "'=1+1", "'TRUE", "'1E5", "''a"]
    >>> [kept_text(words) for words in ("12", "ring", "a2:complete", "AB10001", "")]
    ['12', 'ring', 'a2:complete', 'AB10001', '']
    """
    return APOSTROPHE + words if words.startswith(APOSTROPHE) or _runs(words) or is_retyped(words) else words


def read_text(cell: str) -> str:
    """Take away exactly one apostrophe from the beginning, if there is one.

    Examples
    --------
    >>> read_text("'0012"), read_text("''a"), read_text("ring")
    ('0012', "'a", 'ring')
    """
    return cell.removeprefix(APOSTROPHE)


def is_retyped(words: str) -> bool:
    """Whether a spreadsheet may take the text for a number, a date, a time, a truth value or an error.

    In doubt yes: an apostrophe too many does no harm.
    """
    bare = words.strip()
    if PLAIN_NUMBER.fullmatch(bare):
        return len(bare) > LONGEST_NUMBER
    if not any(character.isnumeric() for character in bare):
        return bare.startswith("#") or bare.casefold() in TRUTH_WORDS
    letters = {run.casefold() for run in LETTERS.findall(bare) if run.isalpha()}
    if any(run[:3] in MONTHS for run in letters):
        return True
    allowed = LEADING_WORDS if bare[0].isalpha() else LEADING_WORDS | NUMBER_WORDS
    return letters <= allowed


def safe_csv(frame: pd.DataFrame) -> str:
    """Write a frame as CSV that no spreadsheet runs: text that starts like a formula gets an apostrophe.

    Parameters
    ----------
    frame
        n rows by any columns; the index is left out. Numbers stay as they are, gaps are empty.

    Examples
    --------
    >>> import pandas as pd
    >>> print(safe_csv(pd.DataFrame({"row": [2, 3], "message": ["=A1", "fine"]})), end="")
    row,message
    2,'=A1
    3,fine
    """
    page = io.StringIO()
    writer = csv.writer(page, lineterminator="\n")
    writer.writerow([harmless(str(name)) for name in frame.columns])
    missing = frame.isna().to_numpy()
    columns = [frame.iloc[:, place].tolist() for place in range(frame.shape[1])]
    for at, row in enumerate(zip(*columns, strict=True)):
        writer.writerow(["" if gone else _written(value) for value, gone in zip(row, missing[at], strict=True)])
    return page.getvalue()


def _written(value: Any) -> Any:
    return harmless(value) if isinstance(value, str) else value


def _runs(words: str) -> bool:
    """Whether the text starts like a formula; programs skip blanks before it."""
    return words.startswith(FORMULA_STARTS) or words.lstrip(" \u00a0").startswith(FORMULA_STARTS)
