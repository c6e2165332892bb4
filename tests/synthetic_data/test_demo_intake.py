"""The intake as an oracle: nothing to find in the clean demo, exactly the spoiled cells in the untidy one."""

from pathlib import Path

import pandas as pd
import pytest

import registry.intake.delivery
from registry import take_in
from synthetic_data import Federation


@pytest.fixture(autouse=True)
def without_deriving(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only the checks are asked here; what follows from accepted rows has tests of its own."""
    for name in ("store_derived", "keep_derived_warnings"):
        monkeypatch.setattr(registry.intake.delivery, name, lambda *_, **__: None)


def findings_of(federation: Federation, path: Path) -> pd.DataFrame:
    found = []
    for site in federation.sites:
        report = take_in(site.folder, registry=path, site=site.code)
        assert not report.refusals
        assert sum(table.new for table in report.tables) > 0
        found.append(report.findings.assign(site=site.code))
    return pd.concat(found)


def test_nothing_is_held_of_the_clean_demo(clean: Federation, tmp_path: Path) -> None:
    found = findings_of(clean, tmp_path / "registry.duckdb")
    assert found[found["severity"] == "hold"].empty


def test_the_spoiled_cells_are_found_and_what_hangs_on_them(untidy: Federation, tmp_path: Path) -> None:
    found = findings_of(untidy, tmp_path / "registry.duckdb")
    own = found[(found["severity"] == "hold") & (found["code"] != "parent_held")]
    listed = {(cell.site, cell.file, cell.row, cell.column) for cell in untidy.spoiled}
    assert set(own[["site", "file", "row", "column"]].itertuples(index=False, name=None)) == listed
    assert len(own) == len(listed)
