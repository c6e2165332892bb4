"""Checks between rows: which of two rows is held, and what a second delivery or the registry changes about it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from registry.dictionary import TABLES
from registry.intake.across import across_findings, key_conflicts
from registry.intake.across_derived import derived_warnings, keep_derived_warnings
from registry.intake.report import IntakeReport
from registry.store.connection import connect

Write = Callable[..., Path]
Take = Callable[..., IntakeReport]
Try = Callable[..., list[tuple[str, int, str, str]]]

CASES = "case,athlete,onset,side,digit,onset_mode,confirmed_distinct\n"
FINDINGS = "case,structure,extent\n"
EXPOSURE = "athlete,squad,starts_on,ends_on,discipline,setting,context,minutes_total,climbers\n"
SECOND = "0009,AB10001,2024-03-15,left,ring,sudden,"
"""A second case of the finger that case 0001 of the clean delivery hurt on 2024-03-01."""


@pytest.fixture
def underived(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ask the checks alone; what follows from accepted rows takes time and has tests of its own."""
    for name in ("store_derived", "keep_derived_warnings"):
        monkeypatch.setattr(f"registry.intake.delivery.{name}", lambda *_, **__: None)


@pytest.fixture
def tried(write_delivery: Write, take_in: Take, clean_registry: Path, underived: None) -> Try:
    """Return what a delivery would find after the clean one: (file, row, column, code)."""

    def try_out(**texts: str) -> list[tuple[str, int, str, str]]:
        report = take_in(write_delivery(texts), registry=clean_registry, dry_run=True)
        return [tuple(found) for found in report.findings[["file", "row", "column", "code"]].values.tolist()]

    return try_out


HELD = [("cases.csv", 2, "onset", "likely_duplicate")]


@pytest.mark.parametrize(
    ("case", "findings", "expected"),
    [
        (SECOND, "0009,a2,strain\n", HELD),
        (SECOND, "0009, A2 ,strain\n", HELD),
        (SECOND, "", HELD),  # of which no structure is recorded may be the same
        (SECOND, "0009,a3,strain\n", []),
        (SECOND, "0009,a3,strain\n0009,a2,strain\n", HELD),
        (SECOND + "yes", "0009,a2,strain\n", []),
        (SECOND.replace("03-15", "02-16"), "0009,a2,strain\n", HELD),  # the earlier one is held: it is the new one
        (SECOND.replace("03-15", "03-16"), "0009,a2,strain\n", []),
        (SECOND.replace("ring", "middle"), "0009,a2,strain\n", []),
        (SECOND.replace("left", "right"), "0009,a2,strain\n", []),
        (SECOND.replace("AB10001", "AB10002"), "0009,a2,strain\n", []),
    ],
)
def test_a_case_like_one_of_the_registry_is_held(
    tried: Try, case: str, findings: str, expected: list[tuple[str, int, str, str]]
) -> None:
    found = tried(cases=CASES + case + "\n", findings=FINDINGS + findings)
    assert [place for place in found if place[3] != "parent_held"] == expected


def test_of_two_new_cases_the_later_is_held_and_of_two_on_one_day_the_second_number(tried: Try) -> None:
    lines = "0011,AB10003,2024-05-10,left,ring,sudden,\n0012,AB10003,2024-05-01,left,ring,sudden,\n"
    lines += "0014,AB10003,2024-05-01,right,ring,sudden,\n0013,AB10003,2024-05-01,right,ring,sudden,\n"
    assert [(row, code) for _, row, _, code in tried(cases=CASES + lines)] == [
        (2, "likely_duplicate"),
        (4, "likely_duplicate"),
    ]


def test_what_came_in_as_another_injury_stays_in_when_it_comes_again(
    write_delivery: Write, take_in: Take, clean_registry: Path, tmp_path: Path, underived: None
) -> None:
    registry = Path(shutil.copy(clean_registry, tmp_path / "registry.duckdb"))
    rows = {"cases": CASES + SECOND + "yes\n", "findings": FINDINGS + "0009,a2,strain\n"}
    assert take_in(write_delivery(rows)).findings.empty
    # Neither the old case nor the new one is held now, though the second delivery no longer says that they differ.
    again = CASES + "0001,AB10001,2024-03-01,left,ring,repetitive_sudden,\n" + SECOND + "\n"
    report = take_in(write_delivery({"cases": again}, name="second"), registry=registry)
    assert report.findings.empty
    moved = CASES + SECOND.replace("03-15", "03-08") + "\n"
    report = take_in(write_delivery({"cases": moved}, name="third"), registry=registry, dry_run=True)
    assert report.findings["code"].tolist() == ["likely_duplicate"]


@pytest.mark.parametrize(
    ("lines", "rows"),
    [
        (["AB10001,,2023-12-01,2024-01-01,bouldering,indoor,training,90,"], [2]),  # before the registry's
        (["AB10001,,2024-12-31,2025-01-01,bouldering,indoor,training,90,"], [2]),  # after it
        (["AB10001,,2024-02-01,2024-02-01,bouldering,indoor,training,90,"], [2]),  # inside it
        (["AB10001,,2025-01-01,2025-01-01,bouldering,indoor,training,90,"], []),
        (["AB10001,,2024-02-01,2024-02-01,bouldering,outdoor,training,90,"], []),
        (["AB10001,,2024-02-01,2024-02-01,bouldering,,training,90,"], []),
        (["AB10002,,2024-02-01,2024-02-01,bouldering,indoor,training,90,"], []),
        # The registry's own row, shorter, makes room for another.
        (
            [
                "AB10001,,2024-01-01,2024-06-30,bouldering,indoor,training,90,",
                "AB10001,,2024-07-01,2024-12-31,bouldering,indoor,training,90,",
            ],
            [],
        ),
        # Where the row that makes room is itself held, the other is held too: the registry keeps the long one.
        (
            [
                "AB10001,,2023-12-01,2024-01-02,bouldering,indoor,training,90,",
                "AB10001,,2024-01-01,2024-06-30,bouldering,indoor,training,90,",
                "AB10001,,2024-07-01,2024-12-31,bouldering,indoor,training,90,",
            ],
            [2, 3, 4],
        ),
        # An identical row is a repetition, no overlap.
        (["AB10002,,2025-01-01,2025-01-31,board,indoor,training,90,"] * 2, []),
        (
            [
                ",SQ00001,2025-01-01,2025-01-31,board,indoor,training,90,3",
                ",SQ00001,2025-01-31,2025-02-28,board,indoor,training,90,3",
                ",SQ00002,2025-01-31,2025-02-28,board,indoor,training,90,3",
            ],
            [3],
        ),
    ],
)
def test_of_overlapping_rows_the_new_or_the_later_one_is_held(tried: Try, lines: list[str], rows: list[int]) -> None:
    found = tried(exposure=EXPOSURE + "\n".join(lines) + "\n")
    assert found == [("exposure.csv", row, "starts_on", "overlapping_exposure") for row in rows]


def test_a_diary_and_the_squad_s_rows_are_not_both_taken(tried: Try) -> None:
    member = "athlete,sex,squad\nAB10001,female,SQ00001\n"
    squad = ",SQ00001,2024-06-01,2024-06-30,lead,indoor,training,900,9\n"
    assert tried(athletes=member, exposure=EXPOSURE + squad) == [("exposure.csv", 2, "squad", "diary_and_squad")]
    later = squad.replace("2024-06", "2025-06")
    assert tried(athletes=member, exposure=EXPOSURE + later) == []
    diary = "AB10001,,2025-06-30,2025-07-31,lead,outdoor,recreation,900,\n"
    assert tried(athletes=member, exposure=EXPOSURE + later + diary) == [
        ("exposure.csv", 3, "athlete", "diary_and_squad")
    ]
    assert tried(athletes=member.replace("SQ00001", ""), exposure=EXPOSURE + later + diary) == []


def test_hours_of_several_rows_add_up_by_day(tried: Try) -> None:
    three = "".join(
        f"AB10002,,2025-03-0{first},2025-03-0{last},{what},indoor,training,{minutes},\n"
        for first, last, what, minutes in ((1, 4, "board", 2400), (3, 3, "lead", 300), (4, 5, "speed", 724))
    )
    # 600 a day on 1-4, 300 on 3, 362 on 4 and 5: only the 4th has more than 960.
    assert tried(exposure=EXPOSURE + three) == [
        ("exposure.csv", row, "minutes_total", "too_many_hours_together") for row in (2, 4)
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ({"findings": FINDINGS + "1,a2,strain\n"}, [("findings.csv", 2, "case", "lost_zeros")]),
        ({"findings": FINDINGS + "01,a2,strain\n"}, [("findings.csv", 2, "case", "lost_zeros")]),
        ({"findings": FINDINGS + "00001,a2,strain\n"}, [("findings.csv", 2, "case", "unknown_parent")]),
        ({"findings": FINDINGS + "4,a2,strain\n"}, [("findings.csv", 2, "case", "unknown_parent")]),
        ({"cases": CASES + "1,AB10001,2024-03-01,left,ring,sudden,\n"}, [("cases.csv", 2, "case", "lost_zeros")]),
        ({"cases": CASES + "7,AB10001,2024-09-01,left,ring,sudden,\n"}, []),
        (
            {"cases": CASES + "07,AB10001,2024-09-01,left,ring,sudden,\n7,AB10001,2024-12-01,left,ring,sudden,\n"},
            [("cases.csv", 3, "case", "lost_zeros")],
        ),
    ],
)
def test_a_number_that_is_known_with_more_zeros_is_held(
    tried: Try, text: dict[str, str], expected: list[tuple[str, int, str, str]]
) -> None:
    assert tried(**text) == expected


@pytest.mark.parametrize(
    ("lines", "rows"),
    [
        (["0001,2024-07-01,modified_climbing,"], [2]),  # the registry holds full climbing on 2024-06-10
        (["0001,2024-07-01,previous_level,"], []),
        (["0001,2024-04-01,previous_level,"], [2]),  # it makes the registry's later contact a step back
        (["0001,2024-04-01,not_yet_full,", "0001,2024-04-02,off_climbing,"], [3]),
        (["0001,2024-06-10,off_climbing,"], []),  # a correction of that contact
        (["0001,2024-07-01,stopped_climbing,", "0001,2024-08-01,full_climbing,"], []),
    ],
)
def test_a_status_that_goes_backwards_is_warned_about(tried: Try, lines: list[str], rows: list[int]) -> None:
    found = tried(follow_ups="case,seen,status,since\n" + "\n".join(lines) + "\n")
    assert found == [("follow_ups.csv", row, "status", "status_backwards") for row in rows]


def test_rows_that_say_a_climber_in_passing_are_compared_by_sex_and_year(tmp_path: Path) -> None:
    """Rows of one map make a row of athletes each: as many of them as there are injuries, some with gaps."""
    said: dict[str, list[tuple[str | None, int | None]]] = {
        "KNOWN": [(None, None)],  # the registry says female, 1990
        "OTHER": [("male", 1990)],
        "GAPS": [("female", None), (None, 1985), ("unknown", 1985)],
        "YEARS": [("male", 1980), ("male", 1981)],
    }
    rows = [(athlete, sex, year) for athlete, parts in said.items() for sex, year in parts]
    connection = connect(tmp_path / "parts.duckdb", write=True, create=True)
    connection.execute("CREATE TABLE current_athletes (site VARCHAR, athlete VARCHAR, sex VARCHAR, birth_year BIGINT)")
    connection.execute(
        "INSERT INTO current_athletes VALUES ('north', 'KNOWN', 'female', 1990), ('north', 'OTHER', 'female', 1990)"
    )
    connection.execute(
        "CREATE TABLE parts (row_id BIGINT, origin BIGINT, site VARCHAR, athlete VARCHAR, sex VARCHAR, "
        "birth_year BIGINT, content VARCHAR)"
    )
    for number, (athlete, sex, year) in enumerate(rows, start=1):
        values = [100 + number, number, "north", athlete, sex, year, f"{sex} {year}"]
        connection.execute("INSERT INTO parts VALUES (?, ?, ?, ?, ?, ?, ?)", values)
    selects = across_findings(TABLES["athletes"], "(FROM parts)")
    found = [row for select in selects for row in connection.execute(select).fetchall()]
    assert sorted((rows[origin - 1][0], column, code) for _, origin, _, column, code, _ in found) == [
        ("OTHER", "sex", "climber_differs"),
        ("YEARS", "birth_year", "climber_differs"),
        ("YEARS", "birth_year", "climber_differs"),
    ]
    assert connection.execute(key_conflicts(TABLES["athletes"], "(FROM parts)")).fetchall() == []
    connection.execute("UPDATE parts SET origin = row_id")
    conflicts = connection.execute(key_conflicts(TABLES["athletes"], "(FROM parts)")).fetchall()
    assert len(conflicts) == len(said["GAPS"]) + len(said["YEARS"])
    connection.close()


def warned(registry: Path) -> list[tuple[str, int, str, str]]:
    connection = connect(registry, write=False)
    try:
        rows = [row for query in derived_warnings(site="north") for row in connection.execute(query).fetchall()]
        assert not [row for query in derived_warnings(site="south") for row in connection.execute(query).fetchall()]
    finally:
        connection.close()
    return sorted((row[2], row[3], row[4], row[5]) for row in rows)


def kept_twice(registry: Path) -> list[tuple[str, int, str, str]]:
    connection = connect(registry, write=True)
    try:
        connection.execute("BEGIN TRANSACTION; DELETE FROM warnings")
        for delivery in (1, 2):
            keep_derived_warnings(connection, site="north", delivery=delivery)
        rows = connection.execute("SELECT file, line, column_name, code FROM warnings ORDER BY ALL").fetchall()
        connection.execute("ROLLBACK")
    finally:
        connection.close()
    return rows


def test_warnings_from_the_derived_tables_stay_the_same_when_rows_come_again(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    head, *rows = clean["cases"].splitlines()
    grades, past = ("pulley 3", "2", "IV"), ("index", "", "reinjury")
    told = [f"{row},{grade},{before}" for row, grade, before in zip(rows, grades, past, strict=True)]
    told.append("0004,AB10001,2024-08-01,,left,ring,sudden,full_crimp,foot_slip,Grad IV,new")
    clean["cases"] = "\n".join([f"{head},grade_recorded,history", *told]) + "\n"
    clean["findings"] += "0004,a2,,complete,ultrasound,2024-08-05\n"
    clean["exposure"] = clean["exposure"].replace("AB10002,2024-01-01", "AB10002,2024-05-02")
    clean["observation"] = clean["observation"].replace(
        "AB10003,2024-01-01,2024-12-31", "AB10003,2024-01-01,2024-06-30"
    )
    clean["imaging"] = "case,kind,done_on\n0002,mri,2024-06-21\n0004,mri,2024-08-05\n"
    assert take_in(write_delivery(clean)).held == 0
    expected = [
        ("cases.csv", 3, "onset", "outside_exposure"),
        ("cases.csv", 4, "grade_recorded", "grade_iv_single"),
        ("cases.csv", 4, "onset", "outside_observation"),
        ("cases.csv", 5, "grade_recorded", "grade_iv_single"),
        ("cases.csv", 5, "history", "history_differs"),
        ("imaging.csv", 2, "done_on", "imaging_after_last_contact"),
    ]
    registry = tmp_path / "registry.duckdb"
    assert warned(registry) == expected
    assert kept_twice(registry) == expected
    take_in(write_delivery({"cases": clean["cases"] + "\n", "imaging": clean["imaging"] + "\n"}, name="second"))
    assert warned(registry) == expected
