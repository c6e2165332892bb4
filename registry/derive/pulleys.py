"""The pulley grade of any frame of findings, as a notebook holds it."""

from __future__ import annotations

from typing import Any

import narwhals.stable.v2 as nw

from registry.derive.grading import case_flags, grades
from registry.derive.people import ADULT_FROM
from registry.derive.structures import best_evidence
from registry.dictionary.injury import DIGIT, EXTENTS, SEEN_BY, STRUCTURES
from registry.dictionary.model import MISSING_WORDS
from registry.door import enter, quoted, require
from registry.errors import InputError, suggestion

_WORDS = {
    "structure": STRUCTURES,
    "extent": EXTENTS,
    "digit": tuple(code.word for code in DIGIT),
    "seen_by": tuple(code.word for code in SEEN_BY),
    "physis_open": ("yes", "no"),
}
_OPTIONAL = ("site", "joint", "digit", "age", "physis_open", "seen_by", "found_on", "gap_mm")
_KEYS = ["site", "case"]


def grade_pulleys(findings: Any) -> Any:
    """Grade the pulley injury of every case, I to IV, and say why.

    The scheme, what of it is published and what is common practice, and the order of evidence stand in
    :mod:`registry.derive.grading` and :mod:`registry.derive.structures`.

    Parameters
    ----------
    findings
        One row for each injured structure as seen by one examination: case, structure, extent (dictionary codes).
        Used where present: site, digit, age (whole years; a column of the case, repeated on its rows), physis_open
        (yes, no), seen_by, found_on (ISO day), joint. pandas, polars, pyarrow, a dict of columns, or a LazyFrame.

    Returns
    -------
    A frame of the same library (pandas for a dict): case (after site, where given), pulley_grade (I, II, III, IV,
    not_gradable), reason (a code of ``REASONS``). One row for each case, sorted by its key.

    Raises
    ------
    ColumnError
        case, structure or extent is missing.
    InputError
        A code does not exist, a day cannot be read, a case has no key.

    References
    ----------
    Schöffl et al. 2003, Wilderness Environ Med 14:94-100. Schöffl & Schöffl 2006, J Hand Surg Am 31:647-654.

    Examples
    --------
    >>> grade_pulleys({"case": [1, 1], "structure": ["a2", "a3"], "extent": ["complete", "complete"]})
       case pulley_grade            reason
    0     1           IV  several_complete
    """
    inside = enter(findings)
    require(inside, [("case", "key of the case"), ("structure", "injured structure"), ("extent", "extent")])
    present = inside.collect_schema().names()
    checked = _checked(inside, present)
    flags = case_flags(nw.col("digit"), nw.col("age") < ADULT_FROM, nw.col("physis_open"))
    cases = checked.with_columns(**flags).group_by(*_KEYS).agg(*(nw.col(name).max() for name in flags))
    graded = grades(checked, best_evidence(checked), cases).sort(*_KEYS)
    return _as_given(graded if "site" in present else graded.drop("site"), findings)


def _checked(inside: nw.LazyFrame[Any], present: list[str]) -> nw.LazyFrame[Any]:
    relation = inside.to_native()
    typed = relation.project(", ".join(_column(name, present) for name in ("case", "structure", "extent", *_OPTIONAL)))
    _refuse_words(typed)
    _refuse_cells(relation, typed, present)
    checked: nw.LazyFrame[Any] = nw.from_native(typed)
    return checked


def _column(name: str, present: list[str]) -> str:
    column = quoted(name)
    text = f"nullif(trim(CAST({column} AS VARCHAR)), '')"
    missing = ", ".join(f"'{word}'" for word in MISSING_WORDS)
    if name not in present:
        kind = {"age": "DOUBLE", "gap_mm": "DOUBLE"}.get(name, "VARCHAR")
        empty = "'-'" if name == "site" else f"CAST(NULL AS {kind})"
        return f"{empty} AS {column}" if name != "found_on" else "CAST(NULL AS BIGINT) AS found_day"
    if name == "found_on":
        return f"CAST(TRY_CAST(left({text}, 10) AS DATE) - DATE '1970-01-01' AS BIGINT) AS found_day"
    if name in {"age", "gap_mm"}:
        return f"TRY_CAST({text} AS DOUBLE) AS {column}"
    if name in {"case", "site"}:
        return column
    return f"CASE WHEN lower({text}) NOT IN ({missing}) THEN lower({text}) END AS {column}"


def _refuse_words(typed: Any) -> None:
    for name, words in _WORDS.items():
        listed = ", ".join(f"'{word}'" for word in words)
        strange = typed.filter(f"{quoted(name)} NOT IN ({listed})")
        number, example = strange.aggregate(f"count(*), min({quoted(name)})").fetchall()[0]
        if number:
            # Only a close neighbour is named, never the cell itself.
            raise InputError(
                f"column '{name}' has {number} values that are none of {', '.join(words)}."
                f"{suggestion(str(example), words)}"
            )


def _refuse_cells(given: Any, typed: Any, present: list[str]) -> None:
    what = {"case": "empty", "age": "no number", "found_on": "no day written YYYY-MM-DD"}
    for name, complaint in what.items():
        if name not in present:
            continue
        filled = "count(*)" if name == "case" else f"count(nullif(trim(CAST({quoted(name)} AS VARCHAR)), ''))"
        had = given.aggregate(filled).fetchall()[0][0]
        has = typed.aggregate(f"count({'found_day' if name == 'found_on' else quoted(name)})").fetchall()[0][0]
        if had != has:
            raise InputError(f"column '{name}' has {had - has} cells that are {complaint}; mend them and try again.")


def _as_given(graded: nw.LazyFrame[Any], findings: Any) -> Any:
    if isinstance(findings, nw.LazyFrame | nw.DataFrame):
        return graded if isinstance(findings, nw.LazyFrame) else _in_library(graded, findings)
    if isinstance(findings, dict):
        return graded.collect(backend="pandas").to_native()
    wrapped: Any = nw.from_native(findings)
    if wrapped.implementation.is_duckdb():
        return graded.to_native()
    return _in_library(graded, wrapped).to_native()


def _in_library(graded: nw.LazyFrame[Any], like: Any) -> Any:
    collected = graded.collect(backend=like.implementation)
    return collected.lazy() if isinstance(like, nw.LazyFrame) else collected
