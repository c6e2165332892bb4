"""How odds ratios say what they compare: exposures, products of two, levels, outcomes."""

from __future__ import annotations

from typing import Any, Final

from analysis.results import OddsRatios
from reports import wording
from reports.frames import records

BOTH: Final = "cases and referents"
"""The unit of a comparison of cases with the referents of a registry."""


def spoken_exposure(name: str) -> str:
    """Say an exposure, also the product of two.

    Examples
    --------
    >>> spoken_exposure("grip"), spoken_exposure("grip:sex")
    ('Grip', 'Grip × sex')
    """
    first, *others = name.split(":")
    return " × ".join([wording.column_label(first), *(wording.column_words(other) for other in others)])


def spoken_level(exposure: str, level: Any) -> str:
    """Say a level, also that of an interaction and that of a measured exposure."""
    names, levels = exposure.split(":"), str(level).split(":")
    if len(names) != len(levels):
        return wording.label(level, column=exposure)
    return " × ".join(wording.label(each, column=name) for name, each in zip(names, levels, strict=True))


def spoken_outcome(outcome: str) -> str:
    """Say ``COLUMN=VALUE,VALUE`` in words.

    Examples
    --------
    >>> spoken_outcome("pulley_grade=III,IV")
    'pulley grade III or IV'
    """
    return wording.outcome_words(outcome)


def count_headings(result: OddsRatios) -> tuple[str, str]:
    """Return what the two counts of a level are called."""
    return ("Cases", "Referents") if result.unit == BOTH else ("With outcome", "Without")


def spoken_covariates(result: OddsRatios) -> str:
    """Say what ratios are adjusted for: every covariate, also one that is an exposure itself; '' for nothing."""
    return ", ".join(wording.column_words(name) for name in result.covariates)


def with_products_said(sentence: str, result: OddsRatios) -> str:
    """Say the products of two columns in a sentence, and their levels, as the tables do."""
    rows = result.table[result.table["exposure"].str.contains(":", regex=False)]
    said: dict[str, str] = {}
    for row in records(rows[["exposure", "level", "reference"]].drop_duplicates()):
        exposure = str(row["exposure"])
        said[exposure] = " × ".join(wording.column_words(name) for name in exposure.split(":"))
        for level in (row["level"], row["reference"]):
            said[str(level)] = spoken_level(exposure, level)
    for code in sorted((code for code in said if ":" in code), key=len, reverse=True):
        sentence = sentence.replace(code, said[code])
    return sentence
