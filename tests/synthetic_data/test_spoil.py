import csv
from pathlib import Path

from synthetic_data import Federation
from synthetic_data.spoil import CLINIC_DAMAGES, TIMESHEET_DAMAGES


def cells_of(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


def differences(one: Path, other: Path) -> set[tuple[str, int, str]]:
    """(file, row as in the file, column) of every cell that differs."""
    found = set()
    for path in sorted(one.glob("*.csv")):
        before, after = cells_of(path), cells_of(other / path.name)
        assert len(before) == len(after)
        for row, (cells, spoiled) in enumerate(zip(before, after, strict=True), start=1):
            for column, cell, bad in zip(before[0], cells, spoiled, strict=True):
                if cell != bad:
                    found.add((path.name, row, column))
    return found


def test_exactly_the_listed_cells_are_bad(clean: Federation, untidy: Federation) -> None:
    listed = {(cell.site, cell.file, cell.row, cell.column) for cell in untidy.spoiled}
    assert len(listed) == len(CLINIC_DAMAGES) + len(TIMESHEET_DAMAGES)
    changed = {
        (before.code, *difference)
        for before, after in zip(clean.sites, untidy.sites, strict=True)
        for difference in differences(before.folder, after.folder)
    }
    assert changed == listed


def test_the_list_lies_outside_the_deliveries(clean: Federation, untidy: Federation) -> None:
    with (untidy.truth_folder / "spoiled.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["site"], row["file"], int(row["row"]), row["column"]) for row in rows] == [
        (cell.site, cell.file, cell.row, cell.column) for cell in untidy.spoiled
    ]
    assert untidy.truth_folder not in [site.folder for site in untidy.sites]
    assert clean.spoiled == ()


def test_no_case_is_spoiled_twice(untidy: Federation) -> None:
    folder = next(site.folder for site in untidy.sites if site.code == "sulmarre")
    cases = []
    for cell in untidy.spoiled:
        if cell.site == "sulmarre":
            with (folder / cell.file).open(encoding="utf-8", newline="") as file:
                cases.append(list(csv.DictReader(file))[cell.row - 2]["case"])
    assert len(set(cases)) == len(cases) > 5
