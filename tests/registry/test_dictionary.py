"""The dictionary is said once and holds together."""

from __future__ import annotations

import pytest
from typer.testing import CliRunner

import annulary
from registry.dictionary import SHEET, TABLES
from registry.dictionary.model import Table
from registry.dictionary.printing import blank_csv, printed_dictionary
from registry.intake.checks import field_findings, typed_select
from registry.intake.reasons import REASONS, sentence
from registry.intake.recognising import ALL_TABLES

RESERVED = {"row_id", "origin", "file", "line", "content", "delivery", "superseded_by"}
"""Names that the staging tables add to every table."""


@pytest.mark.parametrize("table", ALL_TABLES.values(), ids=list(ALL_TABLES))
def test_a_table_is_well_formed(table: Table) -> None:
    assert table.key
    assert set(table.key) <= set(table.names)
    assert len(set(table.names)) == len(table.names)
    assert not RESERVED & set(table.names)
    for field in table.fields:
        assert field.label, field.name
        assert bool(field.codes) == (field.kind in ("code", "codes", "findings")), field.name
        assert not field.refers_to or field.refers_to in TABLES
        assert field.kind != "pseudonym" or not field.showable, f"{field.name} could identify"
    for group in (*table.either, *table.exclusive, *table.ordered):
        assert set(group) <= set(table.names)


def test_parents_come_before_children() -> None:
    seen: set[str] = set()
    for table in TABLES.values():
        assert set(table.parents) <= seen
        seen.add(table.name)


def test_the_flat_sheet_has_the_ten_fields() -> None:
    ten = (
        "athlete",
        "age_at_onset",
        "sex",
        "side",
        "digit",
        "onset",
        "first_seen",
        "structures",
        "onset_mode",
        "status",
    )
    assert SHEET.names[:10] == ten
    assert SHEET["status_on"].required


def test_print_names_every_table_field_and_code() -> None:
    text = printed_dictionary()
    for table in ALL_TABLES.values():
        assert f"## {table.name}" in text
        for field in table.fields:
            assert f"**{field.name}**" in text
            assert all(f"`{code.word}`" in text for code in field.codes)


def test_print_lists_every_check_with_what_becomes_of_the_row() -> None:
    text = printed_dictionary()
    checks = text[text.index("## Checks") :].splitlines()
    for code, reason in REASONS.items():
        (line,) = [line for line in checks if line.startswith(f"- **{code}** ")]
        assert ("(warned)" in line) == (reason.severity == "warn")
        assert ("may be accepted" in line) == reason.acceptable
        assert not set("{}") & set(line.replace("{2}", "").replace("{5}", ""))
    assert "## Checks" not in printed_dictionary(["cases"])


def test_only_what_is_held_can_be_accepted() -> None:
    assert not [code for code, reason in REASONS.items() if reason.acceptable and reason.severity == "warn"]


def test_blank_files_are_headers_only() -> None:
    for table in ALL_TABLES.values():
        assert blank_csv(table).strip().split(",") == list(table.names)


def test_sql_is_made_for_every_table() -> None:
    from datetime import date

    for table in ALL_TABLES.values():
        assert f"staged_{table.name}" in typed_select(table, f"staged_{table.name}", site="north")
        assert "unnest" in field_findings(table, f"staged_{table.name}", received_on=date(2026, 1, 1))


def test_every_reason_is_worded_without_gaps() -> None:
    for code in REASONS:
        for table in ALL_TABLES.values():
            for field in table.fields:
                assert "{" not in sentence(code, field).replace("{2}", "").replace("{5}", "")


def test_commands_print_and_write(tmp_path: object) -> None:
    runner = CliRunner()
    printed = runner.invoke(annulary.application(), ["dictionary", "cases"])
    assert printed.exit_code == 0
    assert "**first_seen**" in printed.stdout
    assert "## exposure" not in printed.stdout
