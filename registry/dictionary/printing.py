"""The dictionary for people: printed, and as blank CSV files."""

from __future__ import annotations

from registry.dictionary import DICTIONARY_VERSION, MISSING_WORDS, SHEET, TABLES, Field, Table
from registry.intake.reasons import REASONS, Reason, general_words

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
    """Return the dictionary as Markdown: every table and the checks, or only the tables that are named.

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
    return head + "".join(_table(table) for table in chosen) + ("" if names else _checks())


def blank_csv(table: Table) -> str:
    """Return a CSV with the table's header and no row."""
    return ",".join(table.names) + "\r\n"


def row_rules(table: Table) -> list[str]:
    """Return what must hold between the cells of a row, as sentences."""
    rules = [f"At least one of {', '.join(group)} is filled." for group in table.either]
    rules += [f"Only one of {one} and {other} is filled." for one, other in table.exclusive]
    return rules + [f"{later} does not lie before {earlier}." for earlier, later in table.ordered]


def _table(table: Table) -> str:
    lines = [f"\n## {table.name}\n", f"One row is {table.one_row_is}. Key: {', '.join(table.key)}."]
    if table.description:
        lines.append(table.description)
    lines += row_rules(table)
    lines.append("")
    lines += [_field(field) for field in table.fields]
    return "\n".join(lines) + "\n"


def _checks() -> str:
    lines = [
        "\n## Checks\n",
        "A row with a fault is held, with all its reasons, until it is mended; the other rows are taken in. A warning "
        "holds nothing. Where it says so, a person who has looked may take a held row in as it is: "
        "`annulary held --accept ID --because TEXT`.\n",
        *(_check(reason) for reason in REASONS.values()),
    ]
    return "\n".join(lines) + "\n"


def _check(reason: Reason) -> str:
    sentence, mend = general_words(reason)
    what = "warned" if reason.severity == "warn" else "held, may be accepted" if reason.acceptable else "held"
    return f"- **{reason.code}** ({what}) {sentence}; {mend}."


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
