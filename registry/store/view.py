"""What analyses and reports see: the current rows and the derived tables of a registry or of a freeze."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import narwhals.stable.v2 as nw

from registry.dictionary import TABLES, Table
from registry.door import quoted
from registry.errors import InputError, suggestion
from registry.store.migration import open_current
from registry.store.schema import get_meta, set_meta

if TYPE_CHECKING:
    import pandas as pd
    from duckdb import DuckDBPyConnection

DERIVED = ("cases", "findings", "occurrences", "risk_time")


class View:
    """An opened registry or freeze; read-only, and a context manager.

    Attributes
    ----------
    label
        The file's or the freeze's name, for people.
    identity
        name, content_hash (None for a registry, whose rows still change), derivation_version.
    """

    def __init__(
        self, connection: DuckDBPyConnection, *, label: str, identity: dict[str, Any], derived: dict[str, str]
    ) -> None:
        self._connection = connection
        self._derived = derived
        self.label = label
        self.identity = identity

    def table(self, name: str) -> nw.LazyFrame[Any]:
        """Return a derived table: cases, findings, occurrences or risk_time."""
        if name not in self._derived:
            raise InputError(f"no derived table '{name}'; there are {', '.join(DERIVED)}.{suggestion(name, DERIVED)}")
        return nw.from_native(self._connection.sql(f"SELECT * FROM {self._derived[name]}"))

    def base(self, name: str) -> nw.LazyFrame[Any]:
        """Return the current rows of a dictionary table, with ``x_day`` beside every date ``x``."""
        if name not in TABLES:
            raise InputError(f"no table '{name}' in the dictionary.{suggestion(name, TABLES)}")
        return nw.from_native(self._connection.sql(f"SELECT * FROM current_{name}"))

    def held(self) -> pd.DataFrame:
        """Return the open held rows: site, table, reason, n (reasons of rows; a row may have several)."""
        counts: pd.DataFrame = self._connection.sql("SELECT * FROM held_counts ORDER BY ALL").df()
        return counts

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_registry(path: str | Path) -> View:
    """Open a registry for reading.

    Raises
    ------
    RegistryFileError
        No such file, not a registry, or held by a writer.

    Notes
    -----
    While a view is open no delivery can be taken in; notebooks that stay open should work on a freeze.
    """
    from registry.derive import DERIVATION_VERSION

    connection = open_current(path, write=False)
    try:
        create_current_views(connection)
        connection.execute(
            'CREATE TEMP VIEW held_counts AS SELECT site, table_name AS "table", code AS reason, count(*) AS n '
            "FROM held JOIN held_reasons USING (held_id) WHERE standing = 'open' GROUP BY ALL"
        )
        stored = get_meta(connection, "derivation_version")
        derived = {name: f"derived.{name}" for name in DERIVED}
        if stored != str(DERIVATION_VERSION):
            derived = {name: f"temp.derived_{name}" for name in DERIVED}
            store_derived(connection, derived)
    except BaseException:
        connection.close()
        raise
    identity = {"name": Path(path).name, "content_hash": None, "derivation_version": DERIVATION_VERSION}
    return View(connection, label=f"registry {Path(path).name}", identity=identity, derived=derived)


def create_current_views(connection: DuckDBPyConnection) -> None:
    """Make a temporary view ``current_<table>`` of the rows that no later revision has superseded."""
    for table in TABLES.values():
        connection.execute(
            f"CREATE OR REPLACE TEMP VIEW current_{table.name} AS SELECT {current_columns(table)} "
            f"FROM accepted.{table.name} WHERE superseded_by IS NULL"
        )


def current_columns(table: Table) -> str:
    """List a table's columns for SQL: site, fields, and the day number of every date."""
    names = ['"site"'] + [quoted(field.name) for field in table.fields if field.name != "site"]
    days = [
        f"CAST({quoted(field.name)} - DATE '1970-01-01' AS BIGINT) AS {quoted(field.name + '_day')}"
        for field in table.fields
        if field.kind == "date"
    ]
    return ", ".join(names + days)


def store_derived(connection: DuckDBPyConnection, places: dict[str, str]) -> None:
    """Compute the derived tables from the current rows and store them at the given places."""
    from registry.derive import DERIVATION_VERSION, derive_tables

    base = {name: nw.from_native(connection.sql(f"SELECT * FROM current_{name}")) for name in TABLES}
    for name, frame in derive_tables(base).items():
        kind = "TEMP TABLE" if places[name].startswith("temp.") else "TABLE"
        relation: Any = frame.to_native()
        relation.query("derived_rows", f"CREATE OR REPLACE {kind} {places[name]} AS SELECT * FROM derived_rows")
    if all(place.startswith("derived.") for place in places.values()):
        set_meta(connection, "derivation_version", str(DERIVATION_VERSION))
