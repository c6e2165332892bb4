"""``season_report``: the sections put together, and the files written."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from analysis.period import Source, period
from registry.errors import NotWritableError, OptionError
from reports.cautions import CAUTIONS
from reports.document import Block, Caution, Document, Section, Table
from reports.html import html_page
from reports.numbers import numbers_json
from reports.season import doing_what, headline, how_often, methods, minors, people, quality, returning, which
from reports.season.material import Material, gather
from reports.spreadsheet import table_csv

STAMP = "INTERNAL"
"""No option takes it away: until small cells can be suppressed, nothing of this may be published."""
PAGE, NUMBERS, TABLES, FIGURES = "season.html", "numbers.json", "tables", "figures"
SECTIONS: tuple[Callable[[Material], Section], ...] = (
    headline.section,
    people.section,
    how_often.section,
    which.section,
    doing_what.section,
    returning.section,
    minors.section,
    quality.section,
)


@dataclass(frozen=True, kw_only=True)
class SeasonReport:
    """The files of a season report."""

    page: Path
    numbers: Path
    tables: tuple[Path, ...]
    figures: tuple[Path, ...]


def season_document(view: Source, *, starts_on: date, ends_on: date) -> Document:
    """Compute a season report.

    Parameters
    ----------
    view
        An opened registry or freeze.
    starts_on, ends_on
        First and last day of the season, both included.

    Returns
    -------
    The document; the same for the same data and days. What the data do not allow is said in its place.

    Raises
    ------
    OptionError
        When the last day comes before the first.
    """
    material = gather(period(view, starts_on=starts_on, ends_on=ends_on))
    sections = [said_once(section(material)) for section in SECTIONS]
    sections.append(methods.section(material, _methods_used(sections)))
    sections.append(_cautions())
    days = f"{headline.spoken_day(starts_on)} to {headline.spoken_day(ends_on)}"
    identity = {name: view.identity.get(name) for name in ("name", "content_hash", "derivation_version")}
    return Document(
        title="Climbers' finger injuries: season report",
        subtitle=days,
        stamp=STAMP,
        identity=identity,
        sections=tuple(sections),
    )


def season_report(view: Source, *, starts_on: date, ends_on: date, out: str | Path) -> SeasonReport:
    """Write a season report: one HTML page, its tables as CSV, its figures as SVG and PNG, and numbers.json.

    Parameters
    ----------
    view
        An opened registry or freeze.
    starts_on, ends_on
        First and last day of the season, both included.
    out
        Folder to write into; made if missing. An earlier season report in it is replaced.

    Returns
    -------
    SeasonReport: the paths written.

    Raises
    ------
    OptionError
        When the last day comes before the first, or the folder holds something else.
    NotWritableError
        When the folder cannot be written.

    Notes
    -----
    Everything is computed before the first file is written.
    """
    folder = Path(out)
    _check_folder(folder)
    document = season_document(view, starts_on=starts_on, ends_on=ends_on)
    files = _files(document)
    try:
        _clear(folder)
        for name, content in files.items():
            place = folder / name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(content)
    except OSError as error:
        raise NotWritableError(
            f"the report cannot be written to '{folder}' ({error.strerror}); give --out a folder that you may write to."
        ) from None
    written = [folder / name for name in files]
    return SeasonReport(
        page=folder / PAGE,
        numbers=folder / NUMBERS,
        tables=tuple(path for path in written if path.parent.name == TABLES),
        figures=tuple(path for path in written if path.parent.name == FIGURES),
    )


def _files(document: Document) -> dict[str, bytes]:
    files = {PAGE: html_page(document).encode(), NUMBERS: numbers_json(document).encode()}
    for table in document.tables():
        files[f"{TABLES}/{table.key}.csv"] = table_csv(table).encode()
    for figure in document.figures():
        files[f"{FIGURES}/{figure.key}.svg"] = figure.svg
        files[f"{FIGURES}/{figure.key}.png"] = figure.png()
    return files


def _check_folder(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        raise OptionError(f"'{folder}' is a file; give --out a folder.")
    if folder.is_dir() and any(folder.iterdir()) and not (folder / PAGE).exists():
        raise OptionError(f"'{folder}' holds other files; give --out a new or an empty folder.")


def _clear(folder: Path) -> None:
    """Take away the earlier report's tables and figures: one that no longer exists must not be left among the new."""
    for name, endings in ((TABLES, ("csv",)), (FIGURES, ("svg", "png"))):
        for ending in endings:
            for path in sorted((folder / name).glob(f"*.{ending}")):
                path.unlink()


def said_once(section: Section) -> Section:
    """Return the section with each note under the first table that carries it only."""
    heard: set[str] = set()
    blocks: list[Block] = []
    for block in section.blocks:
        if isinstance(block, Table):
            fresh = tuple(note for note in block.notes if note not in heard)
            heard.update(fresh)
            blocks.append(replace(block, notes=fresh))
        else:
            blocks.append(block)
    return replace(section, blocks=tuple(blocks))


def _methods_used(sections: list[Section]) -> tuple[tuple[str, str], ...]:
    places: dict[str, list[str]] = {}
    for section in sections:
        for block in section.blocks:
            if isinstance(block, Table) and block.method:
                titles = places.setdefault(block.method, [])
                if section.title not in titles:
                    titles.append(section.title)
    return tuple((", ".join(titles), method) for method, titles in places.items())


def _cautions() -> Section:
    blocks: list[Block] = [Caution(caution.sentence) for caution in CAUTIONS]
    return Section(key="cautions", title="Cautions", blocks=tuple(blocks))
