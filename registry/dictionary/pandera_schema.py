"""The dictionary as pandera schemas: for notebooks, and as a second opinion on the intake's checks."""

from __future__ import annotations

import pprint
from collections.abc import Sequence
from datetime import date
from importlib import resources
from typing import TYPE_CHECKING, Any

from registry.dictionary import DICTIONARY_VERSION, MISSING_WORDS, Field, Table
from registry.dictionary.exposure import EXPOSURE, MINUTES_A_DAY_A_HEAD
from registry.dictionary.injury import EXTENTS, JOINT
from registry.dictionary.model import EARLIEST_DATE
from registry.errors import InputError

if TYPE_CHECKING:
    import pandas as pd
    import pandera.pandas as pandera

NOT_INSTALLED = "pandera is not installed; add it with: pip install 'annulary[pandera]'"


def pandera_schema(table: Table, *, received_on: date, pattern: str | None = None) -> pandera.DataFrameSchema:
    """Return the pandera schema of a table of text.

    Parameters
    ----------
    table
        A table of the dictionary.
    received_on
        The day of the delivery; no date lies after it unless its field may be future.
    pattern
        The site's regular expression for pseudonyms; pseudonyms are not looked at when None.

    Returns
    -------
    pandera.DataFrameSchema
        For frames with text in every cell ("" or None where empty), one column a field; optional columns may be left
        away. Each check is named by the intake's reason code. It sees cells and rows; what stands between rows and
        tables (keys, parents, duplicates) only the intake sees.

    Raises
    ------
    InputError
        pandera is not installed.

    Examples
    --------
    >>> import pandas as pd
    >>> from registry.dictionary import TABLES
    >>> schema = pandera_schema(TABLES["imaging"], received_on=date(2026, 1, 1))
    >>> frame = pd.DataFrame({"case": ["1", "2"], "kind": ["mri", "xray"], "done_on": ["2024-05-31", "31.05.2024"]})
    >>> faults(schema, frame)[["column", "code"]].values.tolist()
    [['done_on', 'not_a_date'], ['kind', 'unknown_code']]
    """
    schema: pandera.DataFrameSchema = _checks().build_schema(facts(table), received_on=received_on, pattern=pattern)
    return schema


def faults(schema: pandera.DataFrameSchema, frame: pd.DataFrame) -> pd.DataFrame:
    """List every fault that a schema finds in a frame: row (of the frame's index), column, code.

    Raises
    ------
    InputError
        pandera is not installed.
    """
    listed: pd.DataFrame = _checks().faults(schema, frame)
    return listed


def facts(table: Table) -> dict[str, Any]:
    """Return what the checks have to know of a table, as plain values."""
    return {
        "name": table.name,
        "either": [list(group) for group in table.either],
        "exclusive": [list(pair) for pair in table.exclusive],
        "ordered": [list(pair) for pair in table.ordered],
        "minutes_a_day": MINUTES_A_DAY_A_HEAD if table.name == EXPOSURE.name else None,
        "fields": [_field_facts(field) for field in table.fields],
    }


def module_text(tables: Sequence[Table]) -> str:
    """Return a Python module that builds the schemas of some tables and needs only pandas and pandera."""
    checks = resources.files("registry.dictionary").joinpath("pandera_checks.py").read_text(encoding="utf-8")
    _, _, code = checks.partition("from __future__ import annotations\n")
    head = (
        f'"""pandera schemas of the data dictionary, version {DICTIONARY_VERSION}; made by annulary dictionary.\n\n'
        "schema = schema_of('cases', received_on=date.today())\n"
        "faults(schema, pd.read_csv('cases.csv', dtype=str, keep_default_na=False)) lists every fault.\n"
        "Pseudonymised health data, not anonymous ones: the list of faults shows no cell, pandera's own messages do.\n"
        '"""\n'
    )
    known = {table.name: facts(table) for table in tables}
    return (
        f"{head}\nfrom __future__ import annotations\n{code}\n\n"
        f"TABLES = {pprint.pformat(known, width=110, sort_dicts=False)}\n\n\n"
        "def schema_of(table: str, *, received_on: date, pattern: str | None = None) -> pandera.DataFrameSchema:\n"
        '    """Return the schema of a table by its name."""\n'
        "    return build_schema(TABLES[table], received_on=received_on, pattern=pattern)\n"
    )


def _checks() -> Any:
    try:
        import pandera.pandas  # noqa: F401
    except ImportError:
        raise InputError(NOT_INSTALLED) from None
    from registry.dictionary import pandera_checks

    return pandera_checks


def _field_facts(field: Field) -> dict[str, Any]:
    known: dict[str, Any] = {"name": field.name, "kind": field.kind, "required": field.required}
    known["missing"] = list(MISSING_WORDS)
    if field.kind in ("text", "key", "pseudonym"):
        known["max_length"] = field.max_length
    if field.kind in ("integer", "number", "year"):
        known |= {"low": field.low, "high": field.high}
    if field.kind == "date":
        known |= {"earliest": EARLIEST_DATE.isoformat(), "may_be_future": field.may_be_future}
    if field.kind in ("code", "codes", "findings"):
        known["words"] = list(field.words if field.kind == "findings" else field.accepted_words)
    if field.kind == "findings":
        known |= {"joints": [code.word for code in JOINT], "extents": list(EXTENTS)}
    return known
