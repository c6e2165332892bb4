"""Honouring a withdrawn consent: a climber's rows leave the file itself, kept copies and freezes.

Bytes survive deletion inside a database, so the registry is copied without the rows into a new file, which then takes
the old one's place in one step. Killed at any moment, either the old file is there or the new one, and calling again
finishes what is left. What was handed out cannot be recalled, and blocks of a disk that were freed are not overwritten.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from registry.dictionary import TABLES
from registry.errors import InputError, NotWritableError, RegistryFileError
from registry.privacy.remarks import checked_because, checked_who
from registry.store.climber_rows import MADE_KEY, gather
from registry.store.connection import first_row, number, owner_only
from registry.store.freeze import SUPERSEDED, read_package, superseded_record
from registry.store.migration import kept_copies, open_current
from registry.store.reissuing import Reissue, empty_superseded, interrupted_reissues, reissue, supersede
from registry.store.rewriting import SALT, Withdrawing, clean_up, rewrite
from registry.store.schema import get_meta
from registry.store.verifying import freeze_folders

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection


@dataclass(frozen=True)
class Withdrawal:
    """What was done.

    rows
        Table -> rows that are gone, every revision counted; ``held`` -> held rows. Empty when an earlier call had
        removed them and only the rest was finished.
    copies
        Kept copies of the registry that were removed.
    freezes
        Freezes that were re-issued.
    left
        Sentences about what still holds, or may hold, the climber.
    """

    rows: dict[str, int]
    copies: list[Path]
    freezes: list[Reissue]
    left: list[str] = field(default_factory=list)


def withdraw(
    registry: str | Path,
    *,
    site: str,
    athlete: str,
    because: str | None = None,
    taken_by: str | None = None,
    freezes: str | Path | None = None,
    received_at: datetime | None = None,
) -> Withdrawal:
    """Remove a climber's rows from a registry, its kept copies and its freezes.

    Parameters
    ----------
    registry
        The registry file.
    site, athlete
        The site's code and the climber's pseudonym there. A squad is no climber; totals of squads stay.
    because, taken_by
        For the books; without anything that identifies a person.
    freezes
        A folder of freezes besides those that the registry knows of.
    received_at
        The clock, for tests; now when None.

    Returns
    -------
    Withdrawal

    Raises
    ------
    InputError
        The site has no such climber, or ``because`` or ``taken_by`` names a person.
    RegistryFileError
        The registry cannot be opened or written.
    """
    path = Path(registry)
    checked_who(taken_by, besides=athlete)
    because = checked_because(because, besides=athlete) if because is not None else None
    call = Withdrawing(site, athlete, because, taken_by, received_at or datetime.now(UTC).replace(tzinfo=None))
    more = freeze_folders(freezes) if freezes is not None else []
    with owner_only(), open_current(path, write=True) as connection:
        real = path.resolve()
        clean_up(real)
        rows = gather(connection, site=site, athlete=athlete)
        known = is_withdrawn(connection, site=site, athlete=athlete)
        if not rows and not known:
            raise _nobody(connection, site=site, athlete=athlete)
        left = _other_places(connection, real, site=site, athlete=athlete)
        done = _reissued(connection, real, call, more, left)
        if rows or done:
            rewrite(connection, real, call, rows, done)
    for one in done:
        supersede(one)
    _finish_superseded(path, more)
    return Withdrawal(rows, _remove_copies(path, real), done, left)


def is_withdrawn(connection: DuckDBPyConnection, *, site: str, athlete: str) -> bool:
    """Whether a climber of that pseudonym has withdrawn the consent at that site."""
    condition = withdrawn_condition(connection, site=site, column="CAST(? AS VARCHAR)")
    return bool(condition and first_row(connection, f"SELECT {condition}", [athlete])[0])


def withdrawn_condition(connection: DuckDBPyConnection, *, site: str, column: str = "athlete") -> str:
    """Return the SQL condition that a row names a climber who has withdrawn; empty when nobody of the site has.

    Parameters
    ----------
    connection
        The open registry.
    site
        The site that delivers.
    column
        SQL of the pseudonym, trimmed.
    """
    return _is_among(connection, "SELECT athlete_hash FROM withdrawals WHERE site = ?", site=site, column=column)


def withdrawn_case_condition(connection: DuckDBPyConnection, *, site: str, column: str) -> str:
    """Return the SQL condition that a key is that of a withdrawn climber's case; empty when nobody has withdrawn.

    Parameters
    ----------
    connection
        The open registry.
    site
        The site that delivers.
    column
        SQL of the case's key, trimmed. A key that was made of the climber's pseudonym tells the climber.
    """
    told = f"regexp_extract({column}, '{MADE_KEY}', 1)"
    conditions = (
        _is_among(
            connection, "SELECT case_hash FROM withdrawn_cases WHERE site = ?", site=site, column=column, mark=30
        ),
        withdrawn_condition(connection, site=site, column=told),
    )
    return " OR ".join(condition for condition in conditions if condition)


def _is_among(connection: DuckDBPyConnection, query: str, *, site: str, column: str, mark: int = 31) -> str:
    hashes = {str(row[0]) for row in connection.execute(query, [site]).fetchall()}
    salt = get_meta(connection, SALT)
    if not hashes or salt is None:
        return ""
    listed = ", ".join(f"'{one}'" for one in sorted(hashes))
    start = f"{salt}{site}".replace("'", "''")
    return f"sha256('{start}' || chr({mark}) || {column}) IN ({listed})"


def _nobody(connection: DuckDBPyConnection, *, site: str, athlete: str) -> InputError:
    if not number(connection, "SELECT count(*) FROM deliveries WHERE site = ?", [site]):
        return InputError("that site has never delivered anything to this registry; check --site. Nothing was changed.")
    squads = " UNION ALL ".join(
        f"SELECT squad FROM accepted.{table.name} WHERE site = $site"
        for table in TABLES.values()
        if "squad" in table.names
    )
    named = f"SELECT 1 FROM ({squads}) WHERE squad = $athlete LIMIT 1"
    if connection.execute(named, {"site": site, "athlete": athlete}).fetchall():
        return InputError("that is a squad, not a climber; its rows are totals and stay. Nothing was changed.")
    return InputError(
        "no row of that site names this climber, and none is held; check the spelling, leading zeros included. Nothing "
        "was changed."
    )


def _other_places(connection: DuckDBPyConnection, path: Path, *, site: str, athlete: str) -> list[str]:
    left = []
    sites = [
        str(row[0])
        for row in connection.execute(
            "SELECT DISTINCT site FROM accepted.athletes WHERE athlete = ? AND site <> ? ORDER BY 1", [athlete, site]
        ).fetchall()
    ]
    if sites:
        left.append(
            f"The same pseudonym stands at {', '.join(sites)} too. If the sites share a key it is the same climber: "
            "call again with that --site."
        )
    if path.stat().st_nlink > 1:
        left.append(f"{path} has a second name on this disk (a hard link); the old file lives on there. Remove it.")
    return left


def _reissued(
    connection: DuckDBPyConnection, path: Path, call: Withdrawing, more: list[Path], left: list[str]
) -> list[Reissue]:
    """Write the freezes that hold the climber anew; the old ones stay as they are until the registry is rewritten."""
    rows = connection.execute("SELECT name, folder FROM freezes WHERE superseded_by IS NULL ORDER BY name").fetchall()
    folders = dict.fromkeys(more)
    for name, noted in rows:
        # Earlier releases did not note the folder; by default it stands beside the registry.
        folder = noted or path.parent / "freezes" / name
        if Path(folder).is_dir():
            folders[Path(folder).resolve()] = None
            folders.update(dict.fromkeys(interrupted_reissues(Path(folder).parent)))
        elif not any(place.name == name for place in more):
            left.append(f"The freeze {name} was not found; call again with --freezes DIR if it still is in your hands.")
    done = []
    for folder in folders:
        try:
            one = reissue(folder, site=call.site, athlete=call.athlete, clock=call.clock)
        except NotWritableError:
            raise
        except RegistryFileError as error:
            left.append(f"A freeze could not be re-issued and may hold the climber; delete it. {error}")
            continue
        if one is not None:
            done.append(one)
    return done


def _finish_superseded(path: Path, more: list[Path]) -> None:
    """Put the record into old freezes whose turn had not come when an earlier call was interrupted."""
    with open_current(path, write=False) as connection:
        rows = connection.execute(
            "SELECT o.folder, o.content_hash, n.folder, n.content_hash FROM freezes o JOIN freezes n "
            "ON n.name = o.superseded_by WHERE o.folder IS NOT NULL"
        ).fetchall()
    for old, old_hash, new, new_hash in rows:
        if Path(new).is_dir() and _is_still(Path(old), old_hash):
            supersede(Reissue(Path(old), old_hash, Path(new), new_hash))
    for folder in more:
        if (folder / SUPERSEDED).is_file():
            empty_superseded(folder)


def _is_still(folder: Path, content_hash: str) -> bool:
    """Whether a folder holds that very freeze, in full or half emptied; a newer one may have taken its name."""
    try:
        record = superseded_record(folder)
        held = record["was"] if record is not None else read_package(folder)["content_hash"]
    except RegistryFileError:
        return False
    return bool(held == content_hash)


def _remove_copies(path: Path, real: Path) -> list[Path]:
    removed = []
    try:
        copies = [*kept_copies(path), *kept_copies(real)]
        for copy in dict.fromkeys(copy.absolute() for copy in copies):
            copy.unlink(missing_ok=True)
            removed.append(copy)
    except OSError:
        raise NotWritableError(
            "a kept copy of the registry beside it cannot be removed and still holds the climber; make its folder "
            "writable and call again."
        ) from None
    return removed
