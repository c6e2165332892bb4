"""Spoil n cells of a clean delivery: exactly those n findings, at their places, no spoiled value in any message.

The delivery is a site of the invented federation, so every table and the flat sheet are spoiled.
"""

from __future__ import annotations

import csv
import re
import shutil
import tempfile
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from registry import take_in
from registry.dictionary import Field, Table
from registry.intake.recognising import ALL_TABLES
from synthetic_data import write_federation

CLOCK = datetime(2026, 6, 30)
NOBODY = "ZZ99999"
"""A pseudonym of the right shape that no climber has."""

SPOILS: dict[str, tuple[tuple[str, str], ...]] = {
    "code": (("zzyzx_quorl", "unknown_code"),),
    "codes": (("zzyzx_quorl", "unknown_code"), ("other;zzyzx", "unknown_code")),
    "findings": (("zzyzx_quorl", "bad_list"), ("a2:zzyzx", "unknown_code"), ("a2:complete,a4:partial", "bad_list")),
    "date": (
        ("zzyzx/quorl", "not_a_date"),
        ("31.01.2024", "not_a_date"),
        ("2025-02-29", "impossible_date"),
        ("1931-01-31", "date_out_of_range"),
    ),
    "integer": (("zzyzx", "not_an_integer"), ("3.25", "not_an_integer"), ("3,25", "decimal_comma")),
    "number": (("zzyzx", "not_a_number"), ("3,25", "decimal_comma")),
    "year": (("zzyzx", "not_a_year"), ("994", "not_a_year")),
}


@dataclass(frozen=True)
class Site:
    """A site's clean delivery: its folder, and the rows of its files (the header first)."""

    code: str
    folder: Path
    files: dict[str, list[list[str]]]


@dataclass(frozen=True)
class Spoiled:
    """One cell and what is put into it: ``row`` as in the file, the header is row 1."""

    table: str
    row: int
    column: str
    cell: str
    code: str


@cache
def sites() -> tuple[Site, ...]:
    """Write the federation once; the folder goes when the tests are over."""
    place = tempfile.TemporaryDirectory()
    KEPT.append(place)
    federation = write_federation(Path(place.name) / "federation", climbers=30, seasons=1, seed=3, untidy=False)
    return tuple(Site(site.code, site.folder, _files(site.folder)) for site in federation.sites)


KEPT: list[tempfile.TemporaryDirectory[str]] = []


def _files(folder: Path) -> dict[str, list[list[str]]]:
    files = {}
    for path in sorted(folder.glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            files[path.stem] = list(csv.reader(file))
    return files


def spoils(table: Table, field: Field) -> list[tuple[str, str]]:
    """Return what may be put into a cell of the field, each with the code that must follow."""
    if field.name in ("site", "pseudonym_pattern"):
        return []  # they decide on the whole delivery
    if field.kind == "pseudonym":
        return [(NOBODY, "unknown_parent")] if field.refers_to and len(table.parents) == 1 and field.required else []
    if field.refers_to:
        return [("ZZYZX99", "unknown_parent"), ("", "required")]
    if field.kind == "key" and field.name in table.key:
        return []  # another key is another row
    chosen = list(SPOILS.get(field.kind, [("q+" * (field.max_length // 2 + 1), "too_long")]))
    if field.kind in ("integer", "number", "year"):
        chosen += [(f"{field.high + 7:.0f}", "out_of_range")] if field.high is not None else []
        chosen += [(f"{field.low - 7:.0f}", "out_of_range")] if field.low is not None and field.kind != "year" else []
    if field.required:
        chosen.append(("", "required"))
    return chosen


@st.composite
def deliveries(draw: st.DrawFn) -> tuple[Site, tuple[Spoiled, ...]]:
    """Draw a site and the cells to spoil: at most one a field of a row, anywhere in its files."""
    site = draw(st.sampled_from(sites()))
    places: dict[tuple[str, int, str], Spoiled] = {}
    for _ in range(draw(st.integers(1, 12))):
        name = draw(st.sampled_from(sorted(site.files)))
        table, (header, *rows) = ALL_TABLES[name], site.files[name]
        field = table[draw(st.sampled_from([column for column in header if spoils(table, table[column])]))]
        row = draw(st.integers(2, len(rows) + 1))
        cell, code = draw(st.sampled_from(spoils(table, field)))
        places[name, row, field.name] = Spoiled(name, row, field.name, cell, code)
    return site, tuple(places.values())


def expected(spoiled: tuple[Spoiled, ...]) -> set[tuple[str, int, str, str]]:
    """Return the findings that must follow: rows whose cells are wrong are not looked up in other tables."""
    wrong = {(cell.table, cell.row) for cell in spoiled if cell.code != "unknown_parent"}
    return {
        (f"{cell.table}.csv", cell.row, cell.column, cell.code)
        for cell in spoiled
        if cell.code != "unknown_parent" or (cell.table, cell.row) not in wrong
    }


def waiting(site: Site, spoiled: tuple[Spoiled, ...]) -> set[tuple[str, int]]:
    """Return the rows that hang on a spoiled row: found by following the keys through the files."""
    held = {(cell.table, cell.row) for cell in spoiled}
    before = -1
    while len(held) != before:
        before = len(held)
        lost = {
            parent: {
                row[header.index(ALL_TABLES[parent].key[0])]
                for number, row in enumerate(rows, start=2)
                if (parent, number) in held
            }
            for parent, (header, *rows) in site.files.items()
            if parent in ("athletes", "cases")
        }
        for name, (header, *rows) in site.files.items():
            for field in ALL_TABLES[name].fields:
                if field.refers_to in lost and field.name in header:
                    place = header.index(field.name)
                    held |= {
                        (name, number)
                        for number, row in enumerate(rows, start=2)
                        if row[place] in lost[field.refers_to]
                    }
    return held - {(cell.table, cell.row) for cell in spoiled}


def deliver(site: Site, spoiled: tuple[Spoiled, ...], folder: Path) -> None:
    shutil.copytree(site.folder, folder)
    for name in {cell.table for cell in spoiled}:
        header, *rows = ([*row] for row in site.files[name])
        for cell in spoiled:
            if cell.table == name:
                rows[cell.row - 2][header.index(cell.column)] = cell.cell
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerows([header, *rows])


def check(delivery: tuple[Site, tuple[Spoiled, ...]]) -> None:
    site, spoiled = delivery
    with tempfile.TemporaryDirectory() as place, pytest.MonkeyPatch.context() as patched:
        for name in ("store_derived", "keep_derived_warnings"):  # only the checks are asked here
            patched.setattr(f"registry.intake.delivery.{name}", lambda *_, **__: None)
        folder = Path(place) / "delivery"
        deliver(site, spoiled, folder)
        report = take_in(folder, registry=Path(place) / "r.duckdb", site=site.code, received_at=CLOCK, dry_run=True)
    assert not report.refusals
    holding = report.findings[report.findings["severity"] == "hold"]
    own = holding[holding["code"] != "parent_held"]
    found = [tuple(place) for place in own[["file", "row", "column", "code"]].values.tolist()]
    assert sorted(found) == sorted(expected(spoiled))
    followers = holding[holding["code"] == "parent_held"]
    assert {(Path(file).stem, row) for file, row in followers[["file", "row"]].values.tolist()} == waiting(
        site, spoiled
    )
    for cell in spoiled:
        if cell.cell:
            shown = re.compile(rf"(?<![\w.]){re.escape(cell.cell)}(?!\w)", re.IGNORECASE)
            assert not report.findings["message"].str.contains(shown).any(), cell
    assert "zzyzx" not in " ".join(report.findings["message"]).lower()


def test_the_federation_is_clean_and_holds_every_table() -> None:
    assert {name for site in sites() for name in site.files} == set(ALL_TABLES)
    for site in sites():
        check((site, ()))


@settings(max_examples=5, suppress_health_check=list(HealthCheck))
@given(deliveries())
def test_exactly_the_spoiled_cells_are_found(delivery: tuple[Site, tuple[Spoiled, ...]]) -> None:
    check(delivery)


@pytest.mark.slow
@settings(max_examples=300, suppress_health_check=list(HealthCheck))
@given(deliveries())
def test_exactly_the_spoiled_cells_are_found_in_many_deliveries(delivery: tuple[Site, tuple[Spoiled, ...]]) -> None:
    check(delivery)
