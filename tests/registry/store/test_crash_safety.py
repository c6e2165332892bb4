"""Killed, raced, out of room, or pointed at something else: a clear sentence, and the registry as it was."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from registry import open_registry
from registry.errors import NotARegistryError, RegistryFileError, RegistryLockedError
from registry.store.connection import connect
from registry.store.migration import open_current
from registry.store.opening import opened_registry
from registry.store.verifying import verify_registry
from registry.store.withdrawing import withdraw

Tools = dict[str, Callable[..., Any]]
ROOT = Path(__file__).resolve().parents[3]
INTAKE = (
    "import sys\nfrom datetime import datetime\nfrom registry import take_in\n"
    "print('ready', flush=True)\n"
    "take_in(sys.argv[2], registry=sys.argv[1], site='north', received_at=datetime(2026, 6, 30))\n"
)


def big_delivery(folder: Path, *, rows: int) -> Path:
    """Write squad rows, one a day from 1960 on for each squad; every tenth is bad."""
    folder.mkdir()
    lines = ["squad,starts_on,ends_on,discipline,setting,context,minutes_total,climbers"]
    for n in range(rows):
        day = f"{1960 + n // 336 % 60}-{n // 28 % 12 + 1:02d}-{n % 28 + 1:02d}"
        minutes = "much" if n % 10 == 0 else "600"
        lines.append(f"SQ{n // 20160:05d},{day},{day},lead,indoor,training,{minutes},4")
    (folder / "exposure.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def counts(path: Path) -> tuple[int, int, int]:
    with connect(path, write=False) as connection:
        (row,) = connection.execute(
            "SELECT (SELECT count(*) FROM accepted.exposure), (SELECT count(*) FROM received.exposure), "
            "(SELECT count(*) FROM held WHERE table_name = 'exposure')"
        ).fetchall()
    return row


def kill_loop(registry: Path, delivery: Path, *, times: int, rows: int) -> None:
    """Kill an intake again and again, at moments spread over the time that it takes."""
    chance = random.Random(20260630)
    before = counts(registry)
    whole = (before[0] + rows - rows // 10, before[1] + rows - rows // 10, before[2] + rows // 10)
    original = registry.with_name("original.duckdb")
    shutil.copy(registry, original)
    started = time.monotonic()
    child = _intake(registry, delivery)
    child.wait()
    lasts = time.monotonic() - started
    assert counts(registry) == whole
    for _ in range(times):
        shutil.copy(original, registry)
        child = _intake(registry, delivery)
        time.sleep(chance.uniform(0.05, 1.0) * lasts)
        child.send_signal(signal.SIGKILL)
        child.wait()
        assert counts(registry) in (before, whole)
        open_current(registry, write=True).close()
        assert verify_registry(registry).mismatches == []


def _intake(registry: Path, delivery: Path) -> subprocess.Popen[str]:
    child = subprocess.Popen(
        [sys.executable, "-c", INTAKE, str(registry), str(delivery)],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, cwd=ROOT,
    )  # fmt: skip
    assert child.stdout is not None
    child.stdout.readline()
    child.stdout.close()
    return child


@pytest.mark.usefixtures("without_deriving")
def test_a_killed_intake_is_wholly_in_or_wholly_out(registry: Path, tmp_path: Path) -> None:
    kill_loop(registry, big_delivery(tmp_path / "big", rows=2000), times=2, rows=2000)


@pytest.mark.slow
def test_thirty_killed_intakes_of_forty_thousand_rows(registry: Path, tmp_path: Path) -> None:
    kill_loop(registry, big_delivery(tmp_path / "big", rows=40_000), times=30, rows=40_000)


def test_two_intakes_at_once_both_end_in(registry: Path, tmp_path: Path) -> None:
    one, two = big_delivery(tmp_path / "one", rows=1000), tmp_path / "two"
    two.mkdir()
    text = (one / "exposure.csv").read_text(encoding="utf-8")
    (two / "exposure.csv").write_text(text.replace("SQ00000", "SQ00009"), encoding="utf-8")
    before = counts(registry)
    children = [_intake(registry, place) for place in (one, two)]
    codes = sorted(child.wait() for child in children)
    brought = (counts(registry)[0] - before[0]) // 900
    assert codes in ([0, 0], [0, 1]), "the one that waited too long stops with an error"
    assert brought == codes.count(0)


def test_a_held_registry_is_named_and_stays(registry: Path, tools: Tools) -> None:
    code = f"import duckdb; c = duckdb.connect({str(registry)!r}); print('held', flush=True); input()"
    holder = subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        assert holder.stdout is not None
        holder.stdout.readline()
        before = registry.read_bytes()
        with pytest.raises(RegistryLockedError, match="is held by another program"):
            open_current(registry, write=True, wait_seconds=0.2)
    finally:
        holder.communicate("\n")
    assert registry.read_bytes() == before


@contextmanager
def small_disk(megabytes: int) -> Iterator[Path]:
    """Give a file system of a few megabytes; skip where nobody may mount one."""
    place = Path(tempfile.mkdtemp())
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(place)], capture_output=True, check=False
    )
    if mounted.returncode:
        place.rmdir()
        pytest.skip("a small disk can only be mounted by an administrator")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)
        place.rmdir()


FULL = (
    "import sys\nfrom registry.errors import AnnularyError\nfrom registry import take_in, freeze\n"
    "from registry.store.withdrawing import withdraw\nfrom registry.store.migration import open_current\n"
    "try:\n    exec(sys.argv[1])\nexcept AnnularyError as error:\n    print(type(error).__name__, error)\n"
)


@pytest.mark.parametrize(
    "call",
    [
        "take_in({big!r}, registry={path!r}, site='north')",
        "withdraw({path!r}, site='north', athlete='AB10001')",
        "freeze('season', registry={path!r})",
        "open_current({old!r}, write=False)",
    ],
    ids=["intake", "withdraw", "freeze", "migration"],
)
def test_a_full_disk(registry: Path, tmp_path: Path, tools: Tools, call: str) -> None:
    big = big_delivery(tmp_path / "big", rows=3000)
    size = registry.stat().st_size
    with small_disk(size // 2**20 + 2) as disk:
        path = Path(shutil.copy(registry, disk / "registry.duckdb"))
        if "open_current" in call:
            tools["turn"](registry)
            shutil.copy(registry, path)
        room = os.statvfs(disk)
        (disk / "filler").write_bytes(bytes(room.f_bavail * room.f_bsize - 2**16))
        before = tools["sha256"](path)
        run = tools["run"](FULL, call.format(big=str(big), path=str(path), old=str(path)))
        assert run.stdout.startswith("NotWritableError"), run.stdout + run.stderr
        assert "make room" in run.stdout or "disk may be full" in run.stdout
        (disk / "filler").unlink()
        left = sorted(child.name for child in disk.iterdir())
        if tools["sha256"](path) != before or left != ["registry.duckdb"]:
            # The engine may leave a log of what was never committed; it is dropped when the file is opened next.
            assert set(left) <= {"registry.duckdb", "registry.duckdb.wal", "freezes"}
        with connect(path, write=False) as connection:
            assert connection.execute("SELECT count(*) FROM accepted.cases").fetchall() == [(4,)]
            assert connection.execute("SELECT count(*) FROM deliveries").fetchall() == [(2,)]


def test_a_read_only_folder(registry: Path, tools: Tools) -> None:
    with tempfile.TemporaryDirectory() as home:
        path = Path(shutil.copy(registry, Path(home) / "registry.duckdb"))
        path.chmod(0o444)
        Path(home).chmod(0o555)
        for call in (
            f"withdraw({str(path)!r}, site='north', athlete='AB10001')",
            f"freeze('x', registry={str(path)!r})",
        ):
            code = FULL.replace(
                "try:", "import os\nif os.geteuid() == 0:\n    os.setgid(65534); os.setuid(65534)\ntry:", 1
            )
            run = tools["run"](code, call.format(str(path)))
            assert run.stdout.startswith("NotWritableError the folder"), run.stdout + run.stderr
        Path(home).chmod(0o755)
        assert tools["sha256"](path) == tools["sha256"](registry)


@pytest.mark.usefixtures("without_deriving")
@pytest.mark.parametrize("share", [0.0, 0.0001, 0.001, 0.02, 0.5, 0.9, 0.9999])
def test_a_truncated_file_is_refused_or_its_loss_is_named(registry: Path, tmp_path: Path, share: float) -> None:
    whole, cut = registry.read_bytes(), tmp_path / "cut.duckdb"
    cut.write_bytes(whole[: int(len(whole) * share)])
    before = cut.read_bytes()
    try:
        found = verify_registry(cut).mismatches
    except NotARegistryError as refused:
        said = str(refused)
    else:
        said = "Nothing was changed"
        assert found or counts(cut) == counts(registry), "a cut that goes unnoticed took nothing away"
    assert "Nothing was changed" in said
    assert cut.read_bytes() == before


def test_places_that_are_no_file(registry: Path, tmp_path: Path) -> None:
    fifo, dangling, folder = tmp_path / "fifo", tmp_path / "dangling", tmp_path / "folder"
    os.mkfifo(fifo)
    dangling.symlink_to(tmp_path / "nothing.duckdb")
    folder.mkdir()
    for place, words in ((fifo, "is not a registry"), (dangling, "no registry at"), (folder, "is a folder")):
        for call in (
            lambda place=place: open_registry(place),
            lambda place=place: verify_registry(place),
            lambda place=place: withdraw(place, site="north", athlete="AB10001"),
        ):
            with pytest.raises(RegistryFileError, match=words):
                call()


def test_a_database_of_something_else_is_never_migrated(tmp_path: Path, tools: Tools) -> None:
    import duckdb

    path = tmp_path / "other.duckdb"
    duckdb.connect(str(path)).execute("CREATE TABLE meta (name VARCHAR, value VARCHAR)").close()
    before = tools["sha256"](path)
    for write in (False, True):
        with pytest.raises(NotARegistryError, match="a database, but not a registry"):
            open_current(path, write=write)
    assert tools["sha256"](path) == before
    assert [child.name for child in tmp_path.iterdir()] == ["other.duckdb"]


@pytest.mark.usefixtures("without_deriving")
def test_a_log_left_behind_is_taken_up_and_withdrawn_from(registry: Path, tools: Tools) -> None:
    """A writer killed after its commit leaves a write-ahead log; what is in it counts, and can be withdrawn."""
    code = (
        "import os, sys, duckdb\nc = duckdb.connect(sys.argv[1])\n"
        "c.execute(\"UPDATE accepted.cases SET file = 'AB10001 late.csv' WHERE row_id = 1\")\n"
        "c.execute(\"INSERT INTO meta VALUES ('mark', 'AB10002')\")\nos._exit(9)"
    )
    tools["run"](code, registry)
    log = registry.with_name("registry.duckdb.wal")
    assert b"AB10002" in log.read_bytes()
    withdraw(registry, site="north", athlete="AB10001")
    assert tools["meta"](registry, "mark") == "AB10002"
    assert not log.exists()
    assert verify_registry(registry).mismatches == []


def test_everything_that_is_made_is_for_its_owner_only(
    write_delivery: Callable[..., Path], take_in: Callable[..., Any], clean: dict[str, str], tmp_path: Path
) -> None:
    from registry import freeze

    home = tmp_path / "home"
    home.mkdir()
    take_in(write_delivery(clean), registry=home / "registry.duckdb")
    freeze("season", registry=home / "registry.duckdb")
    with opened_registry(home / "registry.duckdb", write=True) as connection:
        connection.execute("CREATE TABLE noted (a INTEGER)")
        connection.execute("INSERT INTO noted VALUES (1)")
        assert (home / "registry.duckdb.wal").exists()
        for path in home.rglob("*"):
            assert path.stat().st_mode & 0o077 == 0, path
