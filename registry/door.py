"""The one door: whatever frame a notebook holds enters DuckDB before anything is computed on it.

pandas, polars and pyarrow disagree about nulls (pandas: NaN is not True, but ``!=`` keeps it). A frame that
has passed this door follows SQL's rules, whichever library made it: NaN and None are NULL, categories text.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any

import duckdb
import narwhals.stable.v2 as nw

from registry.errors import InputError, missing_column


@cache
def session() -> duckdb.DuckDBPyConnection:
    """Return the in-memory DuckDB that owns every frame passed in by this process."""
    return duckdb.connect(":memory:", config=ENGINE_SETTINGS)


ENGINE_SETTINGS: dict[str, Any] = {
    # A registry must not fetch code from anywhere because a query mentions a file type.
    "autoload_known_extensions": False,
    "autoinstall_known_extensions": False,
}


def enter(frame: Any) -> nw.LazyFrame[Any]:
    """Take a pandas, polars or pyarrow frame, a dict of columns, or a frame that is already inside.

    Parameters
    ----------
    frame
        n rows by any columns. A narwhals LazyFrame or a DuckDB relation passes through untouched.

    Returns
    -------
    narwhals LazyFrame over DuckDB, same columns; NaN and None are NULL, categorical columns are text.

    Raises
    ------
    InputError
        When the object is no frame, or a column mixes types that no table can hold.

    Examples
    --------
    >>> enter({"digit": ["ring", None]}).collect().shape
    (2, 1)
    """
    if isinstance(frame, duckdb.DuckDBPyRelation):
        return nw.from_native(frame)
    if isinstance(frame, nw.LazyFrame) and frame.implementation.is_duckdb():
        return frame
    table = _arrow(frame)
    relation = session().from_arrow(table)
    return nw.from_native(_nan_to_null(relation, table))


def _arrow(frame: Any) -> Any:
    import pyarrow as pa

    if isinstance(frame, pa.Table):
        return frame
    if isinstance(frame, Mapping):
        return pa.table({str(name): list(values) for name, values in frame.items()})
    if type(frame).__module__.startswith("pandas.") and hasattr(frame, "columns"):
        return _from_pandas(frame)
    try:
        wrapped: Any = nw.from_native(frame)
    except TypeError:
        raise InputError(f"a table is needed (pandas, polars or pyarrow frame); got {type(frame).__name__}.") from None
    if isinstance(wrapped, nw.LazyFrame):
        wrapped = wrapped.collect()
    if wrapped.implementation.is_pandas():
        return _from_pandas(wrapped.to_native())
    return wrapped.to_arrow()


def _from_pandas(frame: Any) -> Any:
    import pyarrow as pa

    columns: dict[str, Any] = {}
    for position, name in enumerate(frame.columns):
        if str(name) in columns:
            raise InputError(f"two columns of the table are called '{name}'; rename or drop one.")
        values = frame.iloc[:, position]
        try:
            columns[str(name)] = pa.Array.from_pandas(values)
        except (pa.ArrowInvalid, pa.ArrowTypeError):
            raise InputError(
                f"column '{name}' mixes kinds of values (for example text and numbers); give it one kind."
            ) from None
    return pa.table(columns)


def _nan_to_null(relation: duckdb.DuckDBPyRelation, table: Any) -> duckdb.DuckDBPyRelation:
    import pyarrow as pa

    parts = []
    for field in table.schema:
        name = quoted(field.name)
        if pa.types.is_floating(field.type):
            parts.append(f"CASE WHEN isnan({name}) THEN NULL ELSE {name} END AS {name}")
        elif pa.types.is_dictionary(field.type):
            parts.append(f"CAST({name} AS VARCHAR) AS {name}")
        elif pa.types.is_null(field.type):
            parts.append(f"CAST(NULL AS VARCHAR) AS {name}")
        else:
            parts.append(name)
    return relation.project(", ".join(parts)) if parts else relation


def quoted(name: str) -> str:
    """Quote a name for SQL."""
    return '"' + name.replace('"', '""') + '"'


def require(frame: nw.LazyFrame[Any], columns: Iterable[tuple[str, str]]) -> None:
    """Raise ColumnError for the first (column, role) that the frame lacks."""
    present = frame.collect_schema().names()
    for column, role in columns:
        if column not in present:
            raise missing_column(column, role, present)
