"""The rows of a forest plot: headings of exposures, reference levels, and levels with their ratios."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from reports import rounding, wording
from reports.frames import records
from reports.tables.ratio_words import spoken_exposure, spoken_level
from reports.tables.ratios import CRUDE_METHODS, MODEL_METHODS, shown_rows

if TYPE_CHECKING:
    import pandas as pd

    from analysis.results import OddsRatios

CRUDE_SHOWN: Final = ("mantel_haenszel", "mcnemar_exact", "conditional_exact", "conditional_mid_p", "woolf")
"""The first of these that the table holds is the crude series; the others are in the table."""

SERIES: Final = {"mantel_haenszel": "pooled", "common_exact": "pooled", "mcnemar_exact": "pairs"}
"""Series that are not crude, though no model made them."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ForestRow:
    """One row: its words, its counts, and one line of the table a method."""

    label: str
    counts: str = ""
    is_reference: bool = False
    is_heading: bool = False
    lines: dict[str, dict[str, Any]] = field(default_factory=dict)


def methods_drawn(table: pd.DataFrame) -> list[str]:
    """Return the methods that are drawn: a crude one, then the models."""
    present = set(table["method"])
    crude = next((method for method in CRUDE_SHOWN if method in present), None)
    return [*([crude] if crude else []), *(method for method in MODEL_METHODS if method in present)]


def series_words(result: OddsRatios, method: str) -> str:
    """Say in one word what a series of marks is."""
    if method in CRUDE_METHODS:
        return SERIES.get(method, "crude")
    adjusted = "adjusted" if result.covariates else ""
    if method == "firth":
        return ", ".join(["penalised", *([adjusted] if adjusted else [])])
    return adjusted or ("matched" if method == "conditional_logistic" else "model")


def forest_rows(result: OddsRatios) -> list[ForestRow]:
    """Return the rows from the top, without covariates."""
    shown = shown_rows(result)
    several = shown["exposure"].nunique() > 1
    rows: list[ForestRow] = []
    for exposure, group in shown.groupby("exposure", sort=False):
        rows += _of_exposure(str(exposure), group, several=several)
    return rows


def _of_exposure(exposure: str, group: pd.DataFrame, *, several: bool) -> list[ForestRow]:
    first = records(group)[0]
    product = ":" in exposure
    measured = str(first["reference"] or "") == ""
    rows = []
    if several and not (measured and group["level"].nunique() == 1):
        ratio = " (ratio of ratios)" if product else ""
        rows.append(ForestRow(label=f"{spoken_exposure(exposure)}{ratio}", is_heading=True))
    if not measured and not product:
        name = f"{wording.label(first['reference'], column=exposure)} (reference)"
        counts = _pair(first["reference_events"], first["reference_others"])
        rows.append(ForestRow(label=name, counts=counts, is_reference=True))
    for level, lines in group.groupby("level", sort=False, dropna=False):
        by_method = {str(row["method"]): row for row in records(lines)}
        one = next(iter(by_method.values()))
        alone = measured and several and group["level"].nunique() == 1
        words = spoken_level(exposure, level)
        rows.append(
            ForestRow(
                label=f"{spoken_exposure(exposure)}, {words}" if alone else words,
                counts=_pair(one["exposed_events"], one["exposed_others"]),
                lines=by_method,
            )
        )
    return rows


def _pair(events: float, others: float) -> str:
    return f"{rounding.count(events)} / {rounding.count(others)}"


def ratio_words(line: dict[str, Any]) -> str:
    """Say a ratio with its limits, or that it has none.

    Examples
    --------
    >>> ratio_words({"estimate": 2.0, "conf_low": 1.0, "conf_high": 4.0})
    '2.00 (1.00 to 4.00)'
    """
    if wording.is_missing(line["estimate"]):
        return rounding.NOT_ESTIMABLE
    words = rounding.ratio(line["estimate"])
    if wording.is_missing(line["conf_low"]) or wording.is_missing(line["conf_high"]):
        return f"{words} (no limits)"
    return f"{words} ({rounding.limits(rounding.ratio(line['conf_low']), rounding.ratio(line['conf_high']))})"
