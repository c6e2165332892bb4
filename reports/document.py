"""The model of a document. Nothing in it is a bare string number: each number is a typed cell.

A cell knows its value, unit, denominator and what it was derived from. ``numbers.json``, the CSV tables and
the disclosure control work on the cells; the writers only lay them out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Literal

from reports import rounding, wording

CellKind = Literal["text", "count", "share", "rate", "ratio", "days", "hours", "number", "p_value"]


@dataclass(frozen=True, kw_only=True)
class Cell:
    """One cell of a table, or one number inside a sentence.

    kind
        What the value is; ``text`` is the only kind without a number.
    value, low, high
        Unrounded; limits where there are any. Minutes for ``hours``, a share in [0, 1] for ``share``.
    shown
        What a person reads; made by ``wording``.
    unit, of_what, denominator
        "cases"; "cases with a known finger"; 117. The denominator of a rate is its exposure.
    derived_from
        Ids (row/column) of the cells of the same table from which it can be computed, so that hiding one
        hides both.
    """

    kind: CellKind
    shown: str
    value: float | int | str | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    of_what: str = ""
    denominator: float | int | None = None
    derived_from: tuple[str, ...] = ()
    method: str = ""
    """Where it is not that of the table that holds the cell."""

    @property
    def is_number(self) -> bool:
        """Whether the cell holds a number, as against a word or a gap."""
        return self.kind != "text" and not wording.is_missing(self.value)


def text(shown: Any) -> Cell:
    """Return a cell that holds words."""
    return Cell(kind="text", shown=str(shown), value=str(shown))


def code(value: Any, *, column: str = "") -> Cell:
    """Return a cell that holds a code: shown in words, kept as the code."""
    missing = wording.is_missing(value)
    return Cell(kind="text", shown=wording.label(value, column=column), value="" if missing else str(value))


def count(value: Any, *, of_what: str, denominator: float | None = None) -> Cell:
    """Return a count of something."""
    if wording.is_missing(value):
        return Cell(kind="count", shown=rounding.NOT_ESTIMABLE, of_what=of_what, unit=of_what)
    number = round(float(value))
    return Cell(
        kind="count",
        shown=rounding.count(number),
        value=number,
        unit=of_what,
        of_what=of_what,
        denominator=denominator,
    )


def share(value: Any, *, of: Any, of_what: str, low: Any = None, high: Any = None) -> Cell:
    """Return a share in [0, 1] of ``of`` things, shown in percent, with limits where given."""
    denominator = 0 if wording.is_missing(of) else of
    shown = rounding.percent(_number(value), of=denominator)
    if _known(low) and _known(high):
        between = rounding.limits(
            rounding.percent(low, of=denominator).removesuffix(" %"), rounding.percent(high, of=denominator)
        )
        shown = f"{shown} ({between})"
    return _measured("share", value, low, high, shown=shown, unit="share", of_what=of_what, denominator=of)


def rate(value: Any, *, per: str, exposure: Any, of_what: str, low: Any = None, high: Any = None) -> Cell:
    """Return a rate per ``per`` (words such as "1000 hours") with its limits."""
    decimals = rounding.decimals_for(_number(value) or _number(high))
    shown = rounding.rate(_number(value), decimals=decimals)
    if _known(low) and _known(high):
        ends = (rounding.rate(low, decimals=decimals), rounding.rate(high, decimals=decimals))
        shown = f"{shown} ({rounding.limits(*ends)})"
    return _measured("rate", value, low, high, shown=shown, unit=f"per {per}", of_what=of_what, denominator=exposure)


def ratio(value: Any, *, of_what: str, low: Any = None, high: Any = None) -> Cell:
    """Return a ratio with its limits."""
    shown = rounding.ratio(_number(value))
    if _known(low) and _known(high):
        shown = f"{shown} ({rounding.limits(rounding.ratio(low), rounding.ratio(high))})"
    return _measured("ratio", value, low, high, shown=shown, unit="ratio", of_what=of_what)


def days(value: Any, *, of_what: str, low: Any = None, high: Any = None, with_limits: bool = False) -> Cell:
    """Return a number of days; a missing one was not reached."""
    shown = rounding.days(_number(value))
    if with_limits and _known(value):
        ends = (rounding.days(_number(low)), rounding.days(_number(high)))
        shown = f"{shown} ({rounding.limits(*ends)})"
    return _measured("days", value, low, high, shown=shown, unit="days", of_what=of_what)


def hours(minutes: Any, *, of_what: str) -> Cell:
    """Return a time; the value is kept in whole minutes."""
    return _measured("hours", minutes, None, None, shown=rounding.hours(minutes), unit="minutes", of_what=of_what)


def number(value: Any, *, of_what: str, unit: str = "", decimals: int = 2) -> Cell:
    """Return any other number, such as a test statistic."""
    shown = rounding.NOT_ESTIMABLE if not _known(value) else f"{value:.{decimals}f}"
    return _measured("number", value, None, None, shown=shown, unit=unit, of_what=of_what)


def p_value(value: Any, *, of_what: str) -> Cell:
    """Return a p-value."""
    shown = rounding.p_value(_number(value))
    return _measured("p_value", value, None, None, shown=shown, unit="probability", of_what=of_what)


def _known(value: Any) -> bool:
    return not wording.is_missing(value)


def _number(value: Any) -> float:
    return float(value) if _known(value) else math.nan


def _measured(kind: CellKind, value: Any, low: Any, high: Any, *, denominator: Any = None, **words: Any) -> Cell:
    known: dict[str, Any] = {
        "value": float(value) if _known(value) else None,
        "low": float(low) if _known(low) else None,
        "high": float(high) if _known(high) else None,
        "denominator": denominator if _known(denominator) else None,
    }
    return Cell(kind=kind, **known, **words)


Words = tuple[str | Cell, ...]
"""A sentence: words, and cells where it names numbers."""


@dataclass(frozen=True)
class Paragraph:
    """Running text. ``role`` is ``lead`` for the first sentences of a page, ``note`` for small print."""

    words: Words
    role: Literal["plain", "lead", "note", "gap"] = "plain"


@dataclass(frozen=True)
class Headline:
    """A number that a board member reads first: the figure, and what it is in plain words."""

    key: str
    cell: Cell
    words: Words


@dataclass(frozen=True)
class Headlines:
    """The headlines of the first screen."""

    items: tuple[Headline, ...]
    key: str = "headline"


@dataclass(frozen=True)
class Column:
    """A column of a table: its key (snake_case, stable) and its heading."""

    key: str
    heading: str


@dataclass(frozen=True, kw_only=True)
class Table:
    """A table of typed cells. ``unit`` says what one thing counted in it is."""

    key: str
    caption: str
    unit: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    method: str = ""
    notes: tuple[str, ...] = ()
    labels: int = 1
    """How many columns, from the left, name the row."""

    def is_measured(self, position: int) -> bool:
        """Whether a column holds measured cells, so that it stands at the right."""
        return position >= self.labels and any(row[position].kind != "text" for row in self.rows)

    def row_key(self, position: int) -> str:
        """Return the row's own name inside the table: its codes joined by ``+``."""
        return "+".join(str(cell.value or "not_recorded") for cell in self.rows[position][: self.labels])


@dataclass(frozen=True, kw_only=True)
class Figure:
    """A picture with its caption and the text that stands in for it."""

    key: str
    caption: str
    alt: str
    svg: bytes
    png: Callable[[], bytes] = bytes
    """Drawn only when the file is written."""


@dataclass(frozen=True)
class Caution:
    """A sentence that must not be missed."""

    sentence: str


@dataclass(frozen=True)
class Listing:
    """Several short points."""

    points: tuple[Words, ...]


Block = Paragraph | Headlines | Table | Figure | Caution | Listing


@dataclass(frozen=True, kw_only=True)
class Section:
    """A titled part of a document."""

    key: str
    title: str
    blocks: tuple[Block, ...]
    new_page: bool = False


@dataclass(frozen=True, kw_only=True)
class Document:
    """A whole document; ``stamp`` is printed on every page."""

    title: str
    subtitle: str
    stamp: str
    identity: dict[str, Any]
    sections: tuple[Section, ...]
    language: str = "en"

    def blocks(self) -> Iterator[tuple[Section, Block]]:
        """Yield every block with the section that holds it, in reading order."""
        for section in self.sections:
            for block in section.blocks:
                yield section, block

    def tables(self) -> tuple[Table, ...]:
        """Return the tables in reading order."""
        return tuple(block for _, block in self.blocks() if isinstance(block, Table))

    def figures(self) -> tuple[Figure, ...]:
        """Return the figures in reading order."""
        return tuple(block for _, block in self.blocks() if isinstance(block, Figure))


def with_sources(cell: Cell, *sources: str) -> Cell:
    """Return the cell with the ids of the cells that it is derived from."""
    return replace(cell, derived_from=tuple(sources))
