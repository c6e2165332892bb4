"""What a table and a field are: every fact about a field is one record, and all else derives from it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

Kind = Literal["text", "code", "integer", "number", "date", "year", "pseudonym", "key", "codes", "findings"]
"""text: short free token · code: one of a list · integer, number · date: ISO 8601 day · year: four digits
· pseudonym: a climber or squad, matching the site's pattern · key: a row's own name inside its site
· codes: several codes in one cell · findings: structures with extents (``a2:complete; a3:partial``)."""

UNKNOWN, NOT_APPLICABLE = "unknown", "not_applicable"
MISSING_WORDS = {
    UNKNOWN: "asked, and not known",
    NOT_APPLICABLE: "cannot be said of this row",
}
"""An empty cell is the third face of missing: not recorded."""

EARLIEST_DATE = date(1950, 1, 1)
"""Dates before this are typing errors; it only has to lie before any climber's oldest date."""


@dataclass(frozen=True)
class Code:
    """One word that a field may hold."""

    word: str
    meaning: str = ""


@dataclass(frozen=True, kw_only=True)
class Field:
    """One column of a delivery."""

    name: str
    kind: Kind
    label: str
    description: str = ""
    required: bool = False
    codes: tuple[Code, ...] = ()
    unit: str = ""
    low: float | None = None
    high: float | None = None
    warn_above: float | None = None
    showable: bool = False
    """May a message repeat the value? Only where the value cannot identify anyone."""
    may_be_future: bool = False
    max_length: int = 60
    """Characters that a text, key or pseudonym may have; free text is not taken."""
    refers_to: str = ""
    """The table whose key this field holds."""
    also_read: tuple[str, float] | None = None
    """Another column name, and the factor that turns its unit into ours."""
    source: str = ""

    @property
    def words(self) -> tuple[str, ...]:
        """The codes, without their meanings."""
        return tuple(code.word for code in self.codes)

    @property
    def accepted_words(self) -> tuple[str, ...]:
        """The codes and, where the field is optional, the words for missing."""
        extra = () if self.required else tuple(MISSING_WORDS)
        return self.words + tuple(word for word in extra if word not in self.words)


@dataclass(frozen=True, kw_only=True)
class Table:
    """One table of a delivery: what a row is, its natural key, its fields."""

    name: str
    one_row_is: str
    key: tuple[str, ...]
    fields: tuple[Field, ...]
    either: tuple[tuple[str, ...], ...] = ()
    """Groups of fields of which at least one must be filled."""
    exclusive: tuple[tuple[str, str], ...] = ()
    """Pairs of fields of which only one may be filled."""
    ordered: tuple[tuple[str, str], ...] = ()
    """Pairs (earlier, later) of dates or numbers."""
    description: str = ""

    def __getitem__(self, name: str) -> Field:
        """Return the field of that name."""
        for field in self.fields:
            if field.name == name:
                return field
        raise KeyError(name)

    @property
    def names(self) -> tuple[str, ...]:
        """The field names in order."""
        return tuple(field.name for field in self.fields)

    @property
    def parents(self) -> tuple[str, ...]:
        """The tables whose rows this table's rows depend on."""
        return tuple(dict.fromkeys(field.refers_to for field in self.fields if field.refers_to))


def codes(text: str) -> tuple[Code, ...]:
    """Read a code list written as ``word: meaning`` lines or as words with spaces between them."""
    if ":" not in text:
        return tuple(Code(word) for word in text.split())
    listed = []
    for line in text.strip().splitlines():
        word, _, meaning = line.partition(":")
        listed.append(Code(word.strip(), meaning.strip()))
    return tuple(listed)
