"""The pulley grade I-IV of a finger, with the reason for it.

Published
    Schöffl et al. 2003, Wilderness Environ Med 14:94-100; the same scheme in Schöffl & Schöffl 2006, J Hand Surg Am
    31:647-654 (read in a clinic page that reproduces the 2006 table): I strain; II complete A4, or partial A2 or A3;
    III complete A2 or A3; IV several (A2/A3, A2/A3/A4), or a single complete A2 or A3 with an injury of a lumbrical
    or a ligament. The scheme is for adults' long fingers.
Common practice, no source
    Where the scheme is silent: a partial A4 is II; a complete or partial A1 or A5 is II; two complete pulleys are
    IV also when A1 or A5 is one of them; beside a complete pulley a partial second one changes nothing; several
    partial pulleys are II; a complete A4, a partial pulley or a strain with an injury of a lumbrical or a ligament
    keeps its grade. Each such case carries its own reason, so that it can be counted.
    A companion injury is an acute one: inflammation, stress reaction, degeneration and "other" do not make a IV.
    A climber whose age is not known is graded as an adult.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import narwhals.stable.v2 as nw

from registry.derive.people import no_text
from registry.derive.structures import PULLEY_STRUCTURES
from registry.dictionary.injury import LIGAMENTS, PULLEYS

GRADES = ("I", "II", "III", "IV", "not_gradable")
NOT_GRADABLE = "not_gradable"
COMPANIONS = ("lumbrical", *LIGAMENTS)
ACUTE_EXTENTS = (
    "strain",
    "partial",
    "complete",
    "avulsion",
    "subluxation",
    "dislocation",
    "fracture",
    "fracture_undisplaced",
    "fracture_displaced",
)
PUBLISHED = "Schöffl et al. 2003; Schöffl & Schöffl 2006"
COMMON = "common practice, no source"


@dataclass(frozen=True)
class Rule:
    """One line of the scheme: the first rule whose condition holds gives the grade and the reason."""

    reason: str
    grade: str
    sentence: str
    source: str
    holds: Callable[[], nw.Expr]


def _at_least(column: str, count: int = 1) -> Callable[[], nw.Expr]:
    return lambda: nw.col(column) >= count


def _both(*conditions: Callable[[], nw.Expr]) -> Callable[[], nw.Expr]:
    return lambda: nw.all_horizontal(*(condition() for condition in conditions), ignore_nulls=False)


def _none(column: str) -> Callable[[], nw.Expr]:
    return lambda: nw.col(column) == 0


_COMPANION = _at_least("companions")
_PARTIAL = _at_least("partials")

RULES: tuple[Rule, ...] = (
    Rule("nothing_recorded", NOT_GRADABLE, "no structure is recorded", COMMON, _none("rows")),
    Rule(
        "thumb",
        NOT_GRADABLE,
        "a thumb has other pulleys; the scheme is for long fingers",
        PUBLISHED,
        _at_least("thumb"),
    ),
    Rule(
        "growth_plate",
        NOT_GRADABLE,
        "an injured growth plate has its own scheme",
        COMMON,
        _at_least("growth_plate"),
    ),
    Rule("no_pulley_finding", NOT_GRADABLE, "no pulley is recorded as injured", PUBLISHED, _none("any_pulley")),
    Rule(
        "growth_plate_open",
        NOT_GRADABLE,
        "the growth plate is open; the scheme is for adults",
        COMMON,
        _at_least("physis"),
    ),
    Rule("under_18", NOT_GRADABLE, "under 18; the published scheme is for adults", COMMON, _at_least("young")),
    Rule(
        "pulley_outside_scheme",
        NOT_GRADABLE,
        "only cruciform pulleys are hurt; the scheme names A1-A5",
        PUBLISHED,
        _none("ring_pulley"),
    ),
    Rule(
        "extent_outside_scheme",
        NOT_GRADABLE,
        "the pulley is not recorded as strained, partly or completely torn",
        PUBLISHED,
        _none("in_scheme"),
    ),
    Rule(
        "several_complete",
        "IV",
        "two or more of A2, A3, A4 are completely torn",
        PUBLISHED,
        _at_least("complete_main", 2),
    ),
    Rule(
        "several_complete_a1_a5",
        "IV",
        "two or more pulleys, A1 or A5 among them, are completely torn",
        COMMON,
        _at_least("completes", 2),
    ),
    Rule(
        "complete_a2_a3_with_companion",
        "IV",
        "A2 or A3 is completely torn, with an injured lumbrical or ligament",
        PUBLISHED,
        _both(_at_least("complete_a2_a3"), _COMPANION),
    ),
    Rule(
        "complete_a2_a3_with_partial",
        "III",
        "A2 or A3 is completely torn, another pulley partly",
        COMMON,
        _both(_at_least("complete_a2_a3"), _PARTIAL),
    ),
    Rule("complete_a2_a3", "III", "A2 or A3 is completely torn", PUBLISHED, _at_least("complete_a2_a3")),
    Rule(
        "complete_a4_with_companion",
        "II",
        "A4 is completely torn, with an injured lumbrical or ligament",
        COMMON,
        _both(_at_least("complete_a4"), _COMPANION),
    ),
    Rule(
        "complete_a4_with_partial",
        "II",
        "A4 is completely torn, another pulley partly",
        COMMON,
        _both(_at_least("complete_a4"), _PARTIAL),
    ),
    Rule("complete_a4", "II", "A4 is completely torn", PUBLISHED, _at_least("complete_a4")),
    Rule("complete_a1_a5", "II", "A1 or A5 is completely torn", COMMON, _at_least("completes")),
    Rule(
        "partial_with_companion",
        "II",
        "a pulley is partly torn, with an injured lumbrical or ligament",
        COMMON,
        _both(_PARTIAL, _COMPANION),
    ),
    Rule("several_partial", "II", "two or more pulleys are partly torn", COMMON, _at_least("partials", 2)),
    Rule("partial_a2_a3", "II", "A2 or A3 is partly torn", PUBLISHED, _at_least("partial_a2_a3")),
    Rule("partial_a4", "II", "A4 is partly torn", COMMON, _at_least("partial_a4")),
    Rule("partial_a1_a5", "II", "A1 or A5 is partly torn", COMMON, _PARTIAL),
    Rule(
        "strain_with_companion",
        "I",
        "a pulley is strained, with an injured lumbrical or ligament",
        COMMON,
        _COMPANION,
    ),
    Rule("strain", "I", "a pulley is strained", PUBLISHED, _at_least("in_scheme")),
)
"""In order; together they name every case."""

REASONS: dict[str, str] = {rule.reason: rule.sentence for rule in RULES}
"""Reason code -> sentence."""


def grades(findings: nw.LazyFrame[Any], best: nw.LazyFrame[Any], cases: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    """Grade every case.

    Parameters
    ----------
    findings
        All findings of the cases (site, case, structure), whatever their extent.
    best
        The same after :func:`registry.derive.structures.best_evidence`.
    cases
        One row a case: site, case, and 0/1 columns thumb_digit, young, physis.

    Returns
    -------
    site, case, pulley_grade, reason: one row a case.
    """
    recorded = (
        findings.filter(~nw.col("structure").is_null())
        .group_by("site", "case")
        .agg(
            rows=nw.len(),
            thumb_pulley=_flag(nw.col("structure") == "thumb_oblique_pulley").max(),
            growth_plate=_flag(nw.col("structure") == "growth_plate").max(),
            any_pulley=_flag(nw.col("structure").is_in(PULLEY_STRUCTURES)).max(),
            ring_pulley=_flag(nw.col("structure").is_in(PULLEYS)).max(),
        )
    )
    torn = best.group_by("site", "case").agg(**{name: _flag(when).sum() for name, when in _counted().items()})
    joined = cases.join(recorded, on=["site", "case"], how="left").join(torn, on=["site", "case"], how="left")
    counts = ["rows", "thumb_pulley", "growth_plate", "any_pulley", "ring_pulley", *_counted()]
    ready = joined.with_columns(*(nw.col(name).cast(nw.Int64).fill_null(0) for name in counts)).with_columns(
        thumb=nw.max_horizontal("thumb_digit", "thumb_pulley"),
        in_scheme=nw.col("completes") + nw.col("partials") + nw.col("strains"),
    )
    reasoned = ready.with_columns(reason=_first_reason())
    return reasoned.select("site", "case", "reason", pulley_grade=_grade_of_reason()).select(
        "site", "case", "pulley_grade", "reason"
    )


def _flag(condition: nw.Expr) -> nw.Expr:
    return nw.when(condition).then(nw.lit(1)).otherwise(nw.lit(0)).cast(nw.Int64)


def _counted() -> dict[str, nw.Expr]:
    structure, extent = nw.col("structure"), nw.col("extent")
    pulley = structure.is_in(PULLEYS)
    complete, partial = pulley & (extent == "complete"), pulley & (extent == "partial")
    a2_a3 = structure.is_in(["a2", "a3"])
    return {
        "completes": complete,
        "complete_main": complete & structure.is_in(["a2", "a3", "a4"]),
        "complete_a2_a3": complete & a2_a3,
        "complete_a4": complete & (structure == "a4"),
        "partials": partial,
        "partial_a2_a3": partial & a2_a3,
        "partial_a4": partial & (structure == "a4"),
        "strains": pulley & (extent == "strain"),
        "companions": structure.is_in(COMPANIONS) & extent.is_in(ACUTE_EXTENTS),
    }


def _first_reason() -> nw.Expr:
    reason = no_text()
    for rule in reversed(RULES):
        reason = nw.when(rule.holds()).then(nw.lit(rule.reason)).otherwise(reason)
    return reason


def _grade_of_reason() -> nw.Expr:
    return nw.col("reason").replace_strict(
        [rule.reason for rule in RULES], [rule.grade for rule in RULES], default=NOT_GRADABLE, return_dtype=nw.String
    )


def case_flags(digit: nw.Expr, young: nw.Expr, physis_open: nw.Expr) -> dict[str, nw.Expr]:
    """Return the 0/1 columns of a case that :func:`grades` asks for."""
    return {
        "thumb_digit": _flag(digit == "thumb"),
        "young": _flag(young),
        "physis": _flag(physis_open == "yes"),
    }
