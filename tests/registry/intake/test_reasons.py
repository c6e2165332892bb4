"""Every reason code has a row that it must find and a near miss that it must leave alone.

All examples share two deliveries, each with a climber of its own; what is found beyond the expected is a failure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from registry.intake.across_derived import derived_warnings
from registry.intake.reasons import REASONS
from registry.intake.report import IntakeReport
from registry.store.connection import connect

Write = Callable[..., Path]
Take = Callable[..., IntakeReport]
Place = tuple[str, int, str, str]

COLUMNS = {
    "athletes": "athlete sex birth_year squad",
    "observation": "athlete squad starts_on ends_on guardian_consent",
    "exposure": "athlete squad starts_on ends_on discipline setting context minutes_total climbers",
    "cases": "case athlete age_at_onset onset first_seen side digit onset_mode history grade_recorded level_before "
    "uiaa_score confirmed_distinct",
    "findings": "case structure joint extent found_on gap_mm",
    "imaging": "case kind done_on",
    "management": "case kind starts_on",
    "follow_ups": "case seen status since function_score",
    "sheet": "athlete age_at_onset sex side digit onset first_seen structures onset_mode status status_on birth_year "
    "case",
}
USUAL = {
    "athletes": {"athlete": "AB00{k}", "sex": "female", "birth_year": "1990"},
    "observation": {"athlete": "AB00{k}", "starts_on": "2024-01-01", "ends_on": "2024-12-31"},
    "exposure": {
        "athlete": "AB00{k}",
        "starts_on": "2024-01-01",
        "ends_on": "2024-12-31",
        "discipline": "lead",
        "setting": "indoor",
        "context": "training",
        "minutes_total": "12000",
    },
    "cases": {
        "case": "C{k}",
        "athlete": "AB00{k}",
        "onset": "2024-03-01",
        "side": "left",
        "digit": "ring",
        "onset_mode": "sudden",
    },
    "findings": {"case": "C{k}", "structure": "a2", "extent": "partial", "found_on": "2024-03-04"},
    "imaging": {"case": "C{k}", "kind": "mri", "done_on": "2024-03-05"},
    "management": {"case": "C{k}", "kind": "surgery", "starts_on": "2024-03-09"},
    "follow_ups": {"case": "C{k}", "seen": "2024-03-20", "status": "modified_climbing"},
    "sheet": {
        "athlete": "AB00{k}",
        "age_at_onset": "30",
        "sex": "female",
        "side": "right",
        "digit": "little",
        "onset": "2024-05-01",
        "structures": "a2:partial",
        "onset_mode": "sudden",
        "status": "off_climbing",
        "status_on": "2024-05-09",
        "case": "S{k}",
    },
}
BASE = ("athletes", "observation", "exposure", "cases", "findings")
"""What every example has besides its own rows, in tables of which it brings none."""


@dataclass(frozen=True)
class Row:
    """A row of a table: cells other than the usual ones, or its bytes as they stand in the file."""

    table: str
    cells: dict[str, str] = field(default_factory=dict)
    raw: bytes | None = None

    def line(self, k: int) -> bytes:
        if self.raw is not None:
            return self.raw.replace(b"{k}", str(k).encode())
        cells = {**USUAL[self.table], **self.cells}
        written = [cells.get(name, "").format(k=k) for name in COLUMNS[self.table].split()]
        return ",".join(written).encode()


@dataclass(frozen=True)
class Example:
    """Rows in which ``code`` is found at the row numbered ``at``, in ``column``; and rows in which it is not."""

    code: str
    column: str
    found: tuple[Row, ...]
    missed: tuple[Row, ...]
    at: tuple[int, ...] = (0,)
    known: tuple[Row, ...] = ()
    """Rows that the registry holds already."""
    because: tuple[str, str, str] | None = None
    """Table, column and code of the finding that the one of this example follows from."""


def row(table: str, **cells: str) -> Row:
    return Row(table, cells)


def raw(line: bytes) -> Row:
    return Row("follow_ups", raw=line)


def one(code: str, table: str, column: str, bad: str, good: str, **cells: str) -> Example:
    """One cell that is wrong, and one that is just right."""
    found, missed = (row(table, **{**cells, column: cell}) for cell in (bad, good))
    return Example(code, column, (found,), (missed,))


def case(**cells: str) -> Row:
    return row("cases", **cells)


def seen(day: str, status: str) -> Row:
    return row("follow_ups", seen=day, status=status)


SECOND = {"case": "D{k}", "onset": "2024-03-15"}
"""Another case of the same finger, 14 days later."""
SQUAD = {"athlete": "", "squad": "SQ00{k}", "climbers": "8", "minutes_total": "900"}
LATER = {"starts_on": "2025-01-01", "ends_on": "2025-01-31"}

EXAMPLES = (
    Example("cell_count", "", (raw(b"C{k},2024-03-20,off_climbing"),), (row("follow_ups"),)),
    Example(
        "line_break",
        "",
        (raw(b'C{k},2024-03-20,"off_\nclimbing",,'),),
        (raw(b'"C{k}",2024-03-20,"off_climbing",,'),),
    ),
    Example("cell_too_long", "", (raw(b"C{k},2024-03-20," + b"x" * 70_000 + b",,"),), (row("follow_ups"),)),
    Example("not_utf8", "", (raw(b"C{k},2024-03-20,r\xe9duit,,"),), (row("follow_ups"),)),
    one("required", "cases", "onset_mode", "", "unknown"),
    one("unknown_code", "cases", "digit", "annular", " Ring "),
    one("not_an_integer", "cases", "uiaa_score", "two", "2"),
    one("not_a_number", "follow_ups", "function_score", "1e2", "62.5"),
    one("decimal_comma", "follow_ups", "function_score", '"62,5"', "62.5"),
    one("not_a_date", "cases", "first_seen", "05.03.2024", "unknown"),
    one("impossible_date", "cases", "first_seen", "2025-02-29", "2024-03-31"),
    one("date_out_of_range", "cases", "first_seen", "2026-07-03", "2026-06-30"),
    one("not_a_year", "athletes", "birth_year", "90", "1990"),
    one("out_of_range", "cases", "uiaa_score", "7", "6"),
    one("unusual", "findings", "gap_mm", "7.1", "7"),
    one("too_long", "cases", "level_before", "q+" * 30 + "q", "q+" * 30),
    one("bad_list", "sheet", "structures", "a2 torn", "a2:complete; a3:strain;"),
    Example(
        "one_needed",
        "athlete",
        (row("exposure"), row("exposure", athlete="", **LATER)),
        (row("exposure"), row("exposure", **LATER)),
        at=(1,),
    ),
    Example(
        "only_one",
        "athlete",
        (row("exposure"), row("exposure", squad="SQ00{k}", **LATER)),
        (row("exposure"), row("exposure", **LATER)),
        at=(1,),
    ),
    one("wrong_order", "cases", "first_seen", "2024-02-29", "2024-03-01"),
    Example(
        "too_many_hours",
        "minutes_total",
        (row("exposure", ends_on="2024-12-30"), row("exposure", starts_on="2024-12-31", minutes_total="961")),
        (row("exposure", ends_on="2024-12-30"), row("exposure", starts_on="2024-12-31", minutes_total="960")),
        at=(1,),
    ),
    Example(
        "key_conflict",
        "case",
        (case(), case(digit="middle")),
        (case(), case()),
        at=(0, 1),
    ),
    Example(
        "children_contradict",
        "digit",
        (case(digit="thumb"),),
        (case(digit="thumb"), row("findings", structure="a2")),
        known=(case(), row("findings", structure="a4")),
    ),
    Example(
        "climber_differs",
        "sex",
        (row("sheet", sex="male"),),
        (row("sheet"),),
    ),
    one("unknown_parent", "findings", "case", "Z{k}", "C{k}"),
    Example(
        "parent_held",
        "case",
        (case(onset="2024-02-31"), row("follow_ups")),
        (case(onset="2024-02-29"), row("follow_ups")),
        because=("cases", "onset", "impossible_date"),
    ),
    Example(
        "contact_before_onset", "seen", (seen("2024-02-29", "off_climbing"),), (seen("2024-03-01", "off_climbing"),)
    ),
    one("status_before_onset", "follow_ups", "since", "2024-02-29", "2024-03-01"),
    Example(
        "impossible_structure",
        "structure",
        (case(digit="thumb"), row("findings", structure="a4")),
        (case(digit="thumb"), row("findings", structure="a2")),
    ),
    one("impossible_joint", "findings", "joint", "ip", "pip"),
    Example(
        "growth_plate_age",
        "structure",
        (case(age_at_onset="21"), row("findings", structure="growth_plate", extent="stress_reaction")),
        (case(age_at_onset="20"), row("findings", structure="growth_plate", extent="stress_reaction")),
    ),
    # A difference of 18 is 17 before the birthday: what is not known is not held.
    Example(
        "guardian_consent",
        "guardian_consent",
        (
            row("athletes", birth_year="2008"),
            row("observation", guardian_consent="yes"),
            row("observation", guardian_consent="no", **LATER),
        ),
        (
            row("athletes", birth_year="2007"),
            row("observation", guardian_consent="yes"),
            row("observation", guardian_consent="no", **LATER),
        ),
        at=(1,),
    ),
    Example(
        "lost_zeros",
        "case",
        (row("findings", case="3{k}"),),
        (row("findings", case="03{k}"),),
        known=(case(case="03{k}"), row("findings", case="03{k}")),
    ),
    Example(
        "likely_duplicate",
        "onset",
        (case(), case(**SECOND), row("findings"), row("findings", case="D{k}", structure="A2")),
        (case(), case(**{**SECOND, "onset": "2024-03-16"}), row("findings"), row("findings", case="D{k}")),
        at=(1,),
    ),
    Example(
        "overlapping_exposure",
        "starts_on",
        (row("exposure", ends_on="2024-06-01"), row("exposure", starts_on="2024-06-01")),
        (row("exposure", ends_on="2024-05-31"), row("exposure", starts_on="2024-06-01")),
        at=(1,),
    ),
    Example(
        "diary_and_squad",
        "athlete",
        (
            row("athletes", squad="SQ00{k}"),
            row("exposure", ends_on="2024-11-30"),
            row("exposure", starts_on="2024-12-01"),
            row("exposure", starts_on="2024-12-31", **SQUAD),
        ),
        (
            row("athletes", squad="SQ00{k}"),
            row("exposure", ends_on="2024-11-30"),
            row("exposure", starts_on="2024-12-01"),
            row("exposure", **{**SQUAD, **LATER}),
        ),
        at=(1,),
    ),
    Example(
        "too_many_hours_together",
        "minutes_total",
        (row("exposure"), row("exposure", discipline="board", starts_on="2024-12-31", minutes_total="940")),
        (row("exposure"), row("exposure", discipline="board", starts_on="2024-12-31", minutes_total="900")),
        at=(0, 1),
    ),
    Example(
        "status_backwards",
        "status",
        (seen("2024-03-20", "full_climbing"), seen("2024-04-20", "modified_climbing")),
        (seen("2024-03-20", "full_climbing"), seen("2024-04-20", "stopped_climbing")),
        at=(1,),
    ),
    Example("outside_observation", "onset", (case(onset="2025-01-01"),), (case(onset="2024-12-31"),)),
    Example(
        "outside_exposure",
        "onset",
        (row("exposure", starts_on="2024-03-02"), case()),
        (row("exposure", starts_on="2024-03-01"), case()),
    ),
    Example(
        "surgery_without_date",
        "starts_on",
        (row("management", starts_on=""),),
        (row("management", kind="tape", starts_on=""),),
    ),
    one("grade_iv_single", "cases", "grade_recorded", "Grade IV", "II"),
    one("grade_differs", "cases", "grade_recorded", "3", "2"),
    Example(
        "history_differs",
        "history",
        (
            case(),
            case(case="D{k}", onset="2024-05-01", history="new"),
            row("findings"),
            row("findings", case="D{k}", structure="a4"),
        ),
        (
            case(history="reinjury"),
            case(case="D{k}", onset="2024-05-01", history="local"),
            row("findings"),
            row("findings", case="D{k}", structure="a4"),
        ),
        at=(1,),
    ),
    Example(
        "imaging_after_last_contact",
        "done_on",
        (row("imaging", done_on="2024-03-21"), row("follow_ups")),
        (row("imaging", done_on="2024-03-20"), row("follow_ups")),
    ),
)
OF_A_SITE = {"pattern_too_wide": "[A-Za-z]+", "bad_pattern": "[A-Z"}
ELSEWHERE = {
    "other_site": "the whole delivery is refused before: test_intake",
    "pattern_of_nobody": "needs a registry with climbers: test_no_known_climber",
    "error_cell": "needs a workbook: test_workbook",
    "merged_cells": "needs a workbook: test_workbook",
    "unknown_word": "needs a column map: test_mapped_intake",
    "lists_differ": "needs a column map: test_mapped_intake",
    "extent_missing": "needs a column map: test_mapped_intake",
    "listed_twice": "needs a column map: test_mapped_intake",
    "no_such_ray": "needs a column map: test_mapped_intake",
    "vanished": "needs two snapshots: test_corrections",
    "retracted": "needs a retraction: test_corrections",
    "withdrawn": "needs a withdrawal: test_corrections",
    "not_open": "needs a mended sheet: test_corrections",
}
HELD_WITH_ITS_PARENT = "parent_held"


def test_every_reason_has_an_example() -> None:
    codes = [example.code for example in EXAMPLES] + list(OF_A_SITE) + list(ELSEWHERE)
    assert sorted(codes) == sorted(REASONS)


class Sheets:
    """The CSV files of one delivery, and where each row of an example stands in them."""

    def __init__(self) -> None:
        self.texts = {name: columns.replace(" ", ",").encode() + b"\n" for name, columns in COLUMNS.items()}
        self.rows: dict[tuple[int, str], list[int]] = {}

    def add(self, k: int, rows: Iterable[Row], *, base: bool) -> None:
        rows = list(rows)
        own = {row.table for row in rows}
        if base:
            rows = [Row(table) for table in BASE if table not in own] + rows
        for each in rows:
            place = self.texts[each.table].count(b"\n") + 1
            self.rows.setdefault((k, each.table), []).append(place)
            self.texts[each.table] += each.line(k) + b"\n"

    def place(self, k: int, example: Example, number: int) -> Place:
        table = _table(example)
        return f"{table}.csv", self.rows[k, table][number], example.column, example.code


def _table(example: Example) -> str:
    """Return the table whose rows the finding lies in: the last one that has the column."""
    tables = [row.table for row in example.found if not example.column or example.column in COLUMNS[row.table].split()]
    return tables[-1]


def _deliver(write_delivery: Write, take_in: Take, sites: str, *, found: bool) -> tuple[IntakeReport, Sheets]:
    known, sheets = Sheets(), Sheets()
    for k, example in enumerate(EXAMPLES, start=101):
        known.add(k, example.known, base=bool(example.known))
        sheets.add(k, example.found if found else example.missed, base=not example.known)
    assert take_in(write_delivery({"sites": sites, **known.texts}, name="known")).findings.empty
    return take_in(write_delivery(sheets.texts, name="delivery")), sheets


def _places(report: IntakeReport, registry: Path) -> set[Place]:
    said = report.findings[["file", "row", "column", "code"]].itertuples(index=False)
    connection = connect(registry, write=False)
    try:
        more = [found for query in derived_warnings(site="north") for found in connection.execute(query).fetchall()]
    finally:
        connection.close()
    return {tuple(place) for place in said} | {(file, line, column, code) for _, _, file, line, column, code in more}


def test_each_reason_is_found_where_it_stands_and_nothing_else(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    report, sheets = _deliver(write_delivery, take_in, clean["sites"], found=True)
    found = _places(report, tmp_path / "registry.duckdb")
    expected = {
        sheets.place(k, example, number) for k, example in enumerate(EXAMPLES, start=101) for number in example.at
    }
    expected |= {
        (f"{example.because[0]}.csv", sheets.rows[k, example.because[0]][0], *example.because[1:])
        for k, example in enumerate(EXAMPLES, start=101)
        if example.because
    }
    assert expected - found == set()
    assert {place for place in found - expected if place[3] != HELD_WITH_ITS_PARENT} == set()


def test_no_reason_is_found_where_it_nearly_stands(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    report, _ = _deliver(write_delivery, take_in, clean["sites"], found=False)
    assert _places(report, tmp_path / "registry.duckdb") == set()
    assert report.exit_code == 0


@pytest.mark.parametrize(("code", "pattern"), OF_A_SITE.items())
def test_a_pattern_that_is_none_or_too_wide_holds_the_site_s_row(
    write_delivery: Write, take_in: Take, clean: dict[str, str], clean_registry: Path, code: str, pattern: str
) -> None:
    bad = write_delivery({"sites": clean["sites"].replace("[A-Z]{2}[0-9]{5}", pattern)})
    report = take_in(bad, registry=clean_registry, dry_run=True)
    assert report.findings[["row", "column", "code"]].values.tolist() == [[2, "pseudonym_pattern", code]]
