"""The files of a delivery: which are read, how, and as what."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa

from registry.dictionary import TABLES
from registry.errors import DeliveryError
from registry.intake.identifiers import Refusal, refusal_by_columns
from registry.intake.reading import FileForm, TextTable, read_bytes, read_table
from registry.intake.recognising import (
    HELD_ID,
    READ_AS_OURS,
    READ_WITH_A_MAP,
    RecognisedFile,
    delivered_files,
    recognise,
)
from registry.intake.refusing import whole_workbooks
from registry.intake.workbook import DAMAGED, read_workbook, sheets_not_read
from registry.maps.model import same_column

if TYPE_CHECKING:
    from registry.maps.model import ColumnMap

WORKBOOK_STARTS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
"""The first bytes of a workbook of today, and of one of the old kind, which is refused with the way to save it."""


def hidden_sheets(path: Path) -> list[str]:
    """Name the hidden sheets of a workbook, which are not read."""
    data = read_bytes(path)
    return sheets_not_read(data, name=_plain_name(path)) if data.startswith(WORKBOOK_STARTS[0]) else []


HELD_FORM = FileForm(lower_header=False)
"""How sheets of held rows are written; the columns among them that are a site's own keep their spelling."""
HELD_START = re.compile(rb'"?%s"?([,;\t|])' % HELD_ID.encode())
MOST_PARTS, BEGINNING = 20, 1 << 20
"""How many parts of a workbook, and how much of each, are looked at to tell a sheet of held rows."""


@dataclass(frozen=True)
class Incoming:
    """A delivery's files as text, and those that their columns already give away."""

    files: list[RecognisedFile] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)


def read_delivery(places: Sequence[Path], *, maps: Sequence[ColumnMap], site: str) -> Incoming:
    """Read all files; every file that cannot be read is named, not only the first.

    Raises
    ------
    DeliveryError
    """
    _check_maps(maps, site=site)
    incoming = Incoming()
    faults: list[str] = []
    for path in delivered_files(places, endings=READ_WITH_A_MAP if maps else READ_AS_OURS):
        column_map = _map_for(path, maps)
        try:
            _read_file(path, column_map, incoming)
        except DeliveryError as error:
            meant = ", ".join(one.match for one in maps) if column_map is None else ""
            faults.append(
                f"{error} Was it meant for --map? That is for files named {meant}: rename the file, or correct 'match' "
                "in the map."
                if meant
                else str(error)
            )
    if faults:
        raise DeliveryError("\n".join([*faults, "Nothing was taken in."]))
    incoming = Incoming(*whole_workbooks(incoming.files, incoming.refusals))
    names = [file.text.name for file in incoming.files]
    if len(names) != len(set(names)):
        raise DeliveryError("two files of the delivery have the same name; give each its own. Nothing was taken in.")
    used = {file.map_hash for file in incoming.files}
    site_rows = [_site_row(column_map) for column_map in maps if column_map.site_row and column_map.sha256 in used]
    return replace(incoming, files=site_rows[:1] + incoming.files)


def _check_maps(maps: Sequence[ColumnMap], *, site: str) -> None:
    for column_map in maps:
        if column_map.open_questions:
            n = len(column_map.open_questions)
            raise DeliveryError(
                f"{column_map.name}: {n} question{'s' if n != 1 else ''} of the map "
                f"{'are' if n != 1 else 'is'} open. Fill in each 'answer' (annulary map check FILE --map MAP shows "
                "what it does), then deliver again. Nothing was taken in."
            )
        if column_map.site and column_map.site != site:
            raise DeliveryError(
                f"{column_map.name} is the map of another site than --site {site}. Check which of the two is right. "
                "Nothing was taken in."
            )


def _map_for(path: Path, maps: Sequence[ColumnMap]) -> ColumnMap | None:
    name = _plain_name(path).lower()
    return next((one for one in maps if fnmatchcase(name, one.match.lower())), None)


def _read_file(path: Path, column_map: ColumnMap | None, incoming: Incoming) -> None:
    data, name = read_bytes(path), _plain_name(path)
    form = _held_form(data) or form_of(column_map)
    texts = (
        read_workbook(data, name=name, form=form)
        if data.startswith(WORKBOOK_STARTS)
        else [read_table(data, name=name, form=form)]
    )
    for text in texts:
        if text.header[0] == HELD_ID:
            incoming.files.append(RecognisedFile(text))  # what each of its columns feeds is judged with the cells
            continue
        if column_map is not None:
            incoming.files.append(RecognisedFile(_as_mapped(text, column_map), column_map=column_map))
            continue
        refusal = refusal_by_columns(text.name, text.sha256, text.header)
        if refusal:
            incoming.refusals.append(refusal)
        else:
            incoming.files.append(recognise(text))


def _held_form(data: bytes) -> FileForm | None:
    """Return how a sheet of held rows is written, whatever the site's own files look like; None for another file.

    It is written by us with commas, but a spreadsheet program saves it with the separator of its own country.
    """
    if not data.startswith(WORKBOOK_STARTS[0]):
        found = HELD_START.match(data.removeprefix(b"\xef\xbb\xbf"))
        return replace(HELD_FORM, separator=found[1].decode()) if found else None
    with suppress(*DAMAGED), zipfile.ZipFile(io.BytesIO(data)) as container:
        texts = [part for part in container.namelist() if part.startswith(("xl/sharedStrings", "xl/worksheets/sheet"))]
        for part in texts[:MOST_PARTS]:
            with container.open(part) as stream:
                if f">{HELD_ID}<".encode() in stream.read(BEGINNING):
                    return HELD_FORM
    return None


def form_of(column_map: ColumnMap | None) -> FileForm:
    """Return how the files of a map are written; files in our own columns are UTF-8 with commas."""
    if column_map is None:
        return FileForm()
    file = column_map.file
    return FileForm(
        encoding=file.encoding,
        separator=file.separator,
        skip_lines=file.skip_lines,
        total_rows=file.total_rows,
        lower_header=False,
    )


def _as_mapped(text: TextTable, column_map: ColumnMap) -> TextTable:
    """Give the file's columns the map's spelling; refuse one that the map neither uses nor drops."""
    renamed = [column_map.spelling.get(same_column(column)) for column in text.header]
    unknown = [place for place, column in enumerate(renamed, start=1) if column is None]
    if unknown:
        listed = ", ".join(str(place) for place in unknown[:10])
        raise DeliveryError(
            f"{text.name}: the map {column_map.name} neither uses nor drops column {listed} of the header. Name it in "
            "the map, under a field or in 'drop'."
        )
    twice = [place for place, column in enumerate(renamed, start=1) if column in renamed[: place - 1]]
    if twice:
        raise DeliveryError(f"{text.name}: column {twice[0]} has the name of an earlier one; rename or remove it.")
    missing = [column for column in column_map.columns if column not in renamed]
    if missing:
        listed = ", ".join(f"'{column}'" for column in missing[:10])
        raise DeliveryError(
            f"{text.name}: the map {column_map.name} uses column {listed}, which the file does not have. Check the "
            "file's header (and how many lines stand before it), or mend the map."
        )
    header = tuple(column for column in renamed if column is not None)
    return replace(text, header=header, cells=text.cells.rename_columns([*header, "line"]))


def _site_row(column_map: ColumnMap) -> RecognisedFile:
    """The row of ``sites`` that a map holds, as if it had been delivered."""
    row = {"site": column_map.site, **column_map.site_row}
    cells = pa.table({**{name: pa.array([value]) for name, value in row.items()}, "line": pa.array([2], pa.int64())})
    text = TextTable(f"{column_map.name} [site]", f"{column_map.sha256}-site", tuple(row), cells)
    return RecognisedFile(text, TABLES["sites"])


def _plain_name(path: Path) -> str:
    """Return the file's name without characters that a terminal would obey or a text cannot hold."""
    return "".join(character if character.isprintable() else "?" for character in path.name)
