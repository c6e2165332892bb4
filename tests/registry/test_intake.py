"""The intake: all findings at once, good rows in, bad rows held, nothing twice, nothing half done."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from registry import open_registry
from registry.errors import DeliveryError, InputError
from registry.intake.holding import dismiss, held_rows
from registry.intake.report import IntakeReport

Write = Callable[..., Path]
Take = Callable[..., IntakeReport]


def codes(report: IntakeReport) -> list[tuple[str, int, str, str]]:
    frame = report.findings
    return [tuple(row) for row in frame[["file", "row", "column", "code"]].itertuples(index=False)]  # type: ignore[misc]


def count(registry: Path, table: str) -> int:
    with open_registry(registry) as view:
        return len(view.base(table).collect())


def test_a_clean_delivery_goes_in_whole(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    report = take_in(write_delivery(clean))
    assert report.findings.empty
    assert report.exit_code == 0
    assert {c.table: c.new for c in report.tables} == {name: text.count("\n") - 1 for name, text in clean.items()}
    assert count(tmp_path / "registry.duckdb", "cases") == 3


def test_the_same_bytes_twice_change_nothing(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    folder = write_delivery(clean)
    take_in(folder)
    before = (tmp_path / "registry.duckdb").read_bytes()
    again = take_in(folder)
    assert again.nothing_changed
    assert all(file.already_taken for file in again.files)
    assert (tmp_path / "registry.duckdb").read_bytes() == before


@pytest.mark.parametrize(
    ("table", "old", "new", "finding"),
    [
        ("athletes", "female", "femle", ("athletes.csv", 2, "sex", "unknown_code")),
        ("athletes", "1990", "90", ("athletes.csv", 2, "birth_year", "not_a_year")),
        ("cases", "2024-03-01", "2024-02-30", ("cases.csv", 2, "onset", "impossible_date")),
        ("cases", "2024-03-01", "01.03.2024", ("cases.csv", 2, "onset", "not_a_date")),
        ("cases", "2024-03-05", "2027-03-05", ("cases.csv", 2, "first_seen", "date_out_of_range")),
        ("cases", "2024-03-01", "", ("cases.csv", 2, "onset", "required")),
        ("cases", "2024-03-05", "2024-02-05", ("cases.csv", 2, "first_seen", "wrong_order")),
        ("cases", "AB10001", "AB99999", ("cases.csv", 2, "athlete", "unknown_parent")),
        ("findings", "a2,,complete", "a9,,complete", ("findings.csv", 2, "structure", "unknown_code")),
        ("findings", "0001", "0009", ("findings.csv", 2, "case", "unknown_parent")),
        ("findings", "a2,,", "a2,ip,", ("findings.csv", 2, "joint", "impossible_joint")),
        ("findings", "a4,,partial", "growth_plate,,partial", ("findings.csv", 3, "structure", "growth_plate_age")),
        ("exposure", "12000", "-12", ("exposure.csv", 2, "minutes_total", "out_of_range")),
        ("exposure", "12000", "1,5", None),
        ("exposure", "12000", "99999999", ("exposure.csv", 2, "minutes_total", "too_many_hours")),
        ("exposure", "12000", "12.5", ("exposure.csv", 2, "minutes_total", "not_an_integer")),
        ("exposure", "12000", "", ("exposure.csv", 2, "minutes_total", "required")),
        ("observation", "yes", "no", ("observation.csv", 4, "guardian_consent", "guardian_consent")),
        ("follow_ups", "2024-03-05,off", "2024-02-05,off", ("follow_ups.csv", 2, "seen", "contact_before_onset")),
        ("follow_ups", "2024-06-01", "2024-02-01", ("follow_ups.csv", 3, "since", "status_before_onset")),
        ("follow_ups", "2024-06-01", "2024-07-01", ("follow_ups.csv", 3, "seen", "wrong_order")),
    ],
)
def test_a_bad_cell_is_found_where_it_stands(
    write_delivery: Write,
    take_in: Take,
    clean: dict[str, str],
    table: str,
    old: str,
    new: str,
    finding: tuple[str, int, str, str] | None,
) -> None:
    assert old in clean[table]
    clean[table] = clean[table].replace(old, new, 1)
    report = take_in(write_delivery(clean), dry_run=True)
    following = ("parent_held", "outside_observation", "outside_exposure")  # from the row that is held
    own = [code for code in codes(report) if code[3] not in following]
    expected = finding or ("exposure.csv", 2, "", "cell_count")
    assert own == [expected]
    assert report.exit_code == 1
    said = report.findings.loc[report.findings["severity"] == "hold", "message"]
    assert (new not in " ".join(said).split()) or new == ""


def test_rows_that_depend_on_a_held_row_are_held_with_it_and_released_with_it(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    registry = tmp_path / "registry.duckdb"
    good = clean["athletes"]
    clean["athletes"] = good.replace("AB10001,female", "AB10001,femle")
    report = take_in(write_delivery(clean))
    waiting = {code[0] for code in codes(report) if code[3] == "parent_held"}
    assert waiting == {"observation.csv", "exposure.csv", "cases.csv", "findings.csv", "follow_ups.csv"}
    assert count(registry, "cases") == 2
    assert held_rows(registry)["held_id"].nunique() == report.held
    mended = take_in(write_delivery({"athletes": good}, name="mended"))
    assert mended.released == report.held - 1  # the climber's own row is replaced, the others are released
    assert count(registry, "cases") == 3
    assert held_rows(registry).empty


def test_a_changed_row_is_a_revision_and_the_old_one_stays(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    take_in(write_delivery(clean))
    changed = clean["cases"].replace("left,ring", "right,ring")
    report = take_in(write_delivery({"cases": changed}, name="second"))
    assert [(c.table, c.new, c.revised, c.unchanged) for c in report.tables] == [("cases", 0, 1, 2)]
    registry = tmp_path / "registry.duckdb"
    with open_registry(registry) as view:
        rows = view._connection.execute(
            'SELECT side, superseded_by IS NULL FROM accepted.cases WHERE "case" = ? ORDER BY row_id', ["0001"]
        ).fetchall()
    assert rows == [("left", False), ("right", True)]


def test_an_identical_row_is_counted_once_and_said(write_delivery: Write, take_in: Take, clean: dict[str, str]) -> None:
    clean["follow_ups"] += "0003,2024-07-09,off_climbing,\n"
    report = take_in(write_delivery(clean))
    assert {c.table: c.repeated for c in report.tables}["follow_ups"] == 1
    assert report.exit_code == 0


def test_the_same_key_with_other_content_holds_both_rows(
    write_delivery: Write, take_in: Take, clean: dict[str, str]
) -> None:
    clean["follow_ups"] += "0003,2024-07-09,full_climbing,\n"
    report = take_in(write_delivery(clean))
    assert codes(report) == [
        ("follow_ups.csv", 6, "case", "key_conflict"),
        ("follow_ups.csv", 7, "case", "key_conflict"),
    ]


@pytest.mark.parametrize(
    ("table", "old", "new"),
    [("athletes", "athlete,sex,birth_year", "athlete,sex,Date of birth"), ("cases", "grip", "Patient Name")],
)
def test_a_file_with_an_identifying_column_is_refused_whole(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path, table: str, old: str, new: str
) -> None:
    clean[table] = clean[table].replace(old, new)
    report = take_in(write_delivery(clean))
    assert len(report.refusals) == 1
    assert report.exit_code == 1
    with open_registry(tmp_path / "registry.duckdb") as view:
        kept = view._connection.execute("SELECT * EXCLUDE (delivery) FROM files WHERE standing = 'refused'").fetchall()
        inside = view._connection.execute("SELECT count(*) FROM held WHERE file = ?", [f"{table}.csv"]).fetchall()
    assert [row[:5] for row in kept] == [("north", report.refusals[0].sha256, "refused", None, None)]
    assert inside == [(0,)]


@pytest.mark.parametrize(
    ("table", "old", "new"),
    [
        ("athletes", "AB10001", "Frida Example"),
        ("cases", "AB10001", "frida@post.example"),
        ("athletes", "1990", "1990-05-17"),
        ("findings", "a2,,complete", "a2,,frida@post.example"),
    ],
)
def test_an_identifier_in_a_cell_refuses_the_file_and_nothing_of_it_stays(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path, table: str, old: str, new: str
) -> None:
    clean[table] = clean[table].replace(old, new, 1)
    report = take_in(write_delivery(clean))
    assert len(report.refusals) == 1
    said = report.refusals[0].sentence
    assert "row 2" in said
    assert new not in said
    assert new.encode() not in (tmp_path / "registry.duckdb").read_bytes()


@pytest.mark.parametrize("pattern", [".*", "[A-Za-z]+", "[A-Z]{2"])
def test_a_pattern_that_lets_names_through_never_opens_the_door(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path, pattern: str
) -> None:
    wide = clean["sites"].replace("[A-Z]{2}[0-9]{5}", pattern)
    named = "athlete,sex\nQuibbleson,male\n"
    if pattern != "[A-Z]{2":
        with pytest.raises(DeliveryError, match="its pattern is not usable"):
            take_in(write_delivery({"sites": wide, "athletes": named}))
        assert not (tmp_path / "registry.duckdb").exists()
    take_in(write_delivery({"sites": clean["sites"]}, name="good"))
    report = take_in(write_delivery({"sites": wide, "athletes": named}, name="again"))
    assert len(report.refusals) == 1
    assert b"Quibbleson" not in (tmp_path / "registry.duckdb").read_bytes()


def test_a_delivery_under_another_sites_code_is_refused(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    with pytest.raises(DeliveryError, match="names another site than --site south"):
        take_in(write_delivery(clean), site="south")
    assert not (tmp_path / "registry.duckdb").exists()


def test_rows_out_of_shape_leave_no_text_behind(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    clean["athletes"] += "Quibbleson Smith,female,1990,extra\nquibbleson@post.example,female\n"
    report = take_in(write_delivery(clean))
    assert [code[1:] for code in codes(report)] == [(5, "", "cell_count"), (6, "", "cell_count")]
    assert b"uibbleson" not in (tmp_path / "registry.duckdb").read_bytes()


def test_a_header_that_is_a_row_of_data_is_not_repeated(
    write_delivery: Write, take_in: Take, clean: dict[str, str]
) -> None:
    with pytest.raises(DeliveryError, match="column 1 has a name that is none of ours") as refusal:
        take_in(write_delivery({"sites": clean["sites"], "athletes": "Quibbleson,male,1990\nAB10001,male,1990\n"}))
    assert "uibbleson" not in str(refusal.value)


def test_a_mended_code_closes_the_held_row_whatever_its_capitals(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    clean["findings"] = clean["findings"].replace("0001,a2,,complete,ultrasound", "0001,A2,,complet,Ultrasound")
    take_in(write_delivery(clean))
    mended = clean["findings"].replace("0001,A2,,complet,Ultrasound", "0001,a2,,complete,ultrasound")
    report = take_in(write_delivery({"findings": mended}, name="second"))
    assert report.held == 0
    assert held_rows(tmp_path / "registry.duckdb").empty


def test_what_cannot_be_mended_is_dismissed_with_a_reason(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    clean["follow_ups"] += "0003,2024-13-09,off_climbing,\n"
    folder = write_delivery(clean)
    take_in(folder)
    registry = tmp_path / "registry.duckdb"
    held_id = int(held_rows(registry)["held_id"].iloc[0])
    again = take_in(folder)
    assert again.nothing_changed
    assert again.held == again.exit_code == 1
    with pytest.raises(InputError, match="no open held row 999"):
        dismiss(registry, held_id=999, because="typed twice")
    dismiss(registry, held_id=held_id, because="typed twice")
    assert held_rows(registry).empty
    assert take_in(folder).exit_code == 0


def test_a_dry_run_says_the_same_and_leaves_no_file(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    clean["cases"] = clean["cases"].replace("2024-03-01", "2024-02-30")
    folder = write_delivery(clean)
    dry = take_in(folder, dry_run=True)
    assert not (tmp_path / "registry.duckdb").exists()
    real = take_in(folder)
    assert codes(dry) == codes(real)
    assert dry.tables == real.tables


def test_hours_are_read_as_minutes(write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path) -> None:
    hours = {"minutes_total": "hours_total", "12000": "12.5", "9000": "150", "6000": "100.25"}
    for old, new in hours.items():
        clean["exposure"] = clean["exposure"].replace(old, new)
    take_in(write_delivery(clean))
    with open_registry(tmp_path / "registry.duckdb") as view:
        minutes = view.base("exposure").collect().to_native()["minutes_total"].to_pylist()
    assert sorted(minutes) == [750, 6015, 9000]


def test_missing_words_are_kept_apart_from_empty_cells(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    clean["cases"] = clean["cases"].replace("full_crimp", "unknown").replace("half_crimp", "")
    take_in(write_delivery(clean))
    with open_registry(tmp_path / "registry.duckdb") as view:
        grips = view.base("cases").sort("case").collect().to_native()["grip"].to_pylist()
    assert grips == ["unknown", None, "not_applicable"]


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        ({"cases": ""}, "is empty"),
        ({"cases": "case,athlete,onzet\n"}, "unknown column 'onzet'. Did you mean 'onset'"),
        ({"cases": "case,athlete\n1,AB10001\n"}, "column 'onset' is missing"),
        ({"patients": "a,b\n1,2\n"}, "no table of that name"),
        ({"athletes": "athlete,sex\nAB10001,female\n"}, "site 'north' is not known yet"),
    ],
)
def test_a_delivery_that_is_no_table_is_refused_in_a_sentence(
    write_delivery: Write, take_in: Take, tmp_path: Path, texts: dict[str, str], words: str
) -> None:
    with pytest.raises(DeliveryError, match=words):
        take_in(write_delivery(texts))


def test_a_column_that_a_later_file_lacks_keeps_what_is_known(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    take_in(write_delivery(clean))
    shorter = "case,athlete,onset,side,digit,onset_mode\n0001,AB10001,2024-03-01,right,ring,sudden\n"
    report = take_in(write_delivery({"cases": shorter}, name="second"))
    assert [(c.new, c.revised) for c in report.tables] == [(0, 1)]
    with open_registry(tmp_path / "registry.duckdb") as view:
        (row,) = [row for row in view.base("cases").collect().to_native().to_pylist() if row["case"] == "0001"]
    assert (row["side"], row["grip"], str(row["first_seen"])) == ("right", "full_crimp", "2024-03-05")


@pytest.mark.parametrize(("old", "new", "column"), [("2024-03-01", "2024-03-20", "onset"), ("ring", "thumb", "digit")])
def test_a_revision_that_contradicts_the_rows_of_its_case_is_held(
    write_delivery: Write, take_in: Take, clean: dict[str, str], old: str, new: str, column: str
) -> None:
    clean["findings"] = clean["findings"].replace("0001,a2", "0001,a4")
    take_in(write_delivery(clean))
    head, row = clean["cases"].splitlines()[:2]
    revised = f"{head}\n{row.replace(old, new, 1).replace('2024-03-05', '2024-03-25')}\n"
    report = take_in(write_delivery({"cases": revised}, name="second"))
    assert codes(report) == [("cases.csv", 2, column, "children_contradict")]


def test_an_emptied_cell_is_a_revision(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    take_in(write_delivery(clean))
    take_in(write_delivery({"cases": clean["cases"].replace("full_crimp", "")}, name="second"))
    with open_registry(tmp_path / "registry.duckdb") as view:
        grips = view.base("cases").sort("case").collect().to_native()["grip"].to_pylist()
    assert grips == [None, "half_crimp", "not_applicable"]


def test_a_file_is_recognised_by_its_columns(write_delivery: Write, take_in: Take, clean: dict[str, str]) -> None:
    folder = write_delivery({"export7": clean["findings"], "cases_spring": clean["cases"], "sites": clean["sites"]})
    report = take_in(folder)
    assert {file.file: file.table for file in report.files}["export7.csv"] == "findings"


def test_unreadable_rows_are_held_with_the_rest_taken_in(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    clean["athletes"] += "AB10009,female,1990,7\n"
    report = take_in(write_delivery(clean))
    assert codes(report) == [("athletes.csv", 5, "", "cell_count")]
    assert held_rows(tmp_path / "registry.duckdb")["row"].tolist() == [5]


def test_a_failure_half_way_leaves_the_registry_as_it_was(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    take_in(write_delivery({"sites": clean["sites"], "athletes": clean["athletes"]}))

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("power cut")

    monkeypatch.setattr("registry.intake.delivery.store_derived", broken)
    with pytest.raises(RuntimeError, match="power cut"):
        take_in(write_delivery({"cases": clean["cases"]}, name="second"))
    monkeypatch.undo()
    registry = tmp_path / "registry.duckdb"
    assert count(registry, "cases") == 0
    assert take_in(tmp_path / "second").tables[0].new == 3


def test_the_registry_is_readable_by_its_owner_only(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    take_in(write_delivery(clean))
    assert (tmp_path / "registry.duckdb").stat().st_mode & 0o077 == 0
