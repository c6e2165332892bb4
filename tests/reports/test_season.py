"""The season report is right at every size, and the same for the same data."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from registry.errors import NotWritableError, OptionError
from reports import season_report
from reports.document import Document, Paragraph, Table
from reports.html import html_page
from reports.numbers import numbers_json
from reports.season.report import SeasonReport, season_document

SEASON: dict[str, Any] = {"starts_on": date(2024, 1, 1), "ends_on": date(2024, 12, 31)}
SIZES = [0, 3, 12, 80, 400]


@pytest.fixture(scope="module")
def documents(invented_view: Callable[[int], Any]) -> dict[int, Document]:
    return {n: season_document(invented_view(n), **SEASON) for n in SIZES}


@pytest.mark.parametrize("n", SIZES)
def test_every_section_stands_at_every_size(documents: dict[int, Document], n: int) -> None:
    document = documents[n]
    assert [section.key for section in document.sections] == [
        "headline",
        "people",
        "incidence",
        "which",
        "doing_what",
        "return",
        "minors",
        "quality",
        "methods",
        "cautions",
    ]
    page = html_page(document)
    assert "nan" not in re.findall(r"\bnan\b", page)
    assert "None" not in re.sub(r"base64,[^\"]*", "", page)
    assert "http://" not in page
    assert "https://" not in page
    assert "INTERNAL" in page
    assert all(figure.alt for figure in document.figures())


@pytest.mark.parametrize("n", SIZES)
def test_ids_are_unique(documents: dict[int, Document], n: int) -> None:
    document = documents[n]
    keys = [table.key for table in document.tables()]
    assert len(keys) == len(set(keys))
    figures = [figure.key for figure in document.figures()]
    assert len(figures) == len(set(figures))
    numbers = [number["id"] for number in json.loads(numbers_json(document))["numbers"]]
    in_tables = [name for name in numbers if "/text/" not in name and "/list/" not in name]
    assert len(in_tables) == len(set(in_tables))


def test_few_cases_are_too_few_to_tell(documents: dict[int, Document]) -> None:
    for n in (0, 3):
        gaps = [b for _, b in documents[n].blocks() if isinstance(b, Paragraph) and b.role == "gap"]
        assert gaps
        said = " ".join(str(word) for gap in gaps for word in gap.words).lower()
        assert "too few to tell" in said


def test_the_headline_counts_what_was_put_in(documents: dict[int, Document]) -> None:
    numbers = {n["id"]: n for n in json.loads(numbers_json(documents[400]))["numbers"]}
    assert numbers["headline/headline/fingers"]["value"] == 400
    assert numbers["headline/headline/rate"]["unit"] == "per 1000 hours"
    assert "Poisson" in numbers["headline/headline/rate"]["method"]
    assert "Kaplan-Meier" in numbers["headline/headline/half_back"]["method"]
    assert all(number["method"] for number in numbers.values())
    assert all(number["denominator"] for number in numbers.values() if number["kind"] in ("rate", "share"))
    assert "No finger injury" in html_page(documents[0])


def test_minors_never_stand_in_the_adult_curves(
    documents: dict[int, Document], invented_view: Callable[[int], Any]
) -> None:
    cases = invented_view(400).tables["cases"]
    adults = int((~cases["minor"]).sum())
    tables = {table.key: table for table in documents[400].tables()}
    curves = [table for key, table in tables.items() if re.fullmatch(r"return_(pulley|ligament|fracture|further)", key)]
    assert sum(int(row[1].value or 0) for table in curves for row in table.rows) == adults
    assert sum(int(row[1].value or 0) for row in tables["minors_return"].rows) == 400 - adults


def test_each_table_says_its_unit_and_each_site_its_definition(documents: dict[int, Document]) -> None:
    document = documents[80]
    assert all(
        isinstance(t, Table) and (t.unit or t.key.endswith(("_tests", "_association"))) for t in document.tables()
    )
    page = html_page(document)
    for words in ("medical attention", "time loss", "Consecutive cases", "How climbing time was obtained"):
        assert words in page
    assert "not observed courses" in page


@pytest.fixture(scope="module")
def written(invented_view: Callable[[int], Any], tmp_path_factory: pytest.TempPathFactory) -> SeasonReport:
    return season_report(invented_view(12), **SEASON, out=tmp_path_factory.mktemp("reports") / "season")


def test_files_hold_what_the_page_shows(written: SeasonReport) -> None:
    page = written.page.read_text(encoding="utf-8")
    assert page.count("<table>") == len(written.tables)
    assert page.count("<img ") * 2 == len(written.figures)
    for table in written.tables:
        assert f'id="table-{table.stem}"' in page
        assert len(table.read_text(encoding="utf-8").splitlines()) >= 1


def test_the_same_data_give_the_same_bytes(
    written: SeasonReport, invented_view: Callable[[int], Any], tmp_path: Path
) -> None:
    again = season_report(invented_view(12), **SEASON, out=tmp_path / "again")
    contents = [
        {path.relative_to(report.page.parent): path.read_bytes() for path in report.page.parent.rglob("*.*")}
        for report in (written, again)
    ]
    assert len(contents[0]) > 20
    assert contents[0] == contents[1]


def test_an_earlier_report_leaves_nothing_behind(invented_view: Callable[[int], Any], tmp_path: Path) -> None:
    out = tmp_path / "season"
    season_report(invented_view(80), **SEASON, out=out)
    report = season_report(invented_view(0), **SEASON, out=out)
    kept = {path for path in out.rglob("*") if path.is_file()}
    assert kept == {report.page, report.numbers, *report.tables, *report.figures}


def test_other_files_are_never_touched(invented_view: Callable[[int], Any], tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(OptionError, match="holds other files"):
        season_report(invented_view(0), **SEASON, out=tmp_path)
    with pytest.raises(OptionError, match="is a file"):
        season_report(invented_view(0), **SEASON, out=tmp_path / "notes.txt")
    with pytest.raises(NotWritableError, match="give --out a folder"):
        season_report(invented_view(0), **SEASON, out=Path("/proc/annulary"))
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_the_period_is_what_counts(invented_view: Callable[[int], Any]) -> None:
    view = invented_view(80)
    half = season_document(view, starts_on=date(2024, 1, 1), ends_on=date(2024, 6, 30))
    numbers = {n["id"]: n["value"] for n in json.loads(numbers_json(half))["numbers"]}
    onset = view.tables["cases"]["onset_day"]
    assert numbers["headline/headline/fingers"] == int((onset <= 19723 + 181).sum())
