"""The dictionary for people: printed, and as blank CSV files."""

from __future__ import annotations

from registry.dictionary import DICTIONARY_VERSION, MISSING_WORDS, SHEET, TABLES, Field, Table

KIND_WORDS = {
    "text": "short text",
    "code": "code",
    "codes": "codes, separated by ;",
    "integer": "whole number",
    "number": "number",
    "date": "date (2024-05-31)",
    "year": "year (1998)",
    "pseudonym": "pseudonym",
    "key": "key",
    "findings": "structures with extents",
}


def printed_dictionary(names: list[str] | None = None) -> str:
    """Return the dictionary as Markdown: every table, or those that are named.

    Parameters
    ----------
    names
        Table names (``sheet`` is the flat sheet); None for all.
    """
    tables = {SHEET.name: SHEET, **TABLES}
    chosen = [tables[name] for name in names] if names else list(tables.values())
    missing = "; ".join(f"`{word}`: {meaning}" for word, meaning in MISSING_WORDS.items())
    head = (
        f"# Data dictionary, version {DICTIONARY_VERSION}\n\n"
        "These are pseudonymised health data, not anonymous ones. Dates are written year-month-day, codes in lower "
        "case (capitals are read as well). Missing has three faces, each with its own row in every table: an empty "
        f"cell: not recorded; {missing}. Free text is not taken.\n"
    )
    return head + "".join(_table(table) for table in chosen)


def blank_csv(table: Table) -> str:
    """Return a CSV with the table's header and no row."""
    return ",".join(table.names) + "\r\n"


def _table(table: Table) -> str:
    lines = [f"\n## {table.name}\n", f"One row is {table.one_row_is}. Key: {', '.join(table.key)}."]
    if table.description:
        lines.append(table.description)
    lines += [f"At least one of {', '.join(group)} is filled." for group in table.either]
    lines += [f"Only one of {one} and {other} is filled." for one, other in table.exclusive]
    lines += [f"{later} does not lie before {earlier}." for earlier, later in table.ordered]
    lines.append("")
    lines += [_field(field) for field in table.fields]
    return "\n".join(lines) + "\n"


def _field(field: Field) -> str:
    facts = [KIND_WORDS[field.kind]]
    if field.required:
        facts.append("required")
    if field.unit:
        facts.append(f"in {field.unit}")
    if field.low is not None or field.high is not None:
        facts.append(f"{_bound(field.low)} to {_bound(field.high)}")
    if field.warn_above is not None:
        facts.append(f"warned above {field.warn_above:g}")
    if field.refers_to:
        facts.append(f"a row of {field.refers_to}")
    if not field.showable:
        facts.append("never shown in messages")
    text = f"- **{field.name}** ({field.label}; {', '.join(facts)})"
    if field.description:
        text += f" {field.description}"
    if field.codes:
        text += (
            " Codes: "
            + "; ".join(f"`{code.word}`" + (f" {code.meaning}" if code.meaning else "") for code in field.codes)
            + "."
        )
    if field.source:
        text += f" Source: {field.source}."
    return text


def _bound(bound: float | None) -> str:
    if bound is None:
        return "any"
    return f"{bound:.0f}" if bound == int(bound) else f"{bound:g}"
