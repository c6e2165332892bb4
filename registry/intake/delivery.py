"""The intake from end to end: read, refuse, stage, screen, commit, derive; all of it or nothing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from registry.door import ENGINE_SETTINGS
from registry.errors import InputError
from registry.intake.across_derived import keep_derived_warnings
from registry.intake.books import (
    Opening,
    enter_files,
    known_maps,
    new_refusals,
    open_delivery,
    still_held,
    taken_before,
)
from registry.intake.checks import text_literal
from registry.intake.committing import commit_all, hold, keep_warnings
from registry.intake.files import Incoming, read_delivery
from registry.intake.mapped import add_held_mapped, add_mapped
from registry.intake.mended import begin_mended, mend
from registry.intake.recognising import RecognisedFile
from registry.intake.refusing import check_site, refused_by_content
from registry.intake.report import FileCount, IntakeReport, delivery_findings, place_findings
from registry.intake.screening import screen
from registry.intake.staging import Stage
from registry.intake.vanishing import vanished_rows
from registry.intake.withdrawn_rows import drop_withdrawn
from registry.maps.loading import load_map
from registry.store.checksums import write_checksums
from registry.store.connection import owner_only, transaction
from registry.store.migration import open_current
from registry.store.schema import is_new, prepare
from registry.store.view import DERIVED, create_current_views, store_derived

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from registry.maps.model import ColumnMap

Progress = Callable[[str], None]

MEMORY = "800MB"
"""What the engine may hold at first; the cells that were read need as much again beside it."""


@dataclass(frozen=True, kw_only=True)
class _Call:
    """What was asked, and the clock."""

    opening: Opening
    dry_run: bool
    say: Progress
    maps: list[ColumnMap] = field(default_factory=list)


def take_in(  # noqa: PLR0913 - each is a word that a notebook may leave away
    delivery: str | Path | Sequence[str | Path],
    *,
    registry: str | Path,
    site: str,
    maps: str | Path | Sequence[str | Path] = (),
    snapshot: bool = False,
    period: tuple[date, date] | None = None,
    taken_by: str | None = None,
    dry_run: bool = False,
    received_at: datetime | None = None,
    progress: Progress | None = None,
) -> IntakeReport:
    """Take in a site's delivery.

    Parameters
    ----------
    delivery
        A folder with files, or one or several files (CSV or XLSX): in the dictionary's column names, in a site's own
        columns that one of the maps reads, or a mended sheet of held rows.
    registry
        The registry file; made when it is not there.
    site
        The site's code; its row in ``sites`` must be in the registry, in the delivery or in a map.
    maps
        Column maps (TOML files) for files in a site's own columns.
    snapshot
        The delivery holds every row of its period: earlier rows that it lacks are reported, never removed. Otherwise
        it is an increment, which says nothing about the rows that it lacks.
    period
        First and last day that a snapshot covers; all days when None.
    taken_by
        Who takes it in, for the books.
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
    call = _Call(
        opening=Opening(
            site=_checked_site(site),
            received_at=received_at or datetime.now(UTC).replace(tzinfo=None),
            kind="snapshot" if snapshot else "increment",
            period=_checked_period(period, snapshot=snapshot),
            taken_by=taken_by,
        ),
        dry_run=dry_run,
        say=progress or (lambda _: None),
        maps=[load_map(Path(path)) for path in _several(maps)],
    )
    call.say("reading")
    incoming = read_delivery([Path(place) for place in _several(delivery)], maps=call.maps, site=site)
    return _in_the_registry(Path(registry), lambda connection: _process(connection, incoming, call), dry_run=dry_run)


def accept(registry: str | Path, *, held_id: int, because: str, taken_by: str | None = None) -> IntakeReport:
    """Take a held row in although something speaks against it, because a person has looked and says why.

    Only reasons that are a matter of judgement can be accepted: a likely duplicate, lost zeros, a row that was taken
    back before.

    Raises
    ------
    InputError
        No open held row of that number, a reason that only a mend can close, or no word why.
    """
    from registry.intake.holding import exempt

    def work(connection: DuckDBPyConnection) -> IntakeReport:
        site = exempt(connection, held_id=held_id, because=because)
        opening = Opening(site=site, received_at=_now(), kind="decision", taken_by=taken_by)
        call = _Call(opening=opening, dry_run=False, say=lambda _: None)
        return _process(connection, Incoming(), call, exempted=(held_id, because))

    return _in_the_registry(Path(registry), work, dry_run=False, create=False)


def _now() -> datetime:
    return datetime.now(UTC).replace(tzinfo=None)


def _several(places: str | Path | Sequence[str | Path]) -> list[str | Path]:
    return [places] if isinstance(places, str | Path) else list(places)


def _checked_site(site: str) -> str:
    if not site.strip() or len(site) > 40:
        raise InputError("the site's code is empty or longer than 40 characters; give it as --site CODE.")
    return site


def _checked_period(period: tuple[date, date] | None, *, snapshot: bool) -> tuple[date, date] | None:
    if period is None:
        return None
    if not snapshot:
        raise InputError("a period is said of a snapshot only; add --snapshot, or leave --from and --to away.")
    if period[1] < period[0]:
        raise InputError("the period ends before it begins; check --from and --to.")
    return period


def _in_the_registry(
    path: Path, work: Callable[[DuckDBPyConnection], IntakeReport], *, dry_run: bool, create: bool = True
) -> IntakeReport:
    """Open the registry and do the work in one transaction: all of it, or nothing."""
    try:
        return _attempt(path, work, dry_run=dry_run, create=create, memory=MEMORY)
    except duckdb.OutOfMemoryException:
        # Not every step of the engine can go on from the disk; a delivery of that size may have the whole memory.
        return _attempt(path, work, dry_run=dry_run, create=create, memory=None)


def _attempt(
    path: Path,
    work: Callable[[DuckDBPyConnection], IntakeReport],
    *,
    dry_run: bool,
    create: bool,
    memory: str | None,
) -> IntakeReport:
    made = _missing(path)
    in_memory = dry_run and made
    with owner_only(), _opened(path, in_memory=in_memory, create=create) as connection:
        if not in_memory:  # without the registry's lock another call's files might be taken for left ones
            _remove_left(path)
        _bound(connection, path, memory=memory)
        try:
            with transaction(connection, keep=not dry_run):
                prepare(connection)
                create_current_views(connection)
                return work(connection)
        except BaseException:
            # While the lock is still ours, and only if nobody has committed anything since we looked.
            with suppress(duckdb.Error):  # after a full disk the engine may answer nothing more
                if made and is_new(connection):
                    path.unlink(missing_ok=True)
            raise


def _overflow(path: Path) -> Path:
    return path.with_name(path.name + ".tmp")


def _remove_left(path: Path) -> None:
    """Remove what a killed call has left beside the registry."""
    for left in _overflow(path).glob("duckdb_temp_*"):
        left.unlink(missing_ok=True)


def _bound(connection: DuckDBPyConnection, path: Path, *, memory: str | None) -> None:
    """Bound the memory; what exceeds it goes beside the registry, where only the owner can read it.

    The engine removes those files when it closes.
    """
    connection.execute(f"SET temp_directory = {text_literal(str(_overflow(path)))}")
    if memory:
        connection.execute(f"SET memory_limit = '{memory}'")


def _missing(path: Path) -> bool:
    return not path.exists()


def _opened(path: Path, *, in_memory: bool, create: bool) -> DuckDBPyConnection:
    if in_memory:
        return duckdb.connect(":memory:", config=ENGINE_SETTINGS)
    return open_current(path, write=True, create=create)


def _process(
    connection: DuckDBPyConnection, incoming: Incoming, call: _Call, *, exempted: tuple[int, str] | None = None
) -> IntakeReport:
    site = call.opening.site
    check_site(incoming.files, site=site)
    taken = [file for file in incoming.files if taken_before(connection, file, site=site)]
    counts = [
        FileCount(
            file.text.name,
            file.table_name,
            file.text.n_rows,
            still_held(connection, file, site=site),
            already_taken=True,
        )
        for file in taken
    ]
    skipped = {(file.text.sha256, file.map_hash) for file in taken}
    fresh = [file for file in incoming.files if (file.text.sha256, file.map_hash) not in skipped]
    maps = known_maps(connection, site=site)
    refusals = incoming.refusals
    if fresh:
        fresh, more = refused_by_content(connection, fresh, site=site, maps=maps)
        refusals = refusals + more
    report = IntakeReport(site=site, dry_run=call.dry_run, files=counts, tables=[], refusals=refusals)
    if not fresh and not exempted and not new_refusals(connection, refusals, site=site):
        return report
    delivery = open_delivery(connection, call.opening, refusals=refusals)
    if exempted:
        connection.execute(
            "UPDATE exempt SET delivery = ? WHERE held_id = ? AND delivery IS NULL", [delivery, exempted[0]]
        )
    if not fresh and not exempted:
        return report
    begin_mended(connection)
    stage = _staged(connection, fresh, maps, site=site, delivery=delivery)
    call.say("checking")
    # The clock is universal time; somewhere the next day has begun already.
    screen(stage, received_on=(call.opening.received_at + timedelta(hours=14)).date())
    return _keep(stage, fresh, replace(report, files=counts), call, delivery=delivery, maps=maps)


def _staged(
    connection: DuckDBPyConnection,
    files: list[RecognisedFile],
    maps: dict[str, ColumnMap],
    *,
    site: str,
    delivery: int,
) -> Stage:
    """Stage the delivery's rows and the site's open held rows, mended where a sheet mends them."""
    stage = Stage(connection, site=site)
    for file in files:
        if file.table is not None:
            stage.add_file(file)
        elif file.column_map is not None:
            add_mapped(stage, file)
        else:
            mend(connection, file, site=site, delivery=delivery)
    stage.add_held()
    add_held_mapped(stage, maps, files=files)
    drop_withdrawn(stage)
    return stage


def _keep(
    stage: Stage,
    files: list[RecognisedFile],
    report: IntakeReport,
    call: _Call,
    *,
    delivery: int,
    maps: dict[str, ColumnMap],
) -> IntakeReport:
    """Commit what is good, hold the rest, derive, and say what happened."""
    connection, site = stage.connection, stage.site
    place_findings(connection)
    call.say("keeping")
    tables = commit_all(stage, delivery=delivery)
    released = hold(stage, files, delivery=delivery)
    keep_warnings(stage, delivery=delivery)
    counts = report.files + enter_files(connection, files, site=site, delivery=delivery)
    vanished = {}
    if call.opening.kind == "snapshot":
        delivered = sorted({file.table_name for file in files})
        vanished = vanished_rows(
            connection, site=site, delivery=delivery, tables_delivered=delivered, period=call.opening.period
        )
    call.say("deriving")
    store_derived(connection, {name: f"derived.{name}" for name in DERIVED})
    keep_derived_warnings(connection, site=site, delivery=delivery)
    write_checksums(connection, delivery)
    every_map = [*maps.values(), *(file.column_map for file in files if file.column_map is not None)]
    return replace(
        report,
        files=counts,
        tables=tables,
        released=released,
        vanished=vanished,
        total_rows=sum(getattr(file.text, "n_total_rows", 0) for file in files),
        findings=delivery_findings(
            connection, files, first_new_row=stage.first_new_row, delivery=delivery, words=_known_words(every_map)
        ),
    )


def _known_words(maps: list[ColumnMap]) -> dict[str, tuple[str, ...]]:
    return {column: column_map.words_of(column) for column_map in maps for column in column_map.columns}
