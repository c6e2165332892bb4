"""The rows of each design: injuries among themselves, or cases beside the referents of a registry."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import narwhals.stable.v2 as nw
import pandas as pd

from analysis.designs import ADJUSTED, MATCHED_CANNOT_MEAN, MATCHED_MEANING
from analysis.outcomes import gradual_set_apart, read_outcome, with_outcome
from analysis.referents import INJURED, SET_KEY, compared
from analysis.results import Note, no_rows_left_out
from analysis.sources import cases_of, is_view, refuse_persons
from analysis.survival import nothing_left, sort_out
from registry.door import enter
from registry.errors import DataError, InputError, OptionError, suggestion

DESIGNS: Final = ("within_cases", "case_control", "matched")
WITHIN: Final = "within_cases"
MATCHED: Final = "matched"
OWN: Final = "own_earlier"
OF_FINDINGS: Final = (
    *("pulley_grade", "grade_recorded", "grade_reason", "uiaa_score", "tier", "tier_reason", "main_structure"),
    *("main_extent", "structure_family", "structures", "structures_n"),
)
"""Columns that say what is hurt, and how badly; further those that begin with has_."""
BOTH: Final = "cases and referents"
"""What the rows are where cases stand beside the referents of a registry."""


@dataclass(frozen=True, kw_only=True, eq=False)
class DesignRows:
    """Rows that can be compared.

    Attributes
    ----------
    rows
        A frame inside DuckDB.
    outcome
        Its true/false column.
    meaning, cannot_mean
        What a ratio says, and what it does not.
    sets
        Columns that together name a matched set.
    unit, sampling
        Of the referents; '' where they are not known.
    left_out
        reason, n: cases and referents that were left out already.
    """

    rows: nw.LazyFrame[Any]
    outcome: str
    meaning: str
    cannot_mean: str
    sets: tuple[str, ...] = ()
    unit: str = ""
    sampling: str = ""
    counted: str = ""
    """What a row is; '' where the rows themselves tell it."""
    among: str = ""
    """The condition that all rows meet; '' where none was asked for."""
    left_out: pd.DataFrame = field(default_factory=no_rows_left_out)
    notes: tuple[Note, ...] = ()


def design_rows(
    source: Any,
    *,
    design: str,
    outcome: str | None,
    columns: Sequence[str],
    among: str | None = None,
    unit: str | None = None,
    sampling: str | None = None,
    matched_on: str | Sequence[str] = SET_KEY,
) -> DesignRows:
    """Return the rows of a design.

    Parameters
    ----------
    source
        A frame, an opened registry or freeze, or a mapping with the tables 'cases' and 'referents'.
    design
        within_cases, case_control or matched.
    outcome
        True/false column, or ``COLUMN=VALUE[,VALUE]``, several joined with '+'. Of cases beside referents of a
        registry: which cases are compared; None for all.
    columns
        Exposures, covariates and strata.
    among
        ``COLUMN=VALUE[,VALUE]``, several joined with '+', within cases: only rows of which it holds are compared.
    unit, sampling
        Of a registry's referents. ``unit`` may also say what the referents of a frame are.
    matched_on
        Column or columns that name the matched set in a frame.

    Raises
    ------
    OptionError
        When the design does not exist, an option does not belong to it, or an outcome would tell of one person.
    InputError
        When a frame comes without an outcome, or a column is compared that the outcome is made of.
    """
    if design not in DESIGNS:
        raise OptionError(f"design is '{design}'; it is one of {', '.join(DESIGNS)}.{suggestion(design, DESIGNS)}")
    if design != WITHIN and among is not None:
        raise OptionError("among goes with the design within_cases; beside referents outcome says which cases count.")
    if design == WITHIN and (unit or sampling):
        raise OptionError("unit and sampling say what referents are; the design within_cases has none.")
    if design != WITHIN and (is_view(source) or _has_referents(source)):
        return _beside_referents(source, design=design, outcome=outcome, columns=columns, unit=unit, sampling=sampling)
    if outcome is None:
        raise InputError("outcome is missing; name a true/false column, or COLUMN=VALUE, for example pulley_grade=III.")
    rows, apart = _only(source, gradual_set_apart(cases_of(source)), among)
    rows, name = _with_asked_outcome(source, rows, outcome, columns)
    return DesignRows(
        rows=rows,
        outcome=name,
        meaning=MATCHED_MEANING.format(outcome=name) if design == MATCHED else ADJUSTED[design][0].format(outcome=name),
        cannot_mean=MATCHED_CANNOT_MEAN.format(outcome=name) if design == MATCHED else ADJUSTED[design][1],
        sets=_keys(matched_on) if design == MATCHED else (),
        unit=unit or "",
        sampling=sampling or "",
        among=read_outcome(among).name if among else "",
        left_out=apart,
        notes=_same_findings(name, columns),
    )


def _only(source: Any, rows: nw.LazyFrame[Any], among: str | None) -> tuple[nw.LazyFrame[Any], pd.DataFrame]:
    """Keep the rows of which a condition holds; count the others, and those that cannot be judged by it."""
    if among is None:
        return rows, no_rows_left_out()
    wanted = read_outcome(among)
    refuse_persons(source, wanted.columns, role="among")
    judged = with_outcome(rows, wanted, role="among")
    holds = nw.col(wanted.name)
    reasons = {f"not {wanted.name}": ~holds.fill_null(True), f"{wanted.name}: not known": holds.is_null()}
    parted = sort_out(judged, reasons)
    if not parted.n_used:
        raise DataError(nothing_left("rows", parted))
    kept: nw.LazyFrame[Any] = parted.used.drop(wanted.name)
    return kept, parted.left_out


def _same_findings(outcome: str, columns: Sequence[str]) -> tuple[Note, ...]:
    """Say that a structure goes with its own injury by definition."""
    made_of = read_outcome(outcome).columns if "=" in outcome else (outcome,)
    told = [name for name in columns if _of_findings(name)]
    if not told or not any(_of_findings(name) for name in made_of):
        return ()
    named = ", ".join(f"'{name}'" for name in told)
    sentence = f"{named} and the outcome are read off the same findings: they go together by definition."
    return (Note("same_findings", sentence),)


def _of_findings(column: str) -> bool:
    return column in OF_FINDINGS or column.startswith("has_")


def _has_referents(source: Any) -> bool:
    return isinstance(source, Mapping) and "referents" in source and "cases" in source


def _keys(matched_on: str | Sequence[str]) -> tuple[str, ...]:
    return (matched_on,) if isinstance(matched_on, str) else tuple(matched_on)


def _with_asked_outcome(
    source: Any, rows: nw.LazyFrame[Any], outcome: str, columns: Sequence[str]
) -> tuple[nw.LazyFrame[Any], str]:
    """Read ``COLUMN=VALUE`` where it is no column's own name."""
    if "=" not in outcome or outcome in rows.collect_schema().names():
        _refuse_twice(outcome, (outcome,), columns)
        return rows, outcome
    asked = read_outcome(outcome)
    refuse_persons(source, asked.columns, role="outcome")
    _refuse_twice(outcome, asked.columns, columns)
    return with_outcome(rows, asked), asked.name


def _refuse_twice(outcome: str, made_of: Sequence[str], columns: Sequence[str]) -> None:
    for name in made_of:
        if name in columns:
            raise InputError(
                f"'{name}' is what the outcome '{outcome}' is made of; it foretells it without a miss, and cannot be "
                f"compared or adjusted for too."
            )


def _beside_referents(
    source: Any, *, design: str, outcome: str | None, columns: Sequence[str], unit: str | None, sampling: str | None
) -> DesignRows:
    tables: dict[str, Any] = (
        {"referents": source.base("referents"), "athletes": source.base("athletes")}
        if is_view(source)
        else {name: table for name, table in source.items() if name != "cases"}
    )
    cases, of_cases = enter(cases_of(source)), None
    if outcome is not None and outcome != INJURED:
        cases, of_cases = _with_asked_outcome(source, cases, outcome, columns)
    found = compared(
        {**tables, "cases": cases},
        design=design,  # type: ignore[arg-type]  # checked by the caller
        exposures=list(dict.fromkeys(columns)),
        unit=unit,  # type: ignore[arg-type]  # compared refuses other words
        sampling=sampling,  # type: ignore[arg-type]
        outcome_of_cases=of_cases,
    )
    rows, name = found.rows, found.outcome
    if of_cases is not None:
        rows, name = rows.with_columns(nw.col(found.outcome).alias(of_cases)), of_cases
    return DesignRows(
        rows=rows,
        outcome=name,
        meaning=found.meaning,
        cannot_mean=found.cannot_mean,
        sets=(SET_KEY,) if design == MATCHED else (),
        unit=found.unit,
        sampling=found.sampling,
        counted=BOTH,
        left_out=found.left_out,
        notes=found.notes,
    )
