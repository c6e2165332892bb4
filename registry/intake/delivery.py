"""The intake from end to end: read, refuse, stage, screen, commit, derive; all of it or nothing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from registry.door import ENGINE_SETTINGS
from registry.errors import DeliveryError, InputError
from registry.intake.books import enter_files, new_refusals, open_delivery, still_held, taken_before
from registry.intake.committing import commit_all, hold, keep_warnings
from registry.intake.identifiers import Refusal, refusal_by_columns
from registry.intake.reading import read_bytes, read_table
from registry.intake.recognising import RecognisedFile, delivered_files, recognise
from registry.intake.refusing import check_site, refused_by_content
from registry.intake.report import FileCount, IntakeReport, delivery_findings, place_findings
from registry.intake.screening import screen
from registry.intake.staging import Stage
from registry.store.connection import connect, owner_only, transaction
from registry.store.schema import is_new, prepare
from registry.store.view import DERIVED, create_current_views, store_derived

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

Progress = Callable[[str], None]


def take_in(
    delivery: str | Path | Sequence[str | Path],
    *,
    registry: str | Path,
    site: str,
    dry_run: bool = False,
    received_at: datetime | None = None,
    progress: Progress | None = None,
) -> IntakeReport:
    """Take in a site's delivery.

    Parameters
    ----------
    delivery
        A folder with CSV files, or one or several files, in the dictionary's column names.
    registry
        The registry file; made when it is not there.
    site
        The site's code; its row in ``sites`` must be in the registry or in the delivery.
    dry_run
        Do everything, say what would happen, and take it back.
    received_at
        The clock, for tests; now when None. No date of a delivery may lie after it.

    Returns
    -------
    IntakeReport

    Raises
    ------
    DeliveryError
        A file that cannot be read as one of the tables; nothing is taken in.
    RegistryFileError
        The registry cannot be opened or written.
    """
    say = progress or (lambda _: None)
    places = [delivery] if isinstance(delivery, str | Path) else list(delivery)
    if not site.strip() or len(site) > 40:
        raise InputError("the site's code is empty or longer than 40 characters; give it as --site CODE.")
    clock = received_at or datetime.now(UTC).replace(tzinfo=None)
    say("reading")
    files, refusals = _read(delivered_files([Path(place) for place in places]))
    path = Path(registry)
    made = _missing(path)
    with owner_only(), _opened(path, in_memory=dry_run and made) as connection:
        try:
            with transaction(connection, keep=not dry_run):
                prepare(connection)
                create_current_views(connection)
                return _process(connection, files, refusals, site=site, clock=clock, dry_run=dry_run, say=say)
        except BaseException:
            # While the lock is still ours, and only if nobody has committed anything since we looked.
            with suppress(duckdb.Error):  # after a full disk the engine may answer nothing more
                if made and is_new(connection):
                    path.unlink(missing_ok=True)
            raise


def _missing(path: Path) -> bool:
    return not path.exists()


def _opened(path: Path, *, in_memory: bool) -> DuckDBPyConnection:
    return _memory() if in_memory else connect(path, write=True, create=True)


def _memory() -> DuckDBPyConnection:
    return duckdb.connect(":memory:", config=ENGINE_SETTINGS)


def _read(paths: list[Path]) -> tuple[list[RecognisedFile], list[Refusal]]:
    """Read all files; every file that cannot be read is named, not only the first."""
    files: list[RecognisedFile] = []
    refusals: list[Refusal] = []
    faults: list[str] = []
    for path in paths:
        try:
            data = read_bytes(path)
            text = read_table(data, name=_plain_name(path))
            refusal = refusal_by_columns(text.name, text.sha256, text.header)
            if refusal:
                refusals.append(refusal)
            else:
                files.append(recognise(text))
        except DeliveryError as error:
            faults.append(str(error))
    if faults:
        raise DeliveryError("\n".join([*faults, "Nothing was taken in."]))
    names = [file.text.name for file in files]
    if len(names) != len(set(names)):
        raise DeliveryError("two files of the delivery have the same name; give each its own. Nothing was taken in.")
    return files, refusals


def _plain_name(path: Path) -> str:
    """Return the file's name without characters that a terminal would obey or a text cannot hold."""
    return "".join(character if character.isprintable() else "?" for character in path.name)


def _process(
    connection: DuckDBPyConnection,
    files: list[RecognisedFile],
    refusals: list[Refusal],
    *,
    site: str,
    clock: datetime,
    dry_run: bool,
    say: Progress,
) -> IntakeReport:
    check_site(files, site=site)
    taken = [file for file in files if taken_before(connection, file, site=site)]
    counts = [
        FileCount(
            file.text.name,
            file.table.name,
            file.text.n_rows,
            still_held(connection, file, site=site),
            already_taken=True,
        )
        for file in taken
    ]
    skipped = {file.text.sha256 for file in taken}
    fresh = [file for file in files if file.text.sha256 not in skipped]
    if fresh:
        fresh, more = refused_by_content(connection, fresh, site=site)
        refusals = refusals + more
    report = IntakeReport(site=site, dry_run=dry_run, files=counts, tables=[], refusals=refusals)
    if not fresh and not new_refusals(connection, refusals, site=site):
        return report
    delivery = open_delivery(connection, site=site, received_at=clock, refusals=refusals)
    if not fresh:
        return report
    stage = Stage(connection, site=site)
    for file in fresh:
        stage.add_file(file)
    stage.add_held()
    say("checking")
    # The clock is universal time; somewhere the next day has begun already.
    screen(stage, received_on=(clock + timedelta(hours=14)).date())
    place_findings(connection)
    say("keeping")
    tables = commit_all(stage, delivery=delivery)
    unreadable = {file.text.name: (file.table.name, file.text.unreadable) for file in fresh if file.text.unreadable}
    released = hold(stage, delivery=delivery, unreadable=unreadable)
    keep_warnings(stage, delivery=delivery)
    counts += enter_files(connection, fresh, site=site, delivery=delivery)
    if not dry_run:
        say("deriving")
        store_derived(connection, {name: f"derived.{name}" for name in DERIVED})
    return replace(
        report,
        files=counts,
        tables=tables,
        released=released,
        findings=delivery_findings(connection, fresh, first_new_row=stage.first_new_row, delivery=delivery),
    )
