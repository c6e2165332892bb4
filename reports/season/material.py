"""What the sections work with: the period, the people, and estimates that may turn out impossible."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from typing import Any, ParamSpec, TypeVar

import narwhals.stable.v2 as nw

from analysis.incidence import incidence_rates
from analysis.period import Period
from analysis.results import IncidenceRates, Result
from registry.errors import DataError, InputError
from reports import document as doc
from reports import wording
from reports.alternatives import alternative
from reports.document import Block, Figure, Paragraph
from reports.pictures.drawing import draw
from reports.pictures.style import saved
from reports.tables.building import tables_of

Estimate = TypeVar("Estimate", bound=Result)
Asked = ParamSpec("Asked")


@dataclass(frozen=True)
class Gap:
    """An estimate that the data do not allow: the sentence that says why and what to do."""

    sentence: str

    def block(self) -> Paragraph:
        """Return the gap as a paragraph."""
        return Paragraph((f"Too few to tell. {self.sentence}",), role="gap")


@dataclass(frozen=True, kw_only=True)
class Material:
    """A period of a registry or freeze, with what every section asks for."""

    period: Period
    fingers: int
    """Cases: injured fingers whose onset lies in the period."""
    occurrences: int
    climbers_hurt: int
    minors: int
    adults: int
    age_unknown: int
    rates_known: dict[str | None, IncidenceRates | Gap] = field(default_factory=dict)
    """Incidence by column, kept because several sections ask for the same."""

    def rates(self, by: str | None = None) -> IncidenceRates | Gap:
        """Return the incidence by a column of the period, or the reason why there is none."""
        if by not in self.rates_known:
            self.rates_known[by] = attempt(incidence_rates, self.period, by=by)
        return self.rates_known[by]

    def cases(self, *conditions: nw.Expr) -> nw.LazyFrame[Any]:
        """Return the cases of the period that meet the conditions."""
        rows = self.period.table("cases")
        return rows.filter(*conditions) if conditions else rows

    def findings(self, *conditions: nw.Expr) -> nw.LazyFrame[Any]:
        """Return the findings of the period's cases that meet the conditions."""
        rows = self.period.table("findings")
        return rows.filter(*conditions) if conditions else rows


ALL_AGES = "All ages together; climbers under 18 are shown again in their own section."
ADULT = ~nw.col("minor")
MINOR = nw.col("minor")


def gather(period: Period) -> Material:
    """Count once what several sections say."""
    cases = period.table("cases").select("climber", "minor").collect().to_pandas()
    minors = int((cases["minor"] == True).sum())  # noqa: E712 (a gap is neither)
    adults = int((cases["minor"] == False).sum())  # noqa: E712
    occurrences = period.table("occurrences").select(nw.len().alias("n")).collect()
    return Material(
        period=period,
        fingers=len(cases),
        occurrences=int(occurrences.item(0, "n")),
        climbers_hurt=int(cases["climber"].nunique()),
        minors=minors,
        adults=adults,
        age_unknown=len(cases) - minors - adults,
    )


def attempt(estimate: Callable[Asked, Estimate], *data: Asked.args, **options: Asked.kwargs) -> Estimate | Gap:
    """Return the estimate of the data, or the sentence that says why they do not allow it."""
    try:
        return estimate(*data, **options)
    except DataError as error:
        sentence = str(error)
        return Gap(wording.in_words(sentence[:1].upper() + sentence[1:]))


def shown(
    result: Result | Gap,
    *,
    key: str,
    caption: str,
    picture: Callable[[Any], Any] | None = draw,
    tables: int | None = None,
) -> Iterator[Block]:
    """Yield a result as a figure and its tables; a gap as its sentence.

    Parameters
    ----------
    result
        An estimate, or the gap in its place.
    key
        Name of the figure and of the main table, unique in the report.
    caption
        Of the figure.
    picture
        What draws it; None for tables only.
    tables
        How many of the result's tables to show; all when None.
    """
    if isinstance(result, Gap):
        yield result.block()
        return
    if picture is not None:
        yield from figure(result, key=key, caption=caption, picture=picture)
    yield from tables_of(result, key=key)[:tables]


def figure(
    result: Result, *, key: str, caption: str, picture: Callable[[Any], Any] = draw
) -> Iterator[Figure | Paragraph]:
    """Yield the picture of a result; the reason when there is nothing to draw."""
    try:
        drawn = picture(result)
    except (DataError, InputError) as error:
        sentence = str(error)
        yield Paragraph((sentence[:1].upper() + sentence[1:],), role="gap")
        return
    yield Figure(
        key=key,
        caption=caption,
        alt=alternative(result),
        svg=saved(drawn, kind="svg"),
        png=partial(saved, drawn, kind="png"),
    )


def number(value: int, of_what: str) -> doc.Cell:
    """Return a count for running text."""
    return doc.count(value, of_what=of_what)
