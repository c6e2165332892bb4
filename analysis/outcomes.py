"""Outcomes of a comparison, written ``COLUMN=VALUE[,VALUE]``: which cases have it, and which cannot be judged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import narwhals.stable.v2 as nw

from registry.dictionary import NOT_APPLICABLE, UNKNOWN
from registry.door import require
from registry.errors import OptionError

NOT_JUDGED = (UNKNOWN, NOT_APPLICABLE, "not_gradable", "not_graded")
"""Cases with these neither have the outcome nor lack it."""


@dataclass(frozen=True)
class Outcome:
    """A column and the values that make the outcome."""

    column: str
    values: tuple[str, ...]

    @property
    def name(self) -> str:
        """The outcome as it was written; also the name of the true/false column."""
        return f"{self.column}={','.join(self.values)}"


SEVERE_PULLEY = Outcome("pulley_grade", ("III", "IV"))
"""Complete rupture of A2 or A3, or several structures (Schöffl et al. 2003), against strain and partial rupture."""


def read_outcome(words: str) -> Outcome:
    """Read ``COLUMN=VALUE[,VALUE]``.

    Raises
    ------
    OptionError
        When the words have another form.

    Examples
    --------
    >>> read_outcome("pulley_grade=III,IV")
    Outcome(column='pulley_grade', values=('III', 'IV'))
    """
    column, equals, listed = words.partition("=")
    values = tuple(value.strip() for value in listed.split(",") if value.strip())
    if not (equals and column.strip() and values):
        raise OptionError(f"an outcome is written COLUMN=VALUE[,VALUE], for example {SEVERE_PULLEY.name}.")
    return Outcome(column.strip(), values)


def with_outcome(cases: nw.LazyFrame[Any], outcome: Outcome) -> nw.LazyFrame[Any]:
    """Add the true/false column of an outcome; cases that cannot be judged get no value.

    Parameters
    ----------
    cases
        Rows with the outcome's column.
    outcome
        What to look for.

    Returns
    -------
    The rows with a column named as the outcome.

    Raises
    ------
    ColumnError
        When the column is missing.
    """
    require(cases, [(outcome.column, "outcome")])
    word = nw.col(outcome.column).cast(nw.String)
    judged = ~word.is_null() & ~word.is_in(list(NOT_JUDGED))
    has_it = nw.when(judged).then(word.is_in(list(outcome.values))).otherwise(nw.lit(None))
    return cases.with_columns(has_it.cast(nw.Boolean).alias(outcome.name))


OF_A_MOMENT = ("grip", "mechanism")
"""Exposures that only an onset at one moment can have."""


def gradual_set_apart(cases: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    """Make grip and mechanism not applicable where the onset was gradual, so that such cases are counted apart.

    Parameters
    ----------
    cases
        Rows with onset_mode, and grip and mechanism where there are such columns of codes.

    Returns
    -------
    The rows; a gradual onset has no grip and no mechanism that could be compared. Rows without onset_mode come back as
    they are.
    """
    schema = cases.collect_schema()
    if schema.get("onset_mode") != nw.String:
        return cases
    gradual = (nw.col("onset_mode") == "repetitive_gradual").fill_null(False)
    present = [name for name in OF_A_MOMENT if schema.get(name) == nw.String]
    return cases.with_columns(
        nw.when(gradual).then(nw.lit(NOT_APPLICABLE)).otherwise(nw.col(name)).alias(name) for name in present
    )
