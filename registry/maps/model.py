"""What a column map is: how one site's export becomes rows of our tables."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from functools import cached_property

from registry.dictionary.injury import EXTENTS, STRUCTURES

DATE_ORDERS = ("year month day", "day month year", "month day year")
LIST_SHAPES = ("structure extent", "extent structure", "structure (extent)", "structure:extent", "parallel")
RAYS = "rays"
"""The words table that is built in: 1 thumb, 2 index, 3 middle, 4 ring, 5 little."""
MONTHS = "months"
"""The words table that gives the names of months their numbers; without it no name of a month is read."""
LEAVE_OUT = "leave out"
RAY_WORDS = {"1": "thumb", "2": "index", "3": "middle", "4": "ring", "5": "little"}


def same_column(name: str) -> str:
    """Return a column's name as it is compared: without regard to case, to blanks, and to how accents are composed.

    Examples
    --------
    >>> same_column(" Verletzt  am "), same_column("FU1_date")
    ('verletzt am', 'fu1_date')
    """
    plain = name if name.isascii() else unicodedata.normalize("NFC", name)
    return " ".join(plain.casefold().split())


@dataclass(frozen=True, kw_only=True)
class FileFormat:
    """How the site's file is written; see ``annulary map format``."""

    encoding: str = "utf-8"
    separator: str = ","
    decimal_mark: str = "."
    date_order: str = DATE_ORDERS[0]
    times: str = ""
    skip_lines: int = 0
    total_rows: tuple[str, ...] = ()
    drop: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class CellRule:
    """Where one field of ours comes from.

    columns
        Source columns; several are joined with ``join`` (a key made of two columns). Empty: a constant.
    constant, when, otherwise
        A fixed word; with ``when`` only where that column is filled, and ``otherwise`` where it is not.
    words
        The words table that turns the site's words into ours.
    default
        What an empty cell stands for.
    factor
        What a number is multiplied with (60: hours to minutes).
    unit
        A unit that may stand behind a number in the cell.
    of_first
        In rows made from a list: only the first of them gets the cell.
    """

    columns: tuple[str, ...] = ()
    join: str = "-"
    constant: str = ""
    when: str = ""
    otherwise: str = ""
    words: str = ""
    default: str = ""
    factor: float = 1.0
    unit: str = ""
    of_first: bool = False

    @property
    def sources(self) -> tuple[str, ...]:
        """Every source column that the rule looks at."""
        return (*self.columns, self.when) if self.when else self.columns


@dataclass(frozen=True, kw_only=True)
class ListRule:
    """How one cell becomes several rows: an injured structure each."""

    column: str
    separators: tuple[str, ...]
    shape: str
    extents_column: str = ""
    structures: str = ""
    extents: str = ""

    @property
    def sources(self) -> tuple[str, ...]:
        """Every source column that the rule looks at."""
        return (self.column, self.extents_column) if self.extents_column else (self.column,)


@dataclass(frozen=True, kw_only=True)
class RowRule:
    """One row of ours that a row of theirs makes.

    when
        The row is made only where this column is filled.
    filled_any
        The numbered columns of a rule that is repeated over columns side by side: where all are empty no row is made.
    """

    table: str
    fields: dict[str, CellRule]
    listed: ListRule | None = None
    when: str = ""
    filled_any: tuple[str, ...] = ()

    @property
    def whole(self) -> bool:
        """Whether a row of theirs states everything that there is of this table for its case."""
        return bool(self.filled_any) or self.listed is not None

    @property
    def sources(self) -> tuple[str, ...]:
        """Every source column that the rule looks at, in order."""
        named = [source for rule in self.fields.values() for source in rule.sources]
        named += [*(self.listed.sources if self.listed else ()), *((self.when,) if self.when else ())]
        return tuple(dict.fromkeys(named))


@dataclass(frozen=True, kw_only=True)
class Deidentify:
    """Which columns of an identified export are replaced on the clinic's own machine."""

    patient_number: str
    pseudonym: str
    birth_date: str = ""
    birth_year: str = ""


@dataclass(frozen=True, kw_only=True)
class Question:
    """A doubt of a drafted map that a person has not answered yet."""

    id: str
    ask: str
    target: tuple[str, ...]
    options: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class ColumnMap:
    """How one site's export becomes rows of our tables."""

    name: str
    sha256: str
    text: str
    site: str = ""
    match: str = "*"
    site_row: dict[str, str] = field(default_factory=dict)
    file: FileFormat = field(default_factory=FileFormat)
    rows: tuple[RowRule, ...] = ()
    words: dict[str, dict[str, str]] = field(default_factory=dict)
    deidentify: Deidentify | None = None
    open_questions: tuple[Question, ...] = ()

    @cached_property
    def columns(self) -> tuple[str, ...]:
        """Every source column that the map uses, in the order in which the rules name them."""
        return tuple(dict.fromkeys(source for rule in self.rows for source in rule.sources))

    @cached_property
    def spelling(self) -> dict[str, str]:
        """A column's name as it is compared -> as the map writes it, of every column that it uses or drops."""
        return {same_column(column): column for column in (*self.columns, *self.file.drop)}

    @cached_property
    def feeds(self) -> dict[str, list[tuple[str, str]]]:
        """Source column -> the (table, field) pairs that its cells feed."""
        fed: dict[str, list[tuple[str, str]]] = {column: [] for column in self.columns}
        for rule in self.rows:
            for name, cell in rule.fields.items():
                for column in cell.columns:
                    fed[column].append((rule.table, name))
            if rule.listed:
                fed[rule.listed.column] += [(rule.table, "structure"), (rule.table, "extent")]
                if rule.listed.extents_column:
                    fed[rule.listed.extents_column].append((rule.table, "extent"))
        return {column: list(dict.fromkeys(pairs)) for column, pairs in fed.items()}

    def words_of(self, column: str) -> tuple[str, ...]:
        """Return the words that the map knows in a source column; none where it has no words table for it."""
        tables = [
            cell.words for rule in self.rows for cell in rule.fields.values() if column in cell.columns and cell.words
        ]
        own: list[str] = []
        for rule in self.rows:
            if rule.listed and column in rule.listed.sources:
                tables += [name for name in (rule.listed.structures, rule.listed.extents) if name]
                own += [*STRUCTURES] if rule.listed.column == column and not rule.listed.structures else []
                own += [] if rule.listed.extents else [*EXTENTS]
        known = [word for name in dict.fromkeys(tables) for word in self.words_table(name)]
        return tuple(dict.fromkeys([*known, *own]))

    def words_table(self, name: str) -> dict[str, str]:
        """Return a words table by name, the built-in one included."""
        return RAY_WORDS if name == RAYS and RAYS not in self.words else self.words[name]
