"""Freezes: an immutable, hashed data package of the current rows and the derived tables.

A freeze's identity is the SHA-256 of its key-sorted canonical CSVs and its schema. Parquet bytes, delivery numbers and
times stand outside it, so that the same rows give the same identity in whatever order they came.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from registry.dictionary import DICTIONARY_VERSION, TABLES
from registry.door import ENGINE_SETTINGS, quoted
from registry.errors import InputError, NotARegistryError, NotWritableError, RegistryFileError
from registry.store.connection import UNWRITABLE, number, owner_only, transaction
from registry.store.migration import open_current
from registry.store.schema import get_meta, key_columns, sql_type
from registry.store.view import DERIVED, View, create_current_views, current_columns, store_derived

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

PACKAGE, SUMS, SUPERSEDED = "datapackage.json", "checksums.txt", "superseded.json"
FREEZE_FORMAT = 1
EXPECTED_FILES = {PACKAGE} | {
    f"{room}/{name}.{kind}"
    for room, names in (("data", tuple(TABLES)), ("derived", DERIVED))
    for name in names
    for kind in ("csv", "parquet")
}
FIELD_TYPES = {
    "BIGINT": "integer",
    "INTEGER": "integer",
    "DOUBLE": "number",
    "DATE": "date",
    "BOOLEAN": "boolean",
}


@dataclass(frozen=True)
class Frozen:
    """A freeze that was written."""

    folder: Path
    name: str
    content_hash: str
    rows: dict[str, int]


def freeze(
    name: str, *, registry: str | Path, out: str | Path | None = None, frozen_at: datetime | None = None
) -> Frozen:
    """Write the registry's current state as a data package.

    Parameters
    ----------
    name
        Name of the freeze and of its folder: letters, digits, point, hyphen, underscore.
    registry
        The registry file.
    out
        The folder that receives the freeze's folder; ``freezes`` beside the registry when None.
    frozen_at
        The clock, for tests.

    Raises
    ------
    InputError
        A name that is no folder name.
    NotWritableError
        The place is taken or cannot be written.
    """
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}", name):
        raise InputError(
            "a freeze's name may hold letters, digits, point, hyphen and underscore (80 at most), for example "
            "season-2025."
        )
    clock = frozen_at or datetime.now(UTC).replace(tzinfo=None)
    home = Path(registry).parent / "freezes" if out is None else Path(out)
    folder = home / name
    if folder.exists():
        raise NotWritableError(f"{folder} is there already, and a freeze never changes; choose another name.")
    partial = home / f".{name}.partial"
    with owner_only(), open_current(registry, write=True) as connection:
        try:
            create_current_views(connection)
            _refresh_derived(connection)
            make_folder(partial)
            resources = write_tables(connection, partial)
            content_hash = identity_of(resources)
            described = {"name": name, "frozen_at": clock.isoformat(timespec="seconds"), "held": _held(connection)}
            write_package(partial, described, content_hash, resources)
            os.replace(partial, folder)
            with transaction(connection):
                connection.execute(
                    "INSERT INTO freezes VALUES (?, ?, ?, ?, ?, NULL)",
                    [name, content_hash, clock, _derivation_version(), str(folder.resolve())],
                )
        except (OSError, *UNWRITABLE):
            raise NotWritableError(
                f"{folder} cannot be written (the disk may be full, or the folder read-only); nothing was frozen."
            ) from None
        finally:
            shutil.rmtree(partial, ignore_errors=True)
    return Frozen(folder, name, content_hash, {entry["name"]: entry["rows"] for entry in resources})


def open_freeze(folder: str | Path, *, verify: bool = True) -> View:
    """Open a freeze for analysis.

    Parameters
    ----------
    folder
        The freeze's folder.
    verify
        Recompute every checksum before anything is read.

    Raises
    ------
    RegistryFileError, NotARegistryError
        No such folder, no data package, a file that no longer matches its checksum, or a freeze that was superseded.
    """
    import duckdb

    place = Path(folder)
    package = read_package(place)
    if verify:
        verify_files(place, package)
    connection = duckdb.connect(":memory:", config=ENGINE_SETTINGS)
    open_tables(connection, place)
    places = {name: f"derived_{name}" for name in DERIVED}
    for name, target in places.items():
        connection.execute(f"CREATE VIEW {target} AS SELECT * FROM {parquet(place / 'derived' / f'{name}.parquet')}")
    if package["derivation_version"] != _derivation_version():
        for target in places.values():
            connection.execute(f"DROP VIEW {target}")
        places = {name: f"temp.derived_{name}" for name in DERIVED}
        store_derived(connection, places)
    connection.register("held_counts_frame", _held_frame(package))
    connection.execute("CREATE TEMP VIEW held_counts AS SELECT * FROM held_counts_frame")
    identity = {
        "name": package["name"],
        "content_hash": package["content_hash"],
        "derivation_version": _derivation_version(),
    }
    label = f"freeze {package['name']} ({package['content_hash'][:12]})"
    return View(connection, label=label, identity=identity, derived=places)


def _derivation_version() -> int:
    from registry.derive import DERIVATION_VERSION

    return DERIVATION_VERSION


def _refresh_derived(connection: DuckDBPyConnection) -> None:
    if get_meta(connection, "derivation_version") == str(_derivation_version()):
        return
    with transaction(connection):
        store_derived(connection, {name: f"derived.{name}" for name in DERIVED})


def make_folder(partial: Path) -> None:
    """Make an empty folder for a package, instead of what an interrupted freeze may have left."""
    shutil.rmtree(partial, ignore_errors=True)
    (partial / "data").mkdir(parents=True)
    (partial / "derived").mkdir()


def write_tables(connection: DuckDBPyConnection, folder: Path) -> list[dict[str, Any]]:
    """Write every table as canonical CSV and as Parquet; return one record a table."""
    jobs = []
    for table in TABLES.values():
        names = ", ".join(['"site"', *(quoted(field.name) for field in table.fields if field.name != "site")])
        order = ", ".join(f"{key} NULLS FIRST" for key in key_columns(table))
        jobs.append((table.name, "data", f"SELECT {names} FROM current_{table.name} ORDER BY {order}"))
    jobs += [(name, "derived", f"SELECT * FROM derived.{name} ORDER BY ALL NULLS FIRST") for name in DERIVED]
    resources = []
    for name, room, select in jobs:
        stem = folder / room / name
        schema = connection.execute(f"DESCRIBE {select}").fetchall()
        connection.execute(f"CREATE OR REPLACE TEMP TABLE writing AS {select}")
        connection.execute(f"COPY writing TO {_path(stem, 'csv')} (FORMAT csv, HEADER true)")
        connection.execute(f"COPY writing TO {_path(stem, 'parquet')} (FORMAT parquet)")
        rows = number(connection, "SELECT count(*) FROM writing")
        resources.append(
            {
                "name": f"{room}/{name}",
                "rows": rows,
                "csv_sha256": _sha256(stem.with_suffix(".csv")),
                "fields": [{"name": column[0], "type": FIELD_TYPES.get(column[1], "string")} for column in schema],
            }
        )
    return resources


def identity_of(resources: list[dict[str, Any]]) -> str:
    """Hash the dictionary's tables only: derived ones follow from them and from the derivation's version."""
    content = [entry for entry in resources if entry["name"].startswith("data/")]
    said = json.dumps([FREEZE_FORMAT, content], sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(said.encode()).hexdigest()


def _held(connection: DuckDBPyConnection) -> list[dict[str, Any]]:
    rows = connection.execute(
        "SELECT site, table_name, code, count(*) FROM held JOIN held_reasons USING (held_id) "
        "WHERE standing = 'open' GROUP BY ALL ORDER BY ALL"
    ).fetchall()
    return [{"site": s, "table": t, "reason": c, "n": n} for s, t, c, n in rows]


def write_package(folder: Path, described: dict[str, Any], content_hash: str, resources: list[dict[str, Any]]) -> None:
    """Write what the package says of itself, and the checksums of all its files.

    Parameters
    ----------
    described
        name, frozen_at, held, and whatever else is to stand in the package.
    """
    package = {
        "profile": "tabular-data-package",
        "title": "Pseudonymised health data of climbers: finger injuries and climbing time",
        "cautions": "Group statistics only; not for diagnosing, treating or clearing a person to climb.",
        **described,
        "content_hash": content_hash,
        "dictionary_version": DICTIONARY_VERSION,
        "derivation_version": _derivation_version(),
        "resources": [
            {
                "name": entry["name"].replace("/", "-"),
                "path": f"{entry['name']}.csv",
                "format": "csv",
                "encoding": "utf-8",
                "rows": entry["rows"],
                "hash": f"sha256:{entry['csv_sha256']}",
                "schema": {"fields": entry["fields"]},
            }
            for entry in resources
        ],
    }
    (folder / PACKAGE).write_text(json.dumps(package, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    sums = "".join(f"{_sha256(path)}  {path.relative_to(folder).as_posix()}\n" for path in files)
    (folder / SUMS).write_text(sums, encoding="utf-8")
    for path in files:
        path.chmod(0o600)  # DuckDB's writer does not ask the umask


def read_package(place: Path) -> dict[str, Any]:
    """Read what a freeze says of itself.

    Raises
    ------
    RegistryFileError, NotARegistryError
        No such folder, no data package, or a freeze that was superseded.
    """
    if not place.is_dir():
        raise RegistryFileError(f"there is no freeze at {place}; give the folder that annulary freeze made.")
    record = superseded_record(place)
    if record is not None:
        raise RegistryFileError(
            f"the freeze {place} was superseded by {record['superseded_by']} ({record['because']}) and holds no data "
            f"any more. Use {place.parent / record['superseded_by']}; its numbers may differ a little."
        )
    try:
        package = json.loads((place / PACKAGE).read_text(encoding="utf-8"))
        needed = ("name", "content_hash", "derivation_version", "held", "resources")
        if not isinstance(package, dict) or any(key not in package for key in needed):
            raise ValueError
    except (OSError, ValueError):
        raise NotARegistryError(f"{place} holds no readable {PACKAGE}: it is not a freeze of a registry.") from None
    return package


def superseded_record(place: Path) -> dict[str, str] | None:
    """Return superseded_by with its content_hash, because, and the hash that a superseded freeze had; else None."""
    path = place / SUPERSEDED
    if not path.exists():
        return None
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        return {key: str(record[key]) for key in ("superseded_by", "content_hash", "because", "was")}
    except (OSError, ValueError, KeyError, TypeError):
        raise NotARegistryError(f"{place} holds no readable {SUPERSEDED}; ask who keeps the registry.") from None


def verify_files(place: Path, package: dict[str, Any]) -> None:
    """Check that every file is there, that no other is, that each is what was frozen, and the identity itself."""
    try:
        lines = (place / SUMS).read_text(encoding="utf-8").splitlines()
    except (OSError, ValueError):
        raise NotARegistryError(f"{place} has no readable {SUMS}; the freeze is not complete.") from None
    sums = {name: expected for expected, _, name in (line.partition("  ") for line in lines)}
    present = {path.relative_to(place).as_posix() for path in place.rglob("*") if path.is_file()} - {SUMS}
    for name in sorted(present | set(sums) | EXPECTED_FILES):
        if name not in sums or name not in present or _sha256(place / name) != sums[name]:
            raise NotARegistryError(
                f"{place}: {name} is missing, strange, or no longer what was frozen. Use an untouched copy of the "
                "freeze."
            )
    if identity_of(_resources_of(package)) != package["content_hash"]:
        raise NotARegistryError(f"{place}: the content hash does not fit the tables. Use an untouched copy.")


def _resources_of(package: dict[str, Any]) -> list[dict[str, Any]]:
    """Read back from the package what its identity was made of."""
    return [
        {
            "name": resource["path"].removesuffix(".csv"),
            "rows": resource["rows"],
            "csv_sha256": resource["hash"].removeprefix("sha256:"),
            "fields": resource["schema"]["fields"],
        }
        for resource in package["resources"]
    ]


def open_tables(connection: DuckDBPyConnection, place: Path, *, without: dict[str, str] | None = None) -> None:
    """Make the views ``current_<table>`` on a freeze's files; columns that it does not know yet are empty.

    Parameters
    ----------
    without
        Table -> SQL condition of rows that are passed over.
    """
    for table in TABLES.values():
        source = parquet(place / "data" / f"{table.name}.parquet")
        present = {row[0] for row in connection.execute(f"DESCRIBE SELECT * FROM {source}").fetchall()}
        absent = [
            f", CAST(NULL AS {sql_type(field)}) AS {quoted(field.name)}"
            for field in table.fields
            if field.name not in present
        ]
        left = f" WHERE ({without[table.name]}) IS NOT TRUE" if without and table.name in without else ""
        connection.execute(
            f"CREATE TEMP VIEW current_{table.name} AS SELECT {current_columns(table)} "
            f"FROM (SELECT *{''.join(absent)} FROM {source}{left})"
        )


def _held_frame(package: dict[str, Any]) -> Any:
    import pyarrow as pa

    schema = pa.schema([("site", pa.string()), ("table", pa.string()), ("reason", pa.string()), ("n", pa.int64())])
    return pa.Table.from_pylist(package["held"], schema=schema)


def parquet(path: Path) -> str:
    """Return the SQL that reads a file of a freeze."""
    return f"read_parquet({_literal(str(path))})"


def _path(stem: Path, suffix: str) -> str:
    return _literal(f"{stem}.{suffix}")


def _literal(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
