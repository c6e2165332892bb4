"""Whole exports in their sites' own columns: what is refused, held, taken in, mended and corrected.

The exports and what is wrong in them (truth.json) are invented.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from registry import take_in
from registry.intake.holding import export_held
from registry.intake.mapped import _naming_part
from registry.intake.report import IntakeReport
from registry.maps.applying import NO_FINDINGS, Mapped, Part
from registry.store.connection import connect

EXPORTS = Path(__file__).parents[1] / "exports"
TRUTH: dict[str, dict[str, Any]] = {one["file"]: one for one in json.loads((EXPORTS / "truth.json").read_text("utf-8"))}
CLOCK = datetime(2026, 6, 30, 12, 0)
ENCODING = {"harbour": "cp1252", "valley": "utf-8-sig", "ridge": "utf-8"}
FILES = {"harbour": "harbour_cases.csv", "valley": "valley_cases_wide.csv", "ridge": "ridge_cases.tsv"}
MENDS = {"valley": ("maria.lindqvist@example.org", "P999999"), "ridge": ("12/05/1994", "2009")}
"""Ridge: the year that the climber's other row gives."""


@dataclass
class Site:
    """A site's registry, its export, and what became of it."""

    name: str
    folder: Path
    refused: IntakeReport | None = None
    taken: IntakeReport | None = None

    @property
    def file(self) -> str:
        return FILES[self.name]

    @property
    def text(self) -> str:
        text = (EXPORTS / self.file).read_bytes().decode(ENCODING[self.name])
        return text.replace(*MENDS[self.name]) if self.name in MENDS else text

    def deliver(self, text: str | None = None, *, path: Path | None = None, maps: Path | None = None) -> IntakeReport:
        if path is None:
            path = self.folder / self.file
            path.write_bytes((text or "").encode(ENCODING[self.name]))
        return take_in(
            path,
            registry=self.folder / "registry.duckdb",
            site=self.name,
            maps=maps or EXPORTS / "maps" / f"{self.name}.toml",
            received_at=CLOCK,
        )

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        with connect(self.folder / "registry.duckdb", write=False) as connection:
            return connection.execute(query).fetchall()


@pytest.fixture(scope="module", autouse=True)
def _derive_nothing() -> Iterator[None]:
    """Leave the derived tables away: they take most of a small intake's time and say nothing about maps."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("registry.intake.delivery.store_derived", lambda *_: None)
        patch.setattr("registry.intake.delivery.keep_derived_warnings", lambda *_, **__: None)
        yield


def _site(name: str, factory: pytest.TempPathFactory) -> Site:
    site = Site(name, factory.mktemp(name))
    if name in MENDS:
        site.refused = site.deliver((EXPORTS / FILES[name]).read_bytes().decode(ENCODING[name]))
    site.taken = site.deliver(site.text)
    return site


@pytest.fixture(scope="module")
def harbour(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return _site("harbour", tmp_path_factory)


@pytest.fixture(scope="module")
def valley(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return _site("valley", tmp_path_factory)


@pytest.fixture(scope="module")
def ridge(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return _site("ridge", tmp_path_factory)


HELD = {
    "harbour": [
        (9, "Verletzungsdatum", "impossible_date"),
        (21, "Finger", "unknown_word"),
        (25, "volle Belastung ab", "status_before_onset"),
        (32, "Fallnr", "key_conflict"),
        (33, "Fallnr", "key_conflict"),
        (42, "Abstand mm", "out_of_range"),
    ],
    "valley": [
        (13, "FU1 date", "contact_before_onset"),
        (19, "Ray", "no_such_ray"),
        (27, "Date of injury", "required"),
    ],
    "ridge": [(13, "structures", "unknown_word"), (18, "structures", "lists_differ")],
}


@pytest.mark.parametrize("name", ["harbour", "valley", "ridge"])
def test_exactly_the_rows_of_the_truth_are_held(name: str, request: pytest.FixtureRequest) -> None:
    site: Site = request.getfixturevalue(name)
    assert site.taken is not None
    truth = TRUTH[site.file]
    lines = site.text.splitlines()
    cases = {
        line: lines[line - 1].split({"harbour": ";", "valley": ",", "ridge": "\t"}[name])[0] for line, *_ in HELD[name]
    }
    expected = {key.removeprefix("row of ") for key in truth["must_be_held"]}
    assert set(cases.values()) == expected
    found = site.taken.findings
    holding = found[found["severity"] == "hold"]
    assert list(holding[["row", "column", "code"]].itertuples(index=False, name=None)) == HELD[name]
    assert site.taken.held == len(cases)
    assert site.taken.refusals == []
    duplicates = 1 if "identical_duplicate_of" in truth else 0
    counts = {count.table: count for count in site.taken.tables}
    assert counts["cases"].new == truth["rows"] - len(cases) - duplicates
    assert counts["cases"].repeated == duplicates
    assert site.taken.total_rows == (1 if name == "ridge" else 0)


@pytest.mark.parametrize(("name", "column", "row"), [("valley", "Climber", 7), ("ridge", "annee_naissance", 8)])
def test_an_export_with_an_identifier_is_refused_whole(
    name: str, column: str, row: int, request: pytest.FixtureRequest
) -> None:
    site: Site = request.getfixturevalue(name)
    assert site.refused is not None
    (refusal,) = site.refused.refusals
    assert f"column '{column}'" in refusal.sentence
    assert f"(row {row})" in refusal.sentence
    assert MENDS[name][0] not in refusal.sentence
    assert [count.table for count in site.refused.tables] in ([], ["sites"])
    assert MENDS[name][0].encode() not in (site.folder / "registry.duckdb").read_bytes()


def test_cells_arrive_as_the_export_says_them(harbour: Site, valley: Site, ridge: Site) -> None:
    case = 'SELECT CAST(onset AS VARCHAR), side, digit, grip, mechanism, activity FROM accepted.cases WHERE "case" = '
    assert harbour.rows(case + "'0002'") == [("2023-01-16", "left", "middle", "pocket", None, "hangboard")]
    assert valley.rows(case + "'V-0001'") == [("2023-01-15", "right", "little", "pocket", "slow_pull", None)]
    assert ridge.rows(case + "'0001'") == [("2023-01-11", "right", "ring", "half_crimp", "dynamic_catch", None)]
    finding = 'SELECT structure, joint, extent, gap_mm FROM accepted.findings WHERE "case" = '
    assert harbour.rows(finding + "'0036' ORDER BY structure") == [
        ("a2", None, "complete", 3.9),
        ("a3", None, "complete", None),
    ]
    assert harbour.rows(finding + "'0013'") == [("collateral_ulnar", "pip", "partial", None)]
    assert harbour.rows("SELECT count(*) FROM accepted.imaging WHERE \"case\" IN ('0004', '0005')") == [(1,)]
    assert valley.rows("SELECT DISTINCT fed_by FROM accepted.follow_ups") == [("map_whole",)]
    assert harbour.rows("SELECT line FROM accepted.cases ORDER BY row_id") == sorted(
        harbour.rows("SELECT line FROM accepted.cases")
    )


HARBOUR_MENDS = {
    9: ("Verletzungsdatum", "31.01.2023"),
    21: ("Finger", "Ringfinger"),
    25: ("volle Belastung ab", "10.09.2023"),
    33: ("Fallnr", "0032"),
    42: ("Abstand mm", "2,4"),
}


def test_a_mended_workbook_in_the_sites_own_words_releases_its_rows(harbour: Site, tmp_path: Path) -> None:
    from openpyxl import load_workbook

    (sheet,) = export_held(harbour.folder / "registry.duckdb", out=tmp_path / "held.xlsx", site="harbour")
    book = load_workbook(sheet)
    page = book.worksheets[0]
    header = [cell.value for cell in page[1]]
    assert header[:4] == ["held_id", "file", "row", "reasons"]
    assert sorted(header[4:]) == sorted(harbour.text.splitlines()[0].split(";"))
    for row in page.iter_rows(min_row=2):
        line = int(row[2].value)
        if line in HARBOUR_MENDS:
            column, cell = HARBOUR_MENDS[line]
            row[header.index(column)].value = cell
    book.save(tmp_path / "mended.xlsx")
    report = harbour.deliver(path=tmp_path / "mended.xlsx")
    assert report.released == 6
    assert harbour.rows("SELECT DISTINCT standing FROM held") == [("released",)]
    assert harbour.rows("SELECT count(*) FROM accepted.cases WHERE superseded_by IS NULL") == [(120,)]
    assert harbour.rows("SELECT gap_mm FROM accepted.findings WHERE \"case\" = '0041'") == [(2.4,)]
    assert harbour.rows("SELECT digit FROM accepted.cases WHERE \"case\" = '0020'") == [("ring",)]


def test_a_mended_csv_in_the_sites_own_words_releases_its_rows(ridge: Site, tmp_path: Path) -> None:
    (sheet,) = export_held(ridge.folder / "registry.duckdb", out=tmp_path / "held.csv", site="ridge")
    rows = list(csv.DictReader(io.StringIO(sheet.read_text("utf-8-sig"))))
    assert "commentaire" not in rows[0]
    for row in rows:
        if row["row"] == "13":
            row["structures"] = row["structures"].replace("a9", "a3")
        else:
            row["gravite"] = "|".join(["partial"] * len(row["structures"].split("|")))
    page = io.StringIO()
    writer = csv.DictWriter(page, list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    (tmp_path / "mended.csv").write_text(page.getvalue(), encoding="utf-8")
    report = ridge.deliver(path=tmp_path / "mended.csv")
    assert report.released == 2
    assert ridge.rows("SELECT count(*) FROM accepted.cases") == [(75,)]


def test_a_corrected_export_in_full_replaces_revises_and_never_keeps_what_is_dropped(
    valley: Site, tmp_path: Path
) -> None:
    text = valley.text
    lines = text.splitlines()
    row_2, row_13, row_19, row_27 = (lines[n - 1].split(",") for n in (2, 13, 19, 27))
    header = lines[0].split(",")
    row_2[header.index("FU1 date")] = "03/16/2023"
    row_2[header.index("Grip")] = "crimp"
    row_13[header.index("FU1 date")] = ""
    row_13[header.index("FU1 status")] = ""
    row_27[header.index("Date of injury")] = "05/01/2023"
    for number, row in ((2, row_2), (13, row_13), (19, row_19), (27, row_27)):
        lines[number - 1] = ",".join(row)
    lines = [f"{line},{'Batch' if number == 0 else 'zqx7741'}" for number, line in enumerate(lines)]
    column_map = (EXPORTS / "maps" / "valley.toml").read_text("utf-8")
    (tmp_path / "valley.toml").write_text(column_map.replace("[file]", '[file]\ndrop = ["BATCH"]'), encoding="utf-8")
    report = valley.deliver("\n".join(lines) + "\n", maps=tmp_path / "valley.toml")

    assert report.held == 1  # row 19, whose ray nobody has mended
    assert valley.rows("SELECT line, standing FROM held ORDER BY held_id") == [
        (13, "replaced"),
        (19, "replaced"),
        (27, "replaced"),
        (19, "open"),
    ]
    counts = {count.table: count for count in report.tables}
    assert (counts["cases"].new, counts["cases"].revised, counts["cases"].unchanged) == (2, 1, 86)
    contacts = "SELECT CAST(seen AS VARCHAR) FROM accepted.follow_ups WHERE \"case\" = 'V-0001' AND superseded_by IS "
    assert valley.rows(contacts + "NULL ORDER BY seen") == [("2023-03-16",), ("2023-05-13",)]
    assert valley.rows(contacts + "NOT NULL") == [("2023-03-15",)]
    kept = (valley.folder / "registry.duckdb").read_bytes()
    assert b"V-0018" in kept
    assert b"zqx7741" not in kept


HOURS_MAP = """
[map]
format = 1
match = "hours*.csv"
[file]
separator = ";"
decimal_mark = ","
date_order = "day month year"
[[rows]]
table = "athletes"
[rows.fields]
athlete = "Climber"
sex = { column = "Sex", words = "sex", default = "unknown" }
[[rows]]
table = "exposure"
[rows.fields]
athlete = "Climber"
starts_on = "From"
ends_on = "To"
discipline = { constant = "bouldering" }
minutes_total = { column = "Hours", factor = 60, unit = "h" }
[words.sex]
w = "female"
"""


def test_several_maps_in_one_delivery_and_a_later_row_of_the_same_climber(tmp_path: Path) -> None:
    site = Site("harbour", tmp_path)
    (tmp_path / "hours.toml").write_text(HOURS_MAP, encoding="utf-8")
    folder = tmp_path / "delivery"
    folder.mkdir()
    lines = site.text.splitlines()[:4]
    lines[0] = lines[0].replace("Befund", " BEFUND ").replace("Sono am", "sono  am")
    lines[1] = lines[1].replace("A4 Zerrung", "A4 Zerrung + A4 Ruptur")
    lines[2] = lines[2].replace("A2 Ruptur", "")
    lines[3] = lines[3].replace("A2 Teilruptur", "A2")
    (folder / site.file).write_bytes("\n".join(lines).encode("cp1252"))
    rows = ["Climber;Sex;From;To;Hours", "P051897;w;02.01.2023;08.01.2023;7,5 h", "P051897;w;09.01.2023;15.01.2023;x"]
    (folder / "hours_1.csv").write_text("\n".join(rows), encoding="utf-8")
    maps = [EXPORTS / "maps" / "harbour.toml", tmp_path / "hours.toml"]
    registry = tmp_path / "registry.duckdb"
    first = take_in(folder, registry=registry, site="harbour", maps=maps, received_at=CLOCK)
    assert list(first.findings[["row", "column", "code"]].itertuples(index=False, name=None)) == [
        (2, "Befund", "listed_twice"),
        (3, "Befund", "required"),
        (4, "Befund", "extent_missing"),
        (3, "Hours", "not_a_number"),
    ]
    assert "keep the entry that is right" in first.findings["message"][0]
    assert site.rows("SELECT minutes_total FROM accepted.exposure") == [(450,)]

    later = tmp_path / "hours_2.csv"
    later.write_text(
        f"{rows[0]}\nP051897;w;16.01.2023;22.01.2023;1\nP051897;w;09.01.2023;15.01.2023;0,5", encoding="utf-8"
    )
    take_in(later, registry=registry, site="harbour", maps=maps[1], received_at=CLOCK)
    hours = "SELECT line, standing FROM held WHERE file LIKE 'hours%'"
    assert site.rows(hours) == [(3, "replaced")]
    assert site.rows("SELECT sum(minutes_total) FROM accepted.exposure") == [(540,)]


def test_another_row_of_the_climber_does_not_stand_for_a_held_one() -> None:
    cells = pa.table({"athlete": ["P051897"], "starts_on": ["2023-01-09"], "line": [3]})
    parts = [Part("athletes", cells.select(["athlete", "line"]), False, {}), Part("exposure", cells, False, {})]
    assert _naming_part(Mapped(parts, NO_FINDINGS)).table == "exposure"
    assert _naming_part(Mapped([*parts, Part("cases", cells, False, {})], NO_FINDINGS)).table == "cases"
