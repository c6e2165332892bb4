"""Opening the registry file: checked before DuckDB touches it, locked by one writer, owner-only."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import duckdb

from registry.door import ENGINE_SETTINGS
from registry.errors import (
    NotARegistryError,
    NotWritableError,
    RegistryFileError,
    RegistryLockedError,
)

UNWRITABLE = (duckdb.IOException, duckdb.FatalException)
WAIT_SECONDS = 10.0
"""How long a command waits for another one to let go of the registry."""


def connect(
    path: Path, *, write: bool, create: bool = False, wait_seconds: float = WAIT_SECONDS
) -> duckdb.DuckDBPyConnection:
    """Open the DuckDB file; make it when ``create`` and it is not there yet.

    The file is never opened by anyone but DuckDB: closing any other descriptor of it would drop the locks that this
    process holds on it, and let a second writer in.

    Raises
    ------
    RegistryFileError, NotARegistryError, RegistryLockedError, NotWritableError
    """
    _check_place(path, write=write, create=create)
    deadline = time.monotonic() + wait_seconds
    while True:
        try:
            with owner_only():
                return duckdb.connect(str(path), read_only=not write, config=ENGINE_SETTINGS)
        except duckdb.ConnectionException:
            raise RegistryLockedError(
                f"{path} is open in this very program in another way; close that view first."
            ) from None
        except duckdb.IOException as error:
            if "lock" not in str(error).lower():
                raise _cannot_open(path, str(error)) from None
            if time.monotonic() > deadline:
                raise RegistryLockedError(
                    f"{path} is held by another program (an intake, a report or a notebook that has it open). "
                    f"Waited {wait_seconds:g} seconds; close the other one, then call again."
                ) from None
            time.sleep(0.1)
        except duckdb.Error as error:
            raise _cannot_open(path, str(error)) from None


def _check_place(path: Path, *, write: bool, create: bool) -> None:
    try:
        _check_path(path, write=write, create=create)
    except PermissionError:
        raise NotWritableError(f"the folder of {path} may not be looked into; check who owns it.") from None


def _check_path(path: Path, *, write: bool, create: bool) -> None:
    if path.is_dir():
        raise NotARegistryError(f"{path} is a folder; a registry is a single file. Name a file inside it.")
    if not path.exists() and not create:
        raise RegistryFileError(
            f"there is no registry at {path}. Check the path, or make one by taking in a delivery: "
            f"annulary intake DELIVERY --registry {path} --site CODE"
        )
    if write and not path.parent.is_dir():
        raise NotWritableError(f"the folder {path.parent} does not exist; make it first.")
    if write and not os.access(path.parent, os.W_OK):
        raise NotWritableError(f"the folder {path.parent} cannot be written; choose another place.")
    if not path.exists():
        return
    if not os.access(path, os.R_OK) or (write and not os.access(path, os.W_OK)):
        verb = "written" if write else "read"
        raise NotWritableError(f"{path} cannot be {verb}; check who owns it, or name another file.")
    if path.stat().st_size == 0:
        raise _not_a_registry(path)  # DuckDB would take an empty file for a new database


def _not_a_registry(path: Path) -> NotARegistryError:
    return NotARegistryError(
        f"{path} is not a registry (it is some other file). Nothing was changed; name the registry file that "
        "annulary intake made."
    )


def _cannot_open(path: Path, message: str) -> RegistryFileError:
    if not path.exists():
        return NotWritableError(f"{path} cannot be made there; choose a folder that you may write to.")
    if "not a valid" in message.lower():
        return _not_a_registry(path)
    return NotARegistryError(
        f"{path} looks like a registry but cannot be opened: it is damaged, cut short, or from a newer release. "
        "Nothing was changed; take the latest copy or freeze."
    )


@contextmanager
def owner_only() -> Iterator[None]:
    """Make files that only their owner can read."""
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)


@contextmanager
def transaction(connection: duckdb.DuckDBPyConnection, *, keep: bool = True) -> Iterator[None]:
    """Do all or nothing; with ``keep=False`` do all, look at it, and take it back."""
    try:
        connection.execute("BEGIN TRANSACTION")
        yield
        connection.execute("COMMIT" if keep else "ROLLBACK")
    except BaseException as error:
        # After a failed write the engine may have rolled back already and refuse to do it again.
        with suppress(duckdb.Error):
            connection.execute("ROLLBACK")
        if isinstance(error, UNWRITABLE) or _no_room_for_commit(error):
            raise NotWritableError(
                "the registry could not be written (the disk may be full, or the folder read-only). The registry is "
                "as it was; make room and call again."
            ) from None
        raise


def _no_room_for_commit(error: BaseException) -> bool:
    """Whether the log could not be written at the very end; the engine calls that a fault of the transaction."""
    return isinstance(error, duckdb.TransactionException) and "failed to commit" in str(error).lower()


def first_row(connection: duckdb.DuckDBPyConnection, query: str, values: list[object] | None = None) -> tuple[Any, ...]:
    """Return the first row of a query, or an empty tuple; the result is read to its end, so nothing stays open."""
    rows = connection.execute(query, values).fetchall()
    return rows[0] if rows else ()


def number(connection: duckdb.DuckDBPyConnection, query: str, values: list[object] | None = None) -> int:
    """Return the one whole number that a query gives; 0 when it gives none."""
    row = first_row(connection, query, values)
    return int(row[0]) if row and row[0] is not None else 0
