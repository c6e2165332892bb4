"""Outcomes of a comparison, written ``COLUMN=VALUE[,VALUE]``: which cases have it, and which cannot be judged."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import reduce
from operator import and_
from typing import Any, Final

import narwhals.stable.v2 as nw

from analysis.levels import MISSING_LEVELS, code_list, level_word
from analysis.tallies import counts_by_cell
from registry.dictionary import NOT_APPLICABLE, UNKNOWN
from registry.door import require
from registry.errors import OptionError, suggestion

NOT_JUDGED = (UNKNOWN, NOT_APPLICABLE, "not_gradable", "not_graded")
"""Cases with these neither have the outcome nor lack it."""
JOINED: Final = re.compile(r"[+&](?=\s*\w+\s*=)")
"""Between two conditions; a '+' inside a value ('a2+a3') joins nothing."""
TRUE_WORDS: Final = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
"""How a value of a true/false column, or of a column of 0 and 1, may be written."""


@dataclass(frozen=True)
class Outcome:
    """A column and the values that make the outcome, and further conditions that must hold too."""

    column: str
    values: tuple[str, ...]
    also: tuple[Outcome, ...] = ()

    @property
    def name(self) -> str:
        """The outcome as it was written; also the name of the true/false column."""
        return "+".join(f"{each.column}={','.join(each.values)}" for each in self.parts)

    @property
    def parts(self) -> tuple[Outcome, ...]:
        """Every condition, this one first."""
        return (self, *self.also)

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns of all conditions."""
        return tuple(each.column for each in self.parts)


SEVERE_PULLEY = Outcome("pulley_grade", ("III", "IV"))
"""Complete rupture of A2 or A3, or several structures (Schöffl et al. 2003), against strain and partial rupture."""
COMPLETE_A2: Final = "main_structure=a2+main_extent=complete"
"""How a complete rupture of the A2 pulley is written: the worst injured structure, and how far it is torn."""


def read_outcome(words: str) -> Outcome:
    """Read ``COLUMN=VALUE[,VALUE]``, or several of them joined with '+' or '&', which must hold together.

    Raises
    ------
    OptionError
        When the words have another form.

    Examples
    --------
    >>> read_outcome("pulley_grade=III,IV").values
    ('III', 'IV')
    >>> read_outcome("main_structure=a2 & main_extent=complete").name
    'main_structure=a2+main_extent=complete'
    """
    read: list[Outcome] = []
    for part in JOINED.split(words):
        column, equals, listed = part.partition("=")
        values = tuple(dict.fromkeys(value.strip() for value in listed.split(",") if value.strip()))
        if not (equals and column.strip() and values) or any(sign in listed for sign in "=&"):
            raise OptionError(
                f"an outcome is written COLUMN=VALUE[,VALUE], for example {SEVERE_PULLEY.name}, or several joined with "
                f"'+', for example {COMPLETE_A2}."
            )
        read.append(Outcome(column.strip(), values))
    columns = [each.column for each in read]
    for column in columns:
        if columns.count(column) > 1:
            raise OptionError(
                f"the outcome names '{column}' twice; write its values with commas, for example {SEVERE_PULLEY.name}."
            )
    return Outcome(read[0].column, read[0].values, tuple(read[1:]))


def with_outcome(cases: nw.LazyFrame[Any], outcome: Outcome, *, role: str = "outcome") -> nw.LazyFrame[Any]:
    """Add the true/false column of an outcome; cases that cannot be judged get no value.

    Parameters
    ----------
    cases
        Rows with the outcome's columns.
    outcome
        What to look for. Of several conditions one that fails is enough to lack the outcome; a case that fails none,
        and cannot be judged by one, gets no value.
    role
        The option in which it was given.

    Returns
    -------
    The rows with a column named as the outcome.

    Raises
    ------
    ColumnError
        When a column is missing.
    OptionError
        When a value is none of its column's.
    """
    require(cases, [(column, role) for column in outcome.columns])
    conditions = [_condition(cases, part, role) for part in outcome.parts]
    return cases.with_columns(reduce(and_, conditions).alias(outcome.name))


def _condition(cases: nw.LazyFrame[Any], part: Outcome, role: str) -> nw.Expr:
    column = nw.col(part.column)
    wanted: list[Any] = list(part.values)
    if cases.collect_schema()[part.column] == nw.Boolean:
        unknown = [value for value in part.values if value.lower() not in TRUE_WORDS]
        if unknown:
            raise OptionError(f"{role} '{part.name}': '{part.column}' is yes or no; '{unknown[0]}' is neither.")
        wanted = [TRUE_WORDS[value.lower()] for value in part.values]
        found = nw.when(~column.is_null()).then(column.is_in(wanted)).otherwise(nw.lit(None))
        return found.cast(nw.Boolean)
    word = column.cast(nw.String)
    judged = ~word.is_null() & ~word.is_in(list(NOT_JUDGED))
    found = nw.when(judged).then(word.is_in(_known_values(cases, part, role))).otherwise(nw.lit(None))
    return found.cast(nw.Boolean)


def _known_values(cases: nw.LazyFrame[Any], part: Outcome, role: str) -> list[str]:
    """Return the values as the column holds them; a code that merely did not occur is known."""
    for value in part.values:
        if value in NOT_JUDGED or value in MISSING_LEVELS:
            raise OptionError(f"{role} '{part.name}': '{value}' says that it is not known; choose a value that is.")
    listed = code_list(part.column)
    if set(part.values) <= set(listed):
        return list(part.values)
    present = {level_word(value) for value in counts_by_cell(cases, part.column)[part.column]} - set(MISSING_LEVELS)
    values = list(part.values)
    if present and present <= {"0", "1"}:
        listed = ("0", "1")
        flags = {word: str(int(flag)) for word, flag in TRUE_WORDS.items()}
        values = [flags.get(value.lower(), value) for value in values]
    strange = [value for value in values if value not in present and value not in listed]
    if strange and present:
        raise OptionError(
            f"{role} '{part.name}': no case has '{strange[0]}' as '{part.column}'"
            + (f"; it is one of {', '.join(listed)}.{suggestion(strange[0], listed)}" if listed else ".")
        )
    return values


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
