"""The dictionary as Table Schema: what the standard asks for, and every fact of the dictionary in it."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from typer.testing import CliRunner

import annulary
from registry.dictionary import SHEET, TABLES, Table
from registry.dictionary.table_schema import data_package, schema_text, table_schema
from registry.intake.recognising import ALL_TABLES

TYPES = {"string", "integer", "number", "date", "year"}
CONSTRAINTS = {
    "string": {"required", "enum", "pattern", "maxLength"},
    "integer": {"required", "minimum", "maximum"},
    "number": {"required", "minimum", "maximum"},
    "year": {"required", "minimum", "maximum"},
    "date": {"required", "minimum"},
}
"""Table Schema 2.0: constraints that the standard knows for each type (from memory)."""


def field_of(schema: dict[str, Any], name: str) -> dict[str, Any]:
    found: dict[str, Any] = next(field for field in schema["fields"] if field["name"] == name)
    return found


@pytest.mark.parametrize("table", ALL_TABLES.values(), ids=list(ALL_TABLES))
def test_every_field_is_described(table: Table) -> None:
    schema = table_schema(table)
    assert [field["name"] for field in schema["fields"]] == list(table.names)
    for field, described in zip(table.fields, schema["fields"], strict=True):
        assert described["type"] in TYPES
        assert described["title"] == field.label
        assert set(described["constraints"]) <= CONSTRAINTS[described["type"]]
        assert described["constraints"]["required"] == field.required
        if field.kind == "code":
            assert described["constraints"]["enum"] == list(field.accepted_words)
    assert ("primaryKey" in schema) != ("uniqueKeys" in schema)
    keys = schema.get("primaryKey") or schema["uniqueKeys"][0]
    assert keys == list(table.key)


def test_keys_references_and_limits_stand_in_it() -> None:
    schema = table_schema(TABLES["findings"])
    assert schema["uniqueKeys"] == [["case", "structure", "joint", "seen_by", "found_on"]]
    assert schema["foreignKeys"] == [{"fields": ["case"], "reference": {"resource": "cases", "fields": ["case"]}}]
    gap = field_of(schema, "gap_mm")
    assert (gap["type"], gap["constraints"]["minimum"], gap["constraints"]["maximum"]) == ("number", 0, 10)
    assert gap["missingValues"] == ["", "unknown", "not_applicable"]
    assert schema["missingValues"] == [""]
    assert field_of(table_schema(TABLES["cases"]), "onset")["constraints"]["minimum"] == "1950-01-01"
    assert table_schema(TABLES["cases"])["primaryKey"] == ["case"]


@pytest.mark.parametrize(
    ("table", "name", "good", "bad"),
    [
        ("sheet", "structures", ["a2:complete", "a2:complete; a3:partial", "volar_plate(pip):partial"], ["a2", "a2:"]),
        ("follow_ups", "complications", ["nerve", "nerve;stiffness", "nerve; stiffness"], ["nerves", "nerve,crps", ""]),
    ],
)
def test_patterns_take_lists_and_nothing_else(table: str, name: str, good: list[str], bad: list[str]) -> None:
    pattern = field_of(table_schema(ALL_TABLES[table]), name)["constraints"]["pattern"]
    assert all(re.fullmatch(pattern, text) for text in good)
    assert not any(re.fullmatch(pattern, text) for text in bad)


def test_a_package_refers_only_to_what_it_holds() -> None:
    package = data_package([TABLES[name] for name in ("athletes", "cases", "sites")])
    assert [resource["path"] for resource in package["resources"]] == ["athletes.csv", "cases.csv", "sites.csv"]
    cases = package["resources"][1]["schema"]
    assert cases["foreignKeys"][0]["reference"]["resource"] == "athletes"
    alone = data_package([TABLES["findings"], TABLES["imaging"]])
    assert all("foreignKeys" not in resource["schema"] for resource in alone["resources"])
    assert "does not lie before" in package["resources"][1]["description"]
    assert "pseudonymised" in package["description"].lower()


def test_the_command_prints_json() -> None:
    run = CliRunner()
    one = run.invoke(annulary.application(), ["dictionary", "cases", "--as", "table-schema"])
    assert one.exit_code == 0
    assert json.loads(one.stdout) == table_schema(TABLES["cases"])
    every = run.invoke(annulary.application(), ["dictionary", "--as", "table-schema"])
    assert every.stdout == schema_text([SHEET, *TABLES.values()])
    module = run.invoke(annulary.application(), ["dictionary", "cases", "--as", "pandera"])
    assert module.exit_code == 0
    compile(module.stdout, "schemas.py", "exec")
    assert "def schema_of" in module.stdout
