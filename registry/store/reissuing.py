"""Re-issuing freezes without a climber who has withdrawn the consent, and leaving a plain record in the old ones."""

from __future__ import annotations

import json
import os
import re
import shutil
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb

from registry.dictionary import TABLES
from registry.door import ENGINE_SETTINGS
from registry.errors import NotWritableError, RegistryFileError
from registry.store.connection import UNWRITABLE, owner_only
from registry.store.freeze import (
    PACKAGE,
    SUPERSEDED,
    identity_of,
    make_folder,
    open_tables,
    parquet,
    read_package,
    superseded_record,
    verify_files,
    write_package,
    write_tables,
)
from registry.store.view import DERIVED, store_derived

BECAUSE = "a consent was withdrawn"


@dataclass(frozen=True)
class Reissue:
    """A freeze that another one stands for from now on."""

    old: Path
    old_hash: str
    new: Path
    new_hash: str


def reissue(folder: Path, *, site: str, athlete: str, clock: datetime) -> Reissue | None:
    """Write a freeze anew without a climber, beside the old one; the old one is not touched yet.

    Parameters
    ----------
    folder
        A freeze.
    site, athlete
        The climber.
    clock
        Now, for the new package.

    Returns
    -------
    Reissue, or None when the freeze does not hold the climber or was superseded before.

    Raises
    ------
    RegistryFileError
        The freeze is no longer what was frozen.
    NotWritableError
        The new one cannot be written.
    """
    if superseded_record(folder) is not None:
        return None
    package = read_package(folder)
    verify_files(folder, package)
    without = _without(folder, site=site, athlete=athlete)
    if without is None:
        return None
    old_hash = str(package["content_hash"])
    target, made = _target(folder, package, site=site, athlete=athlete)
    if made is not None:
        return Reissue(folder, old_hash, target, made)
    partial = folder.parent / f".{target.name}.partial"
    described = {
        "name": target.name,
        "frozen_at": package.get("frozen_at"),
        "held": package["held"],
        "reissued_at": clock.isoformat(timespec="seconds"),
        "reissue_of": {"name": folder.name, "content_hash": old_hash, "because": BECAUSE},
    }
    try:
        with owner_only():
            new_hash = _write(folder, partial, without, described)
            os.replace(partial, target)
    except (OSError, *UNWRITABLE):
        raise NotWritableError(
            f"{target} cannot be written (the disk may be full, or the folder read-only), so that the freeze {folder} "
            "cannot be re-issued. Nothing was changed; make room and call again."
        ) from None
    finally:
        shutil.rmtree(partial, ignore_errors=True)
    return Reissue(folder, old_hash, target, new_hash)


def supersede(done: Reissue) -> None:
    """Put the record into the old freeze's folder and remove everything else from it; may be called again."""
    record = {
        "superseded_by": done.new.name,
        "content_hash": done.new_hash,
        "because": BECAUSE,
        "was": done.old_hash,
    }
    partial = done.old / f".{SUPERSEDED}.partial"
    try:
        with owner_only():
            partial.write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
        os.replace(partial, done.old / SUPERSEDED)
    except OSError:
        raise NotWritableError(
            f"{done.old} cannot be written, so that the old freeze still holds the climber; make it writable and call "
            "again."
        ) from None
    empty_superseded(done.old)


def empty_superseded(folder: Path) -> None:
    """Remove everything but the record from the folder of a superseded freeze.

    Raises
    ------
    NotWritableError
        Something in it cannot be removed.
    """
    try:
        for path in folder.iterdir():
            if path.name == SUPERSEDED:
                continue
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path)
            else:
                path.unlink()
    except OSError:
        raise NotWritableError(
            f"{folder} cannot be emptied, so that the old freeze still holds the climber; make it writable and call "
            "again."
        ) from None


def interrupted_reissues(home: Path) -> list[Path]:
    """Return the re-issued freezes in a folder: a call that was interrupted may have left one that no book names."""
    found = []
    for folder in sorted(home.iterdir()) if home.is_dir() else []:
        try:
            if (folder / PACKAGE).is_file() and "reissue_of" in read_package(folder):
                found.append(folder)
        except RegistryFileError:
            continue
    return found


def _without(folder: Path, *, site: str, athlete: str) -> dict[str, str] | None:
    """Return table -> condition of the climber's rows; None when the freeze holds none."""
    with duckdb.connect(":memory:", config=ENGINE_SETTINGS) as connection:
        cases = parquet(folder / "data" / "cases.parquet")
        theirs = f"site = {_literal(site)} AND athlete = {_literal(athlete)}"
        without, n_rows = {}, 0
        for table in TABLES.values():
            parts = ["athlete = " + _literal(athlete)] if "athlete" in table.names else []
            if "case" in table.names:
                parts.append(f'"case" IN (SELECT "case" FROM {cases} WHERE {theirs})')
            if not parts:
                continue
            without[table.name] = f"site = {_literal(site)} AND ({' OR '.join(parts)})"
            source = parquet(folder / "data" / f"{table.name}.parquet")
            count = f"SELECT count(*) FROM {source} WHERE {without[table.name]}"
            n_rows += int(connection.execute(count).fetchall()[0][0])
    return without if n_rows else None


def _target(folder: Path, package: dict[str, Any], *, site: str, athlete: str) -> tuple[Path, str | None]:
    """Return the folder of the re-issue, and its content hash when an interrupted call has written it already."""
    base = re.sub(r"\.[0-9]+$", "", folder.name) if "reissue_of" in package else folder.name
    n = 2
    while True:
        target = folder.parent / f"{base}.{n}"
        if not target.exists():
            return target, None
        try:
            other = read_package(target)
            if other.get("reissue_of", {}).get("content_hash") == package["content_hash"]:
                verify_files(target, other)
                if _without(target, site=site, athlete=athlete) is None:
                    return target, str(other["content_hash"])
        except RegistryFileError:
            pass
        n += 1


def _write(folder: Path, partial: Path, without: dict[str, str], described: dict[str, Any]) -> str:
    make_folder(partial)
    with duckdb.connect(":memory:", config=ENGINE_SETTINGS) as connection:
        connection.execute("CREATE SCHEMA derived")
        connection.execute("CREATE TABLE meta (name VARCHAR, value VARCHAR)")
        open_tables(connection, folder, without=without)
        store_derived(connection, {name: f"derived.{name}" for name in DERIVED})
        resources = write_tables(connection, partial)
    content_hash = identity_of(resources)
    write_package(partial, described, content_hash, resources)
    return content_hash


def _literal(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
