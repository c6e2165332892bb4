"""Opening a registry that must be there, for looking at it and for correcting it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from registry.errors import InputError, suggestion
from registry.store.connection import owner_only
from registry.store.migration import open_current

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection


@contextmanager
def opened_registry(registry: str | Path, *, write: bool) -> Iterator[DuckDBPyConnection]:
    """Open a registry for the length of a with block; one of an earlier release is brought up to date first.

    Raises
    ------
    RegistryFileError
        No such file, not a registry, or held by another program.
    """
    with owner_only():  # the engine makes its log beside the file when the first row is written
        connection = open_current(registry, write=write)
        try:
            yield connection
        finally:
            connection.close()


def own_site(connection: DuckDBPyConnection, site: str) -> str:
    """Return the site's code.

    Raises
    ------
    InputError
        The site has never delivered anything to this registry.
    """
    known = [str(row[0]) for row in connection.execute("SELECT DISTINCT site FROM deliveries ORDER BY site").fetchall()]
    if site not in known:
        raise InputError(f"no site '{site}' has delivered anything to this registry.{suggestion(site, known)}")
    return site
