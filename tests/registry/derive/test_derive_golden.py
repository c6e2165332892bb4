"""The derived tables of a fixed registry, as one hash for each version; equal whatever library delivers the rows."""

import hashlib

import pandas as pd
import polars as pl
import pyarrow as pa
import pytest

from registry.derive import DERIVATION_VERSION, derived_tables
from registry.derive.occurrences import OCCURRENCE_COLUMNS
from registry.derive.risk_time import RISK_TIME_COLUMNS
from registry.derive.tables import CASE_COLUMNS, FINDING_COLUMNS

GOLDEN = {1: "9076fd19d14bc94215b76f33fe44d5707eeb2904653cb14ce071afb18d210ff0"}
"""Derivation version -> hash. A changed derivation needs a new version and a new line here."""

COLUMNS = {
    "cases": CASE_COLUMNS,
    "findings": FINDING_COLUMNS,
    "occurrences": OCCURRENCE_COLUMNS,
    "risk_time": RISK_TIME_COLUMNS,
}


def lines(tables):
    listed = []
    for name, table in sorted(tables.items()):
        collected = table.collect()
        listed.append(f"{name}: {','.join(collected.columns)}")
        listed += sorted(repr(row) for row in collected.rows())
    return listed


def pandas_frame(columns):
    return pd.DataFrame(columns)


def pandas_dates(columns):
    frame = pd.DataFrame(columns)
    for name in ("onset", "recorded", "first_seen", "off_from", "seen", "since", "found_on", "starts_on", "ends_on"):
        if name in frame:
            frame[name] = pd.to_datetime(frame[name])
    return frame


def polars_dates(columns):
    frame = pl.DataFrame(columns)
    dated = [name for name in ("onset", "seen", "since", "found_on", "starts_on", "ends_on") if name in frame.columns]
    return frame.with_columns(pl.col(name).str.to_date() for name in dated)


@pytest.fixture(scope="module")
def expected(small_registry):
    return lines(derived_tables(small_registry))


def test_derivation_has_not_changed_without_a_new_version(expected):
    digest = hashlib.sha256("\n".join(expected).encode()).hexdigest()
    assert digest == GOLDEN[DERIVATION_VERSION], "the derivation changed: raise DERIVATION_VERSION, add its hash"


@pytest.mark.parametrize("make", [pandas_frame, pandas_dates, pl.DataFrame, polars_dates, pa.table])
def test_every_library_gives_equal_tables(small_registry, expected, make):
    assert lines(derived_tables({name: make(columns) for name, columns in small_registry.items()})) == expected


def test_row_order_does_not_matter(small_registry, expected):
    turned = {
        name: {column: list(reversed(values)) for column, values in columns.items()}
        for name, columns in small_registry.items()
    }
    assert lines(derived_tables(turned)) == expected


def test_columns_and_types(small_registry):
    for name, table in derived_tables(small_registry).items():
        schema = table.collect_schema()
        assert tuple(schema.names()) == COLUMNS[name]
        for column, kind in schema.items():
            if column.endswith(("_day", "_days", "_after", "_n")) or column.startswith("has_"):
                assert str(kind) == "Int64", (name, column)
            if column.endswith("_returned") or column in {"minor", "time_loss_complete", "hand_is_dominant"}:
                assert str(kind) == "Boolean", (name, column)
