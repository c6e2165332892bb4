"""Taking rows back: what hangs on them goes along, nothing leaves the books, the same words do not come back unseen."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import duckdb
import pytest

from registry import open_registry
from registry.dictionary import TABLES
from registry.errors import InputError, OptionError, RegistryFileError
from registry.intake.delivery import accept
from registry.intake.holding import held_rows
from registry.intake.report import IntakeReport
from registry.intake.retracted import retracted_findings
from registry.intake.retracting import Retraction, key_values, retract

Write = Callable[..., Path]
Take = Callable[..., IntakeReport]
CLOCK = datetime(2026, 7, 1, 9, 0)


MADE: dict[str, bytes] = {}
"""The registry that every test begins with, made once."""


@pytest.fixture
def registry(write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path) -> Path:
    path = tmp_path / "registry.duckdb"
    if "registry" in MADE:
        path.write_bytes(MADE["registry"])
        return path
    take_in(write_delivery(clean))
    MADE["registry"] = path.read_bytes()
    return path


def back(registry: Path, table: str, **key: str) -> Retraction:
    return retract(
        registry, site="north", table=table, key=key, because="typed twice", taken_by="qk", received_at=CLOCK
    )


def rows(registry: Path, query: str) -> list[tuple[object, ...]]:
    with duckdb.connect(str(registry), read_only=True) as connection:
        return connection.execute(query).fetchall()


def current(registry: Path) -> dict[str, int]:
    names = ("athletes", "observation", "exposure", "cases", "findings", "follow_ups")
    return {
        name: int(str(rows(registry, f"SELECT count(*) FROM accepted.{name} WHERE superseded_by IS NULL")[0][0]))
        for name in names
    }


def test_a_contact_goes_alone_and_is_on_the_books(registry: Path) -> None:
    done = back(registry, "follow_ups", case="0001", seen="2024-06-10")
    assert done.rows == {"follow_ups": 1}
    assert done.along == {}
    assert current(registry)["follow_ups"] == 4
    assert rows(registry, "SELECT delivery, site, kind, taken_by, received_at FROM deliveries ORDER BY ALL")[-1] == (
        done.delivery,
        "north",
        "retraction",
        "qk",
        CLOCK,
    )
    assert rows(
        registry,
        "SELECT r.because, a.superseded_by = a.row_id FROM retractions r JOIN accepted.follow_ups a USING (row_id) "
        "WHERE r.table_name = 'follow_ups'",
    ) == [("typed twice", True)]


def test_derived_tables_follow_in_the_same_breath(registry: Path) -> None:
    with open_registry(registry) as view:
        before = view.table("cases").collect().to_native().to_pylist()
    back(registry, "follow_ups", case="0001", seen="2024-06-10")
    with open_registry(registry) as view:
        after = view.table("cases").collect().to_native().to_pylist()
    returned = {case["case"]: case["full_returned"] for case in before}
    returned_now = {case["case"]: case["full_returned"] for case in after}
    assert returned["0001"] is True
    assert returned_now["0001"] is False
    assert returned_now["0002"] == returned["0002"]


def test_a_case_takes_what_hangs_on_it(registry: Path) -> None:
    before = current(registry)
    done = back(registry, "cases", case="0001")
    assert done.rows == {"cases": 1, "findings": 1, "follow_ups": 2}
    assert done.along == {"findings": 1, "follow_ups": 2}
    after = current(registry)
    assert {name: before[name] - after[name] for name in before if before[name] != after[name]} == done.rows
    assert rows(registry, "SELECT table_name, because FROM retractions WHERE because IS NOT NULL") == [
        ("cases", "typed twice")
    ]


def test_a_climber_takes_everything(registry: Path) -> None:
    done = back(registry, "athletes", athlete="AB10001")
    assert done.rows == {"athletes": 1, "observation": 1, "exposure": 1, "cases": 1, "findings": 1, "follow_ups": 2}
    with open_registry(registry) as view:
        for name in ("cases", "risk_time", "findings"):
            climbers = view.table(name).collect().to_native().column("climber").to_pylist()
            assert "north:AB10001" not in climbers


def test_a_dry_run_changes_no_byte(registry: Path) -> None:
    before = registry.read_bytes()
    planned = retract(registry, site="north", table="cases", key={"case": "0001"}, because="typed twice", dry_run=True)
    assert planned == Retraction(delivery=None, table="cases", rows={"cases": 1, "findings": 1, "follow_ups": 2})
    assert registry.read_bytes() == before


def test_what_was_agreed_to_must_still_hold(registry: Path) -> None:
    with pytest.raises(InputError, match="other rows hang on that row"):
        retract(registry, site="north", table="cases", key={"case": "0001"}, because="twice", expected={"cases": 1})
    assert current(registry)["cases"] == 3


def test_a_key_is_read_as_a_delivery_would_be() -> None:
    exposure = TABLES["exposure"]
    read = key_values(exposure, {"athlete": " AB10001 ", "starts_on": "2024-01-01", "discipline": "Bouldering"})
    assert list(read) == ["athlete", "squad", "starts_on", "discipline", "setting", "context"]
    assert read["discipline"] == "bouldering"
    assert read["athlete"] == "AB10001"
    assert read["squad"] is None
    for key, said in (
        ({"case": "0001", "seen": "10.06.2024"}, "seen is no day of the calendar; write it as YYYY-MM-DD"),
        ({"case": "0001", "seen": "2024-02-30"}, "seen is no day of the calendar"),
        ({"case": "0001"}, "seen is missing"),
        ({"case": "", "seen": "2024-06-10"}, "case is missing"),
        ({"case": "0001", "status": "off_climbing"}, "'status' is no part of the key of follow_ups"),
    ):
        with pytest.raises(OptionError, match=said):
            key_values(TABLES["follow_ups"], key)
    with pytest.raises(OptionError, match="Did you mean 'ultrasound'"):
        key_values(TABLES["imaging"], {"case": "1", "kind": "ultrasond", "done_on": "2024-01-01"})


@pytest.mark.parametrize(
    ("table", "key", "said"),
    [
        ("follow_ups", {"case": "0001", "seen": "2024-06-11"}, r"there are 2: seen=2024-03-05; seen=2024-06-10\."),
        ("follow_ups", {"case": "1", "seen": "2024-06-10"}, "No row there has that case.*Leading zeros"),
        ("findings", {"case": "0001", "structure": "a2"}, "there is 1: structure=a2 seen_by=ultrasound found_on="),
        ("cases", {"case": "0009"}, "No row there has that case"),
        ("case", {"case": "0001"}, "no table 'case'.*Did you mean 'cases'"),
        ("sites", {"site": "north"}, "a site's own row is not taken back"),
    ],
)
def test_a_row_that_is_not_there_is_told_with_its_neighbours(
    registry: Path, table: str, key: dict[str, str], said: str
) -> None:
    before = registry.read_bytes()
    with pytest.raises(InputError, match=said):
        back(registry, table, **key)
    assert registry.read_bytes() == before


def test_another_site_and_a_missing_registry_are_told(registry: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no site 'nort'.*Did you mean 'north'"):
        retract(registry, site="nort", table="cases", key={"case": "0001"}, because="twice")
    with pytest.raises(RegistryFileError, match="no registry at"):
        retract(tmp_path / "other.duckdb", site="north", table="cases", key={"case": "0001"}, because="twice")


def test_a_row_is_taken_back_once(registry: Path) -> None:
    done = back(registry, "follow_ups", case="0001", seen="2024-06-10")
    with pytest.raises(InputError, match=f"taken back already, in delivery {done.delivery} of 2026-07-01"):
        back(registry, "follow_ups", case="0001", seen="2024-06-10")


@pytest.mark.parametrize("because", ["", "   ", "x" * 121, "ask q.kell@clinic.example"])
def test_a_reason_must_be_usable(registry: Path, because: str) -> None:
    with pytest.raises(InputError, match=r"reason|--because"):
        retract(registry, site="north", table="cases", key={"case": "0001"}, because=because)
    assert current(registry)["cases"] == 3


FOLLOW_UP = "case,seen,status,since\n0001,2024-06-10,full_climbing,2024-06-01\n"


def test_the_same_words_come_back_only_when_somebody_accepts_them(
    registry: Path, write_delivery: Write, take_in: Take
) -> None:
    back(registry, "follow_ups", case="0001", seen="2024-06-10")
    report = take_in(write_delivery({"follow_ups": FOLLOW_UP}, name="again"))
    assert report.findings[["file", "row", "code"]].values.tolist() == [["follow_ups.csv", 2, "retracted"]]
    assert current(registry)["follow_ups"] == 4
    number = int(held_rows(registry)["held_id"][0])
    assert accept(registry, held_id=number, because="was right after all").released == 1
    assert current(registry)["follow_ups"] == 5
    assert held_rows(registry).empty
    # Once accepted it is a row like any other.
    longer = FOLLOW_UP + "0001,2024-07-10,full_climbing,\n"
    assert take_in(write_delivery({"follow_ups": longer}, name="longer")).findings.empty


def test_other_words_under_the_same_key_come_in(registry: Path, write_delivery: Write, take_in: Take) -> None:
    back(registry, "follow_ups", case="0001", seen="2024-06-10")
    mended = FOLLOW_UP.replace("full_climbing,2024-06-01", "modified_climbing,")
    assert take_in(write_delivery({"follow_ups": mended}, name="mended")).findings.empty
    # The mistyped words must not overwrite the mended ones either.
    report = take_in(write_delivery({"follow_ups": FOLLOW_UP}, name="old"))
    assert report.findings["code"].tolist() == ["retracted"]


def test_what_went_along_waits_for_its_case_only(
    registry: Path, write_delivery: Write, take_in: Take, clean: dict[str, str]
) -> None:
    back(registry, "cases", case="0001")
    whole = {name: clean[name] for name in ("cases", "findings", "follow_ups")}
    whole = {name: text + "\n" for name, text in whole.items()}  # other bytes, the same rows
    report = take_in(write_delivery(whole, name="again"))
    assert sorted(zip(report.findings["file"], report.findings["code"], strict=True)) == [
        ("cases.csv", "retracted"),
        ("findings.csv", "parent_held"),
        ("follow_ups.csv", "parent_held"),
        ("follow_ups.csv", "parent_held"),
    ]
    frame = held_rows(registry)
    number = int(frame.loc[frame["table"] == "cases", "held_id"].iloc[0])
    assert accept(registry, held_id=number, because="was right after all").released == 4
    assert current(registry)["follow_ups"] == 5


def test_the_check_is_for_the_site_that_took_it_back() -> None:
    assert "a.site = 'south'" in retracted_findings(TABLES["cases"], "(SELECT 1)", site="south")
