"""One cell of theirs becomes one cell of ours: words, dates and numbers, each read in the one way that was declared.

Nothing is guessed. What cannot be read in that way keeps its text and gets a reason code.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping
from datetime import date
from decimal import Decimal, localcontext

from registry.dictionary import MISSING_WORDS, Field
from registry.maps.model import LEAVE_OUT, MONTHS, RAYS, CellRule, ColumnMap

Read = tuple[str, str]
"""(our text, reason code or '')."""

BLANKS = " \t\u00a0\u202f"
ISO_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
MIDNIGHT = re.compile(r"[ T]00:00(:00)?(\.0+)?$")
TIME_OF_DAY = re.compile(r"[ T][0-9]{1,2}:[0-9]{2}(:[0-9]{2}(\.[0-9]+)?)?$")
NAMED_MONTH = (
    (re.compile(r"([0-9]{1,2})[. /-]{1,2}([^\W\d_]+)[.,]?[ /-]?([0-9]{4})"), (3, 2, 1)),
    (re.compile(r"([^\W\d_]+)[.]?[ /-]?([0-9]{1,2})[.,]?[ /-]([0-9]{4})"), (3, 1, 2)),
    (re.compile(r"([0-9]{4})[ /-]([^\W\d_]+)[.]?[ /-]([0-9]{1,2})"), (1, 2, 3)),
)
"""A date whose month is a word can be read in one way only, whatever its order; the words are the map's."""
DATE_PARTS = {
    "day month year": (re.compile(r"([0-9]{1,2})([./-])\s?([0-9]{1,2})\2\s?([0-9]{4})"), (4, 3, 1)),
    "month day year": (re.compile(r"([0-9]{1,2})([./-])\s?([0-9]{1,2})\2\s?([0-9]{4})"), (4, 1, 3)),
    "year month day": (re.compile(r"([0-9]{4})([./-])\s?([0-9]{1,2})\2\s?([0-9]{1,2})"), (1, 3, 4)),
}
"""Order -> the shape of a date, and the groups that are year, month and day. The year has four digits."""
WITH_COMMA = re.compile(r"([+-]?[0-9]+),([0-9]+)")
POINT_BUT_NO_THOUSANDS = re.compile(r"[+-]?[0-9]+\.([0-9]{1,2}|[0-9]{4,})")
"""A point that cannot stand before a group of thousands: typed numbers of a workbook arrive like this."""
PLAIN_NUMBER = re.compile(r"[+-]?[0-9]{1,15}(\.[0-9]{1,15})?")


def same_word(text: str) -> str:
    """Return a word as it is compared: without regard to case, doubled blanks, and blanks against underscores.

    Accents are the same whether a program writes them as one sign or as two.

    Examples
    --------
    >>> same_word("  Collateral_ULNAR  pip ")
    'collateral ulnar pip'
    """
    plain = text if text.isascii() else unicodedata.normalize("NFC", text)
    return " ".join(plain.replace("_", " ").casefold().split())


def reader_of(field: Field, rule: CellRule, column_map: ColumnMap) -> Callable[[str], Read]:
    """Return the function that reads one cell for a field.

    Parameters
    ----------
    field
        Our field.
    rule
        Where the field comes from.
    column_map
        The map, for its words, its order of dates and its decimal mark.
    """
    read = _reader(field, rule, column_map)

    def of_cell(cell: str) -> Read:
        text = cell.strip(BLANKS)
        return read(text) if text else (rule.default, "")

    return of_cell


def _reader(field: Field, rule: CellRule, column_map: ColumnMap) -> Callable[[str], Read]:
    if rule.words:
        return _word_reader(field, column_map.words_table(rule.words), rays=rule.words == RAYS)
    if field.kind == "date":
        months = {same_word(name).rstrip("."): int(n) for name, n in column_map.words.get(MONTHS, {}).items()}
        cut = column_map.file.times == LEAVE_OUT
        return lambda text: read_date(text, order=column_map.file.date_order, months=months, without_time=cut)
    if field.kind in ("integer", "number", "year"):
        return lambda text: read_number(
            text, mark=column_map.file.decimal_mark, factor=rule.factor, whole=field.kind != "number", unit=rule.unit
        )
    return lambda text: (text, "")


def passes_as_it_is(field: Field, rule: CellRule) -> bool:
    """Whether a cell becomes ours without being read: it has no words table and is no date and no number."""
    return not rule.words and field.kind not in ("date", "integer", "number", "year")


def _word_reader(field: Field, words: Mapping[str, str], *, rays: bool) -> Callable[[str], Read]:
    known = {same_word(word): ours for word, ours in words.items()}
    own = {same_word(word): word for word in (*field.accepted_words, *MISSING_WORDS)}
    unknown = "no_such_ray" if rays else "unknown_word"

    def of_word(text: str) -> Read:
        word = same_word(text)
        found = known.get(word, own.get(word))
        return (found, "") if found is not None else (text, unknown)

    if field.kind != "codes":
        return of_word

    def of_words(text: str) -> Read:
        if same_word(text) in known:
            return of_word(text)
        parts = [of_word(part) for part in re.split(r"[;,+/|]", text) if part.strip(BLANKS)]
        faults = [code for _, code in parts if code]
        return (text, faults[0]) if faults else ("; ".join(ours for ours, _ in parts if ours), "")

    return of_words


def read_date(text: str, *, order: str, months: Mapping[str, int] | None = None, without_time: bool = False) -> Read:
    """Read a date in the declared order; year-month-day is always read, because it has one meaning only.

    Parameters
    ----------
    months
        Name of a month, as ``same_word`` writes it -> 1 to 12; without it no name of a month is read.
    without_time
        Leave the time of day out; midnight always is.

    Examples
    --------
    >>> read_date("12.01.2023", order="day month year"), read_date("31.02.2024", order="day month year")
    (('2023-01-12', ''), ('31.02.2024', 'impossible_date'))
    >>> read_date("1/2/23", order="day month year"), read_date("2023-01-12", order="month day year")
    (('1/2/23', 'not_a_date'), ('2023-01-12', ''))
    >>> [read_date("3-Apr-2023", order="day month year", months=months) for months in ({"apr": 4}, None)]
    [('2023-04-03', ''), ('3-Apr-2023', 'not_a_date')]
    """
    if same_word(text) in _MISSING:
        return _MISSING[same_word(text)], ""
    day = (TIME_OF_DAY if without_time else MIDNIGHT).sub("", text)
    if ISO_DATE.fullmatch(day):
        return (day, "") if _day(day[:4], day[5:7], day[8:]) else (text, "impossible_date")
    shape, groups = DATE_PARTS[order]
    found = shape.fullmatch(day)
    named = None if found or not months else _with_named_month(day, months)
    if not found and not named:
        return text, "not_a_date"
    read = _day(*(named or ())) if named else _day(*(found.group(group) for group in groups)) if found else None
    return (read.isoformat(), "") if read else (text, "impossible_date")


def _with_named_month(day: str, months: Mapping[str, int]) -> tuple[str, str, str] | None:
    """Return (year, month, day) of a date whose month is one of the map's words."""
    for shape, groups in NAMED_MONTH:
        found = shape.fullmatch(day)
        if found:
            year, month, number = (found.group(group) for group in groups)
            known = months.get(same_word(month))
            return None if known is None else (year, str(known), number)
    return None


_MISSING = {same_word(word): word for word in MISSING_WORDS}


def _day(year: str, month: str, day: str) -> date | None:
    try:
        return date(int(year), int(month), int(day))
    except ValueError:
        return None


def read_number(text: str, *, mark: str, factor: float = 1.0, whole: bool = False, unit: str = "") -> Read:
    """Read a number with the declared decimal mark; marks between thousands are not read.

    Parameters
    ----------
    factor
        What it is multiplied with.
    whole
        Round the product to a whole number.
    unit
        A unit that may stand behind the number; any other text there makes it no number.

    Examples
    --------
    >>> read_number("3,2", mark=","), read_number("1.234", mark=","), read_number("3,2 mm", mark=",", unit="mm")
    (('3.2', ''), ('1.234', 'not_a_number'), ('3.2', ''))
    >>> read_number("1.5", mark=".", factor=60, whole=True)
    ('90', '')
    """
    if same_word(text) in _MISSING:
        return _MISSING[same_word(text)], ""
    bare = text[: -len(unit)].rstrip(BLANKS) if unit and text.casefold().endswith(unit.casefold()) else text
    plain = bare
    if mark == ",":
        found = WITH_COMMA.fullmatch(bare)
        if found:
            plain = f"{found.group(1)}.{found.group(2)}"
        elif "." in bare and not POINT_BUT_NO_THOUSANDS.fullmatch(bare):
            return text, "not_a_number"
    if factor == 1.0:
        return plain, ""  # what is no number is found by the check of our own field
    if not PLAIN_NUMBER.fullmatch(plain):
        return text, "not_a_number"
    with localcontext(prec=60):  # fifteen digits on each side of the point, times a factor: nothing is cut
        product = Decimal(plain) * Decimal(str(factor))
        return f"{(product.quantize(Decimal(1)) if whole else product).normalize():f}", ""
