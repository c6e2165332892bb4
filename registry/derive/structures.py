"""Which structures of a finger are hurt and how badly, after the best evidence is chosen.

Published
    Nothing here. The orders below are common practice, no source.
Common practice, no source
    *Evidence*: what a surgeon saw wins over MRI and ultrasound (equal), then CT, radiograph, the clinical
    examination, and what does not say how it was seen. Between equal witnesses the later day wins (no day counts as
    the earliest), then the worse extent.
    *Main structure*: an injured growth plate first, else the worst extent, else the order of the code list.
"""

from __future__ import annotations

from typing import Any

import narwhals.stable.v2 as nw

from registry.derive.people import no_text
from registry.derive.steps import quotient
from registry.dictionary.injury import (
    CROSS_PULLEYS,
    EXTENSORS,
    JOINT_PARTS,
    LIGAMENTS,
    MUSCLES,
    PULLEYS,
    STRUCTURES,
    TENDONS,
)

PULLEY_STRUCTURES = (*PULLEYS, *CROSS_PULLEYS, "thumb_oblique_pulley")

FAMILIES: dict[str, str] = {
    **dict.fromkeys(PULLEY_STRUCTURES, "pulley"),
    **dict.fromkeys(TENDONS, "tendon"),
    **dict.fromkeys(MUSCLES, "muscle"),
    **dict.fromkeys(LIGAMENTS, "ligament"),
    **dict.fromkeys(JOINT_PARTS, "joint"),
    **dict.fromkeys(EXTENSORS, "extensor"),
    "growth_plate": "growth_plate",
    "phalanx": "bone",
    "nerve": "other",
    "skin": "other",
    "other": "other",
}
"""Structure -> family. Tests for trend stay inside one family."""

EVIDENCE: dict[str, int] = {"surgery": 5, "mri": 4, "ultrasound": 4, "ct": 3, "radiograph": 2, "clinical": 1}
"""Seen by -> weight; anything else, and nothing, weighs 0."""

SEVERITY: dict[str, int] = {
    "other": 0,
    "degenerative": 1,
    "inflammation": 2,
    "strain": 3,
    "stress_reaction": 4,
    "partial": 5,
    "subluxation": 6,
    "fracture_undisplaced": 7,
    "fracture": 8,
    "complete": 9,
    "avulsion": 9,
    "dislocation": 10,
    "fracture_displaced": 11,
}
"""Extent -> rank, the worst highest. A torn and a torn-off structure rank equally."""

_EXTENT_NUMBER = {word: number for number, word in enumerate(SEVERITY)}
_STRUCTURE_NUMBER = {word: number for number, word in enumerate(STRUCTURES)}
_NEVER = -1_000_000


def number_of(column: str, numbers: dict[str, int], *, default: int) -> nw.Expr:
    """Return the number that a code stands for; ``default`` for NULL and every other word."""
    return nw.col(column).replace_strict(list(numbers), list(numbers.values()), default=default, return_dtype=nw.Int64)


def word_of(column: str, words: dict[int, str]) -> nw.Expr:
    """Return the code that a number stands for; NULL for every other number."""
    return nw.col(column).replace_strict(list(words), list(words.values()), default=None, return_dtype=nw.String)


def best_evidence(findings: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    """Keep one row for each structure (and joint) of each case: the one with the best evidence.

    Parameters
    ----------
    findings
        Columns site, case, structure, joint, extent, seen_by, found_day (any whole-day count), gap_mm.

    Returns
    -------
    The same columns and ``severity``. A pulley has no joint of its own: what was typed there is ignored, so that
    the same pulley is never counted twice. A row without structure or without extent says nothing and is left out.
    """
    told = findings.filter(~nw.col("structure").is_null() & nw.col("extent").is_in(list(SEVERITY)))
    ranked = told.with_columns(
        joint=nw.when(nw.col("structure").is_in(PULLEY_STRUCTURES)).then(no_text()).otherwise(nw.col("joint")),
        evidence=number_of("seen_by", EVIDENCE, default=0),
        found_rank=nw.coalesce("found_day", nw.lit(_NEVER, dtype=nw.Int64)),
        severity=number_of("extent", SEVERITY, default=0),
        extent_number=number_of("extent", _EXTENT_NUMBER, default=-1),
        gap_rank=nw.coalesce(nw.col("gap_mm").cast(nw.Float64), nw.lit(-1.0)),
        seen_by_rank=nw.coalesce("seen_by", nw.lit("")),
    )
    return ranked.unique(
        subset=["site", "case", "structure", "joint"],
        keep="last",
        order_by=["evidence", "found_rank", "severity", "extent_number", "gap_rank", "seen_by_rank"],
    ).select("site", "case", "structure", "joint", "extent", "seen_by", "found_day", "gap_mm", "severity")


def main_structure(best: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    """Return site, case, main_structure, main_extent, structure_family: one row for each case that has a finding."""
    places = len(STRUCTURES)
    keyed = best.with_columns(
        growth_plate=nw.when(nw.col("structure") == "growth_plate").then(nw.lit(1)).otherwise(nw.lit(0)),
        code_rank=places - number_of("structure", _STRUCTURE_NUMBER, default=places),
        extent_number=number_of("extent", _EXTENT_NUMBER, default=0),
    ).with_columns(
        # One number, so that one plain maximum finds the row: no window, the same on every engine.
        main_key=nw.col("growth_plate") * 1_000_000
        + nw.col("severity") * 10_000
        + nw.col("code_rank") * 100
        + nw.col("extent_number")
    )
    found = keyed.group_by("site", "case").agg(nw.col("main_key").max())
    decoded = found.with_columns(
        structure_number=places - quotient(nw.col("main_key"), 100) % 100,
        extent_number=nw.col("main_key") % 100,
    ).with_columns(
        main_structure=word_of("structure_number", dict(enumerate(STRUCTURES))),
        main_extent=word_of("extent_number", {number: word for word, number in _EXTENT_NUMBER.items()}),
    )
    return decoded.select("site", "case", "main_structure", "main_extent", structure_family=family_of("main_structure"))


def family_of(column: str) -> nw.Expr:
    """Return the family of a structure code; NULL for NULL."""
    return nw.col(column).replace_strict(list(FAMILIES), list(FAMILIES.values()), default=None, return_dtype=nw.String)


def structure_flags(best: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    """Return site, case, one 0/1 column ``has_<structure>`` for each code, structures_n, structures ('a2+a3')."""
    flagged = best.select(
        "site",
        "case",
        **{
            f"has_{word}": nw.when(nw.col("structure") == word).then(nw.lit(1)).otherwise(nw.lit(0)).cast(nw.Int64)
            for word in STRUCTURES
        },
    )
    pivoted = flagged.group_by("site", "case").agg(*(nw.col(f"has_{word}").max() for word in STRUCTURES))
    listed = [nw.when(nw.col(f"has_{word}") == 1).then(nw.lit(word)).otherwise(no_text()) for word in STRUCTURES]
    return pivoted.with_columns(
        structures_n=nw.sum_horizontal(*(f"has_{word}" for word in STRUCTURES)).cast(nw.Int64),
        structures=nw.concat_str(listed, separator="+", ignore_nulls=True),
    )
