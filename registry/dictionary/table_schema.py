"""The dictionary as Table Schema and Data Package, the open standards for describing tables of text.

Field-level ``missingValues`` and ``uniqueKeys`` need version 2 of the standard. Rules between cells have no place in
it; they stand in the descriptions.

References
----------
Data Package standard, version 2.0: Table Schema, Table Dialect, Data Package (Open Knowledge Foundation, 2024).
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from registry.dictionary import DICTIONARY_VERSION, MISSING_WORDS, TABLES, Field, Table
from registry.dictionary.model import EARLIEST_DATE
from registry.dictionary.printing import row_rules

PROFILE = "https://datapackage.org/profiles/2.0/{}.json"
TYPES = {
    "integer": "integer",
    "number": "number",
    "date": "date",
    "year": "year",
}
"""Types by kind; all other kinds are strings."""

CAUTION = "Pseudonymised health data, not anonymous ones. Free text is not taken."


def table_schema(table: Table) -> dict[str, Any]:
    """Return a table as Table Schema.

    Parameters
    ----------
    table
        A table of the dictionary.

    Returns
    -------
    dict
        ``fields``, ``missingValues``, ``primaryKey`` (or ``uniqueKeys`` where a part of the key may be empty) and
        ``foreignKeys``. Codes are listed in lower case; the intake reads capitals as well.

    Examples
    --------
    >>> from registry.dictionary import TABLES
    >>> table_schema(TABLES["imaging"])["primaryKey"]
    ['case', 'kind', 'done_on']
    """
    schema: dict[str, Any] = {
        "$schema": PROFILE.format("tableschema"),
        "fields": [_field(field) for field in table.fields],
        "missingValues": [""],
    }
    whole = all(table[name].required for name in table.key)
    schema.update({"primaryKey": list(table.key)} if whole else {"uniqueKeys": [list(table.key)]})
    keys = [
        {
            "fields": [field.name],
            "reference": {"resource": field.refers_to, "fields": list(TABLES[field.refers_to].key)},
        }
        for field in table.fields
        if field.refers_to and field.refers_to != table.name
    ]
    return schema | ({"foreignKeys": keys} if keys else {})


def data_package(tables: Sequence[Table]) -> dict[str, Any]:
    """Return several tables as a Data Package: one CSV file a table, as a delivery has them.

    A reference to a table that is not among them is left out.
    """
    names = {table.name for table in tables}
    return {
        "$schema": PROFILE.format("datapackage"),
        "name": "annulary-delivery",
        "title": f"Tables of a delivery, data dictionary version {DICTIONARY_VERSION}",
        "description": CAUTION,
        "version": f"{DICTIONARY_VERSION}.0.0",
        "resources": [_resource(table, names) for table in tables],
    }


def schema_text(tables: Sequence[Table]) -> str:
    """Return one table as the JSON of its Table Schema, several as that of a Data Package."""
    described = table_schema(tables[0]) if len(tables) == 1 else data_package(tables)
    return json.dumps(described, indent=2, ensure_ascii=False) + "\n"


def _resource(table: Table, names: set[str]) -> dict[str, Any]:
    schema = table_schema(table)
    kept = [key for key in schema.pop("foreignKeys", []) if key["reference"]["resource"] in names]
    rules = [f"One row is {table.one_row_is}.", table.description, *row_rules(table)]
    return {
        "$schema": PROFILE.format("dataresource"),
        "name": table.name,
        "type": "table",
        "path": f"{table.name}.csv",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "description": " ".join(rule for rule in rules if rule),
        "schema": schema | ({"foreignKeys": kept} if kept else {}),
    }


def _field(field: Field) -> dict[str, Any]:
    described: dict[str, Any] = {"name": field.name, "type": TYPES.get(field.kind, "string"), "title": field.label}
    about = [field.description, f"In {field.unit}." if field.unit else "", _listed_codes(field)]
    about.append(f"Source: {field.source}." if field.source else "")
    text = " ".join(part for part in about if part)
    if text:
        described["description"] = text
    if field.kind in TYPES and not field.required:
        described["missingValues"] = ["", *MISSING_WORDS]
    described["constraints"] = _constraints(field)
    return described


def _constraints(field: Field) -> dict[str, Any]:
    limits: dict[str, Any] = {"required": field.required}
    if field.kind == "code":
        limits["enum"] = list(field.accepted_words)
    if field.kind == "codes":
        word = f"(?:{'|'.join(field.accepted_words)})"
        limits["pattern"] = f" *{word} *(?:; *{word} *)*"
    if field.kind == "findings":
        part = r"\s*[a-z0-9_]+\s*(?:\(\s*[a-z]+\s*\))?\s*:\s*[a-z_]+\s*"
        limits["pattern"] = f"{part}(?:;{part})*;?\\s*"
    if field.kind in ("text", "key", "pseudonym"):
        limits["maxLength"] = field.max_length
    if field.kind == "date":
        limits["minimum"] = EARLIEST_DATE.isoformat()
    for name, bound in (("minimum", field.low), ("maximum", field.high)):
        if bound is not None:
            limits[name] = int(bound) if bound == int(bound) else bound
    return limits


def _listed_codes(field: Field) -> str:
    meanings = [f"{code.word}: {code.meaning}" for code in field.codes if code.meaning]
    return "; ".join(meanings) + "." if meanings else ""
