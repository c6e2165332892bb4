"""A freeze never changes, and its identity does not depend on the order in which the rows came."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from registry import freeze, open_freeze, open_registry
from registry.errors import InputError, NotARegistryError, NotWritableError, RegistryFileError
from registry.intake.report import IntakeReport
from registry.store.view import DERIVED

Write = Callable[..., Path]
Take = Callable[..., IntakeReport]


def shuffled(texts: dict[str, str]) -> dict[str, str]:
    """Return the same rows, the last one first."""
    turned = {}
    for table, text in texts.items():
        head, *rows = text.splitlines()
        turned[table] = "\n".join([head, *reversed(rows)]) + "\n"
    return turned


def test_the_identity_does_not_depend_on_insertion_order(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    take_in(write_delivery(clean), registry=tmp_path / "one.duckdb")
    turned, other = shuffled(clean), tmp_path / "two.duckdb"
    for name, tables in (("one", ("sites", "athletes", "cases")), ("two", ("follow_ups", "findings", "exposure"))):
        take_in(write_delivery({table: turned.pop(table) for table in tables}, name=name), registry=other)
    take_in(write_delivery(turned, name="rest"), registry=other)
    one = freeze("a", registry=tmp_path / "one.duckdb", out=tmp_path / "freezes")
    two = freeze("b", registry=other, out=tmp_path / "freezes")
    assert one.content_hash == two.content_hash
    for name in DERIVED:
        csvs = [(tmp_path / "freezes" / x / "derived" / f"{name}.csv").read_bytes() for x in "ab"]
        assert csvs[0] == csvs[1]


def test_another_row_is_another_identity(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    registry = tmp_path / "registry.duckdb"
    take_in(write_delivery(clean))
    one = freeze("a", registry=registry)
    take_in(write_delivery({"cases": clean["cases"].replace("left,ring", "right,ring")}, name="second"))
    assert freeze("b", registry=registry).content_hash != one.content_hash


def test_a_freeze_gives_what_the_registry_gave(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    clean["cases"] += "0004,AB99999,2024-03-01,,left,ring,sudden,,\n"
    take_in(write_delivery(clean))
    frozen = freeze("season", registry=tmp_path / "registry.duckdb")
    with open_registry(tmp_path / "registry.duckdb") as live, open_freeze(frozen.folder) as kept:
        for name in DERIVED:
            frames = [view.table(name).collect("pandas").to_native() for view in (live, kept)]
            ordered = [frame.sort_values(list(frame.columns[:3])).reset_index(drop=True) for frame in frames]
            assert ordered[0].equals(ordered[1]), name
        assert live.held().to_dict("records") == kept.held().to_dict("records")
        assert kept.identity["content_hash"] == frozen.content_hash


def test_the_package_describes_itself(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    take_in(write_delivery(clean))
    frozen = freeze("season", registry=tmp_path / "registry.duckdb")
    package = json.loads((frozen.folder / "datapackage.json").read_text(encoding="utf-8"))
    for resource in package["resources"]:
        lines = (frozen.folder / resource["path"]).read_text(encoding="utf-8").splitlines()
        assert lines[0].split(",") == [field["name"] for field in resource["schema"]["fields"]]
        assert len(lines) - 1 == resource["rows"]
    assert (frozen.folder / "data" / "cases.csv").stat().st_mode & 0o077 == 0


def test_a_touched_freeze_is_refused(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    take_in(write_delivery(clean))
    frozen = freeze("season", registry=tmp_path / "registry.duckdb")
    cases = frozen.folder / "data" / "cases.csv"
    cases.write_text(cases.read_text(encoding="utf-8").replace("ring", "index"), encoding="utf-8")
    with pytest.raises(NotARegistryError, match=r"data/cases\.csv is missing, strange, or no longer what was"):
        open_freeze(frozen.folder)


def test_a_freeze_without_its_checksums_is_refused(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    take_in(write_delivery(clean))
    frozen = freeze("season", registry=tmp_path / "registry.duckdb")
    sums = frozen.folder / "checksums.txt"
    kept = sums.read_text(encoding="utf-8")
    sums.write_text("", encoding="utf-8")
    with pytest.raises(NotARegistryError, match="no longer what was frozen"):
        open_freeze(frozen.folder)
    sums.write_text(kept, encoding="utf-8")
    package = frozen.folder / "datapackage.json"
    changed = package.read_text(encoding="utf-8").replace(frozen.content_hash, "0" * 64)
    package.write_text(changed, encoding="utf-8")
    digest = hashlib.sha256(package.read_bytes()).hexdigest()
    lines = [line for line in kept.splitlines() if not line.endswith("datapackage.json")]
    sums.write_text("\n".join([*lines, f"{digest}  datapackage.json"]) + "\n", encoding="utf-8")
    with pytest.raises(NotARegistryError, match="content hash does not fit"):
        open_freeze(frozen.folder)


def test_no_registry_is_made_by_freezing_one(tmp_path: Path) -> None:
    with pytest.raises(RegistryFileError, match="there is no registry at"):
        freeze("season", registry=tmp_path / "nothing.duckdb")
    assert not (tmp_path / "nothing.duckdb").exists()


def test_names_and_places_are_checked(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    registry = tmp_path / "registry.duckdb"
    take_in(write_delivery({"sites": clean["sites"]}))
    freeze("season", registry=registry)
    with pytest.raises(NotWritableError, match="is there already, and a freeze never changes"):
        freeze("season", registry=registry)
    with pytest.raises(InputError, match="name may hold letters"):
        freeze("../season", registry=registry)
    with pytest.raises(RegistryFileError, match="there is no freeze at"):
        open_freeze(tmp_path / "nothing")
    (tmp_path / "folder").mkdir()
    with pytest.raises(NotARegistryError, match=r"no readable datapackage\.json"):
        open_freeze(tmp_path / "folder")
