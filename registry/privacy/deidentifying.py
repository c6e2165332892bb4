"""From an identified export to a delivery, on the clinic's own machine.

The clinic's patient numbers become keyed pseudonyms, birth dates become years, and columns that the map does not use
are left out. What is written is pseudonymised health data, not anonymous data.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from fnmatch import fnmatchcase
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pyarrow as pa

from registry.errors import DeliveryError, IdentifierError, InputError, NotWritableError
from registry.intake.reading import FileForm, TextTable, read_bytes, read_table
from registry.privacy.keyed import DEFAULT_PATTERN, normalised, pseudonym_of, shape_of
from registry.privacy.shapes import identifier_in

if TYPE_CHECKING:
    from registry.maps.model import ColumnMap, Deidentify

SHOWN_ROWS: Final = 20
MOST_EXPECTED_COLLISIONS: Final = 0.01
"""Above this expected number of people who share a pseudonym with another, a longer pattern is advised."""


@dataclass(frozen=True, kw_only=True)
class Deidentified:
    """What was written."""

    path: Path
    rows: int
    people: int
    left_out: tuple[str, ...]
    """Columns of the export that are not in the delivery; by their place where the map does not name them."""
    pattern: str
    notes: tuple[str, ...] = ()


def deidentify(export: str | Path, *, column_map: ColumnMap, key: bytes, out: str | Path | None = None) -> Deidentified:
    """Write an identified export as a delivery that the same map takes in.

    Parameters
    ----------
    export
        A file in the site's own columns (CSV, or a workbook with one filled sheet).
    column_map
        The site's map; its ``[deidentify]`` names the columns of the patient number and of the birth date.
    key
        The secret key, as ``keyed.read_key`` returns it.
    out
        The file to be written; beside the export when None. Nothing is overwritten.

    Returns
    -------
    Deidentified
        The same export under the same key gives the same bytes.

    Raises
    ------
    InputError
        A map without ``[deidentify]``, or one whose pattern no pseudonyms can be made for.
    DeliveryError
        A row without a patient number, with one that is no number, or with a birth date that is none; two people with
        one pseudonym. Rows and columns are named, cells never.
    IdentifierError
        A direct identifier stands in a column that the map uses.
    NotWritableError
        The file is there already, or the place cannot be written.
    """
    plan = column_map.deidentify
    if plan is None or not plan.patient_number or not plan.pseudonym:
        raise InputError(
            f"{column_map.name} has no [deidentify] with patient_number and pseudonym: name the column of the clinic's "
            "own number, and the column that the map reads as the climber."
        )
    _check_map(column_map, plan)
    source = Path(export)
    target = Path(out) if out is not None else _beside(source)
    text = _spelled(_read(source, column_map), column_map, plan)
    pattern = column_map.site_row.get("pseudonym_pattern") or DEFAULT_PATTERN
    pseudonyms, people = _pseudonyms(text, plan.patient_number, key=key, pattern=pattern)
    columns = _kept(text, column_map)
    columns[plan.pseudonym] = pseudonyms
    if plan.birth_date in text.header and plan.birth_year and plan.birth_year not in text.header:
        columns[plan.birth_year] = _years(text, plan.birth_date, order=column_map.file.date_order)
    result = _in_order(text, columns, column_map, plan)
    _check_result(result, column_map, pattern=pattern)
    _write(target, result, column_map)
    return Deidentified(
        path=target,
        rows=result.cells.num_rows,
        people=people,
        left_out=_left_out(text, result, column_map, plan),
        pattern=pattern,
        notes=tuple(_notes(column_map, target, people, pattern)),
    )


def _beside(source: Path) -> Path:
    suffix = ".csv" if source.suffix.lower() == ".xlsx" else source.suffix
    return source.with_name(f"{source.stem}_deidentified{suffix}")


def _check_map(column_map: ColumnMap, plan: Deidentify) -> None:
    for column, what in ((plan.patient_number, "patient number"), (plan.birth_date, "birth date")):
        if column and column in column_map.columns and column not in (plan.pseudonym, plan.birth_year):
            raise InputError(
                f"{column_map.name} lets the {what} (column '{column}') feed a field; it must not reach the registry. "
                "Take it out of [rows.fields]."
            )
    if column_map.open_questions:
        raise InputError(f"questions of {column_map.name} are open; answer them first (annulary map check).")


def _read(source: Path, column_map: ColumnMap) -> TextTable:
    data = read_bytes(source)
    form = FileForm(
        encoding=column_map.file.encoding,
        separator=column_map.file.separator,
        skip_lines=column_map.file.skip_lines,
        total_rows=tuple(column_map.file.total_rows),
        lower_header=False,
    )
    if data.startswith(b"PK\x03\x04"):
        from registry.intake.workbook import read_workbook

        sheets = read_workbook(data, name=source.name, form=form)
        if len(sheets) != 1:
            raise DeliveryError(f"{source.name} has {len(sheets)} filled sheets; save the one that is meant alone.")
        text = sheets[0]
    else:
        text = read_table(data, name=source.name, form=form)
    if text.unreadable:
        rows = [row.line for row in text.unreadable]
        raise DeliveryError(
            f"{source.name}: {_rows(rows)} cannot be laid under the header (too many or too few cells, or signs that "
            "do not belong to the encoding). Nothing was written."
        )
    return text


def _spelled(text: TextTable, column_map: ColumnMap, plan: Deidentify) -> TextTable:
    """Give the columns the map's spelling."""
    known = [*column_map.columns, *column_map.file.drop, plan.patient_number, plan.pseudonym, plan.birth_date]
    spelled = {column.strip().casefold(): column for column in [*known, plan.birth_year] if column}
    header = tuple(spelled.get(column.strip().casefold(), column) for column in text.header)
    if plan.patient_number not in header:
        raise DeliveryError(
            f"{text.name} has no column '{plan.patient_number}', which {column_map.name} names as the patient number. "
            "Nothing was written."
        )
    return replace(text, header=header, cells=text.cells.rename_columns([*header, "line"]))


def _pseudonyms(text: TextTable, column: str, *, key: bytes, pattern: str) -> tuple[list[str], int]:
    """Return one pseudonym a row, and the number of people."""
    numbers = [str(cell or "").strip() for cell in text.cells[column].to_pylist()]
    lines = text.cells["line"].to_pylist()
    missing = [line for number, line in zip(numbers, lines, strict=True) if not number]
    if missing:
        raise DeliveryError(f"{text.name}: {_rows(missing)} without a patient number. Nothing was written.")
    cells = {number: _is_number(number) for number in set(numbers)}
    wrong = [line for number, line in zip(numbers, lines, strict=True) if not cells[number]]
    if wrong:
        raise DeliveryError(
            f"{text.name}: in column '{column}' {_rows(wrong)} with something that is no patient number (no digit in "
            "it, or a name or an address). A pseudonym is never made of a name. Nothing was written."
        )
    shape = shape_of(pattern)
    made = {number: pseudonym_of(number, key=key, shape=shape) for number in cells}
    owner: dict[str, str] = {}
    for number, pseudonym in made.items():
        if owner.setdefault(pseudonym, normalised(number)) != normalised(number):
            both = [line for other, line in zip(numbers, lines, strict=True) if made[other] == pseudonym]
            raise DeliveryError(
                f"{text.name}: two people would get the same pseudonym ({_rows(both)}); the pattern has room for "
                f"{shape.room} only. Declare a longer one, for example {DEFAULT_PATTERN}. Nothing was written."
            )
    return [made[number] for number in numbers], len(owner)


def _is_number(cell: str) -> bool:
    if not any(sign.isdecimal() for sign in cell):
        return False
    return identifier_in(cell, place="key") not in ("a name", "an e-mail address", "a postal address", "free text")


def _years(text: TextTable, column: str, *, order: str) -> list[str]:
    cells = [str(cell or "").strip() for cell in text.cells[column].to_pylist()]
    years = {cell: birth_year(cell, order=order) for cell in set(cells)}
    wrong = [line for cell, line in zip(cells, text.cells["line"].to_pylist(), strict=True) if years[cell] is None]
    if wrong:
        raise DeliveryError(
            f"{text.name}: in column '{column}' {_rows(wrong)} with something that is no date in the map's order "
            f"({order}). Mend or empty those cells. Nothing was written."
        )
    return [years[cell] or "" for cell in cells]


def birth_year(cell: str, *, order: str) -> str | None:
    """Return the year of a birth date, '' for an empty cell, None for what is no date.

    Parameters
    ----------
    cell
        A date in the given order, a date as year-month-day, or a year alone.
    order
        ``day month year``, ``month day year`` or ``year month day``.

    Examples
    --------
    >>> [birth_year(cell, order="day month year") for cell in ("31.12.1994", "1994-12-31", "1994", "", "31.12.94")]
    ['1994', '1994', '1994', '', None]
    """
    if not cell or re.fullmatch(r"(?:19|20)[0-9]{2}", cell):
        return cell
    parts = re.fullmatch(r"([0-9]{1,4})[-./ ]+([0-9]{1,2})[-./ ]+([0-9]{1,4})(?:[ T][0-9:.]+)?", cell)
    if parts is None:
        return None
    named = dict(zip(order.split(), parts.groups(), strict=True))
    if len(parts[1]) == 4:
        named = dict(zip(("year", "month", "day"), parts.groups(), strict=True))
    if len(named["year"]) != 4:
        return None
    try:
        return str(date(int(named["year"]), int(named["month"]), int(named["day"])).year)
    except ValueError:
        return None


def _kept(text: TextTable, column_map: ColumnMap) -> dict[str, list[str]]:
    return {
        column: [str(cell or "") for cell in text.cells[column].to_pylist()]
        for column in text.header
        if column in column_map.columns
    }


def _in_order(text: TextTable, columns: dict[str, list[str]], column_map: ColumnMap, plan: Deidentify) -> TextTable:
    """Lay the columns in the export's order, the pseudonym where the patient number stood."""
    stands_for = {plan.patient_number: plan.pseudonym}
    if plan.birth_date and plan.birth_year and plan.birth_year not in text.header:
        stands_for[plan.birth_date] = plan.birth_year
    replaced = {column for column in stands_for.values() if column not in stands_for}
    order = [stands_for.get(column, column) for column in text.header if column not in replaced]
    header = tuple(column for column in order if column in columns)
    missing = [column for column in column_map.columns if column not in header]
    if missing:
        named = ", ".join(f"'{column}'" for column in missing)
        raise DeliveryError(f"{text.name} lacks {named}, which {column_map.name} uses. Nothing was written.")
    arrays = {column: pa.array(columns[column], pa.string()) for column in header}
    return replace(text, header=header, cells=pa.table({**arrays, "line": text.cells["line"]}))


def _left_out(text: TextTable, result: TextTable, column_map: ColumnMap, plan: Deidentify) -> tuple[str, ...]:
    named = {*column_map.file.drop, plan.patient_number, plan.birth_date}
    return tuple(
        column if column in named else f"column {place}"
        for place, column in enumerate(text.header, start=1)
        if column not in result.header
    )


def _check_result(result: TextTable, column_map: ColumnMap, *, pattern: str) -> None:
    """Judge the delivery as the intake would."""
    import duckdb

    from registry.intake.identifiers import content_refusal
    from registry.intake.refusing import feeds_of_map

    with duckdb.connect(":memory:") as connection:
        refusal = content_refusal(
            connection,
            result,
            feeds=feeds_of_map(column_map),
            pattern=pattern,
            words={column: column_map.words_of(column) for column in column_map.columns},
        )
    if refusal:
        raise IdentifierError(
            f"{result.name}: {refusal.found}. Nothing was written; mend those cells, or take the column out of the map."
        )


def _write(target: Path, result: TextTable, column_map: ColumnMap) -> None:
    written = io.StringIO(newline="")
    written.write("-\r\n" * column_map.file.skip_lines)
    rows = csv.writer(written, delimiter=column_map.file.separator, lineterminator="\r\n")
    rows.writerow(result.header)
    rows.writerows(zip(*(result.cells[column].to_pylist() for column in result.header), strict=True))
    try:
        data = written.getvalue().encode(column_map.file.encoding)
    except UnicodeEncodeError:
        raise DeliveryError(
            f"{result.name} holds signs that the map's encoding ({column_map.file.encoding}) does not have. Nothing "
            "was written."
        ) from None
    try:
        handle = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        raise NotWritableError(f"{target} is there already; nothing is overwritten. Name another --out.") from None
    except OSError as error:
        raise NotWritableError(f"{target} cannot be written ({error.strerror}); name another --out.") from None
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        with suppress(OSError):
            target.unlink()
        raise NotWritableError(f"{target} could not be written ({error.strerror}); nothing was kept.") from None


def _notes(column_map: ColumnMap, target: Path, people: int, pattern: str) -> list[str]:
    notes = []
    room = shape_of(pattern).room
    if people * (people - 1) / 2 > MOST_EXPECTED_COLLISIONS * room:
        notes.append(
            f"the pattern has room for {room} pseudonyms: with more people two of them may one day share one. Declare "
            f"a longer pattern early, for example {DEFAULT_PATTERN}; it makes other pseudonyms."
        )
    if not column_map.site_row.get("pseudonym_pattern"):
        notes.append(f'the map declares no pattern: write pseudonym_pattern = "{pattern}" under [site].')
    if not fnmatchcase(target.name.lower(), column_map.match.lower()):
        notes.append(f"the map is meant for files named {column_map.match}: rename the file before the intake.")
    return notes


def _rows(lines: Sequence[int]) -> str:
    shown = ", ".join(str(line) for line in sorted(lines)[:SHOWN_ROWS]) + (", ..." if len(lines) > SHOWN_ROWS else "")
    return f"{len(lines)} row{'s' if len(lines) != 1 else ''} (row {shown})"
