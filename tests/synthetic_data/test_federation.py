import csv
import re
from collections import defaultdict
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from registry.dictionary import SHEET, TABLES
from registry.dictionary.anatomy import impossible, impossible_joint
from registry.errors import NotWritableError, OptionError
from synthetic_data import Federation, write_federation

SMALL = Path(__file__).parents[2] / "synthetic_data" / "small"
EVERY_TABLE = {**TABLES, "sheet": SHEET}
Rows = list[dict[str, str]]
Files = Callable[[Path], dict[str, bytes]]


def read(path: Path) -> Rows:
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def tables(federation: Federation) -> Iterator[tuple[str, str, Rows]]:
    for site in federation.sites:
        for path in sorted(site.folder.glob("*.csv")):
            yield site.code, path.stem, read(path)


def by_key(rows: Rows, column: str) -> dict[str, dict[str, str]]:
    return {row[column]: row for row in rows}


def test_the_same_seed_gives_the_same_bytes(tmp_path: Path, files_below: Files) -> None:
    one = write_federation(tmp_path / "one", climbers=40, seasons=1, seed=5)
    two = write_federation(tmp_path / "two", climbers=40, seasons=1, seed=5)
    other = write_federation(tmp_path / "other", climbers=40, seasons=1, seed=6)
    assert files_below(one.folder) == files_below(two.folder)
    assert files_below(one.folder) != files_below(other.folder)


def test_the_committed_small_federation_is_what_the_generator_writes(tmp_path: Path, files_below: Files) -> None:
    """`annulary federation synthetic_data/small --climbers 60 --seasons 2` makes it anew, into an empty folder."""
    written = write_federation(tmp_path / "small", climbers=60, seasons=2)
    committed = files_below(SMALL)
    assert files_below(written.folder) == committed
    assert sum(map(len, committed.values())) < 300_000


def test_a_larger_federation_begins_with_the_climbers_of_a_smaller_one(tmp_path: Path) -> None:
    small = write_federation(tmp_path / "small", climbers=20, seasons=1, untidy=False)
    large = write_federation(tmp_path / "large", climbers=40, seasons=1, untidy=False)
    few, many = (read(one.sites[0].folder / "exposure.csv") for one in (small, large))
    assert few
    assert many[: len(few)] == few


def test_about_as_many_climbers_as_asked_for(clean: Federation) -> None:
    climbers = clean.rows["athletes"]
    climbers += len({row["athlete"] for row in read(clean.sites[-1].folder / "sheet.csv")})
    assert 0.8 * 350 < climbers < 1.2 * 350


def test_sites_of_different_kinds_come_first_in_their_folder(clean: Federation) -> None:
    sites = [row for site in clean.sites for row in read(site.folder / "sites.csv")]
    assert [row["site"] for row in sites] == [site.code for site in clean.sites]
    assert {row["kind"] for row in sites} == {"clinic", "squad", "self_report"}
    assert {row["exposure_method"] for row in sites} == {"none", "logged", "estimated"}
    clinics = {(row["case_definition"], row["consecutive"]) for row in sites if row["kind"] == "clinic"}
    assert len(clinics) > 1
    assert {path.name for path in clean.sites[-1].folder.iterdir()} == {"sites.csv", "sheet.csv"}


def test_every_table_of_the_dictionary_is_delivered(clean: Federation) -> None:
    assert set(clean.rows) == set(EVERY_TABLE)


def test_columns_keys_and_codes_are_the_dictionary_s(clean: Federation) -> None:
    for site, name, rows in tables(clean):
        table = EVERY_TABLE[name]
        assert rows, (site, name)
        assert set(rows[0]) <= set(table.names)
        assert {field.name for field in table.fields if field.required} <= set(rows[0])
        keys = [tuple(row.get(part, "") for part in table.key) for row in rows]
        assert len(set(keys)) == len(keys), (site, name)
        for field in table.fields:
            cells = {row.get(field.name, "") for row in rows}
            if field.required:
                assert "" not in cells, (site, name, field.name)
            if field.kind == "code":
                assert cells - {""} <= set(field.accepted_words), (site, name, field.name)


def test_numbers_lie_in_their_range_and_dates_in_the_calendar(clean: Federation) -> None:
    for site, name, rows in tables(clean):
        for field in EVERY_TABLE[name].fields:
            cells = {row.get(field.name, "") for row in rows} - {""}
            if field.kind in ("integer", "number", "year"):
                assert all(
                    (field.low is None or float(cell) >= field.low)
                    and (field.high is None or float(cell) <= field.high)
                    for cell in cells
                ), (site, name, field.name)
            if field.kind == "date" and field.name != "retention_until":
                assert all(date(2022, 1, 1) <= date.fromisoformat(cell) <= date(2026, 6, 30) for cell in cells)
        for earlier, later in EVERY_TABLE[name].ordered:
            for row in rows:
                one, other = row.get(earlier, ""), row.get(later, "")
                if one and other and EVERY_TABLE[name][earlier].kind == "date":
                    assert one <= other, (site, name, earlier, later)


def test_pseudonyms_match_the_pattern_of_their_site(clean: Federation) -> None:
    for site in clean.sites:
        pattern = re.compile(read(site.folder / "sites.csv")[0]["pseudonym_pattern"])
        for path in site.folder.glob("*.csv"):
            for row in read(path):
                for column in ("athlete", "squad"):
                    assert not row.get(column) or pattern.fullmatch(row[column])


def test_rows_refer_to_rows_that_are_there(clean: Federation) -> None:
    for site in clean.sites:
        keys = {name: by_key(read(site.folder / f"{name}.csv"), name[:-1]) for name in ("athletes", "cases")}
        for path in site.folder.glob("*.csv"):
            if path.stem == "sheet":
                continue
            for field in TABLES[path.stem].fields:
                if field.refers_to:
                    cells = {row.get(field.name, "") for row in read(path)} - {""}
                    assert cells <= set(keys[field.refers_to]), (site.code, path.stem)
        index_cases = {row["index_case"] for row in keys["cases"].values()} - {""}
        assert index_cases <= set(keys["cases"])


def test_nothing_is_seen_before_the_onset(clean: Federation) -> None:
    for site in clean.sites:
        cases = by_key(read(site.folder / "cases.csv"), "case")
        for table, columns in (
            ("follow_ups", ("seen", "since")),
            ("findings", ("found_on",)),
            ("imaging", ("done_on",)),
            ("management", ("starts_on",)),
            ("readings", ("read_on",)),
        ):
            for row in read(site.folder / f"{table}.csv"):
                onset = cases[row["case"]]["onset"]
                assert all(not row[column] or row[column] >= onset for column in columns)


def test_no_finger_holds_what_it_cannot_have(clean: Federation) -> None:
    for site in clean.sites:
        cases = by_key(read(site.folder / "cases.csv"), "case")
        for row in read(site.folder / "findings.csv"):
            case = cases[row["case"]]
            assert not impossible(case["digit"], row["structure"])
            assert not impossible_joint(case["digit"], row["joint"])
            if row["structure"] == "growth_plate":
                assert int(case["age_at_onset"]) < 20


def test_no_injury_looks_like_another_written_down_twice(clean: Federation) -> None:
    for site in clean.sites:
        onsets = defaultdict(list)
        for row in read(site.folder / "cases.csv") + read(site.folder / "sheet.csv"):
            onsets[row["athlete"], row["side"], row["digit"]].append(date.fromisoformat(row["onset"]))
        for days in onsets.values():
            days.sort()
            assert all(later - earlier > timedelta(days=14) for earlier, later in pairwise(days))


def test_climbing_time_never_overlaps_and_fits_into_the_day(clean: Federation) -> None:
    for site in clean.sites:
        spans = defaultdict(list)
        for row in read(site.folder / "exposure.csv"):
            first, last = date.fromisoformat(row["starts_on"]), date.fromisoformat(row["ends_on"])
            heads = int(row.get("climbers") or 1)
            assert int(row["minutes_total"]) <= 16 * 60 * heads * ((last - first).days + 1)
            who = row.get("athlete") or row.get("squad")
            spans[who, row["discipline"], row["setting"], row["context"]].append((first, last))
        for rows in spans.values():
            rows.sort()
            assert all(one[1] < other[0] for one, other in pairwise(rows))


def test_a_climber_of_a_squad_keeps_no_diary(clean: Federation) -> None:
    for site in clean.sites:
        in_squads = {row["athlete"] for row in read(site.folder / "athletes.csv") if row["squad"]}
        diaries = {row.get("athlete", "") for row in read(site.folder / "exposure.csv")}
        assert not in_squads & diaries
        if in_squads:
            squads = {row["squad"] for row in read(site.folder / "athletes.csv")} - {""}
            assert {row["squad"] for row in read(site.folder / "exposure.csv")} == squads
            members = sum(int(row["climbers"]) for row in read(site.folder / "observation.csv")) / 3
            assert members == len(in_squads)


def test_minors_are_watched_with_consent_only(clean: Federation) -> None:
    for site in clean.sites:
        athletes = by_key(read(site.folder / "athletes.csv"), "athlete")
        for row in read(site.folder / "observation.csv"):
            born = athletes.get(row.get("athlete", ""), {}).get("birth_year")
            if born and int(row["starts_on"][:4]) - int(born) < 18:
                assert row["guardian_consent"] == "yes"


def test_the_deliveries_hold_what_real_ones_hold(clean: Federation) -> None:
    """Gaps, repeaters, several fingers, prevalent, retrospective and unfinished cases: else nothing would show them."""
    courses = {(row["site"], row["case"]): row for row in read(clean.truth_folder / "courses.csv")}
    found = defaultdict(int)
    for site in clean.sites:
        cases = read(site.folder / "cases.csv")
        watched: dict[str, str] = {}
        for row in read(site.folder / "observation.csv"):
            if row.get("athlete"):
                watched.setdefault(row["athlete"], row["starts_on"])
        found["repeaters"] += len(cases) - len({row["athlete"] for row in cases})
        found["several fingers"] += len(cases) - len({row["occurrence"] for row in cases})
        for row in cases:
            true = courses[site.code, row["case"]]
            found["prevalent"] += row["onset"] < watched.get(row["athlete"], "")
            found["retrospective"] += bool(true["full"]) and row["first_seen"] > true["full"]
            found["never stopped"] += true["full"] == true["onset"]
            found["gave up"] += bool(true["stopped"])
            found["not applicable"] += row["grip"] == "not_applicable"
            found["unknown"] += row["grip"] == "unknown"
            found["not recorded"] += row["grip"] == ""
            found["minor"] += int(row["age_at_onset"]) < 18
        follow_ups = read(site.folder / "follow_ups.csv")
        found["lost"] += sum(row["end_reason"] == "lost" for row in follow_ups)
        found["growth plate"] += sum(row["structure"] == "growth_plate" for row in read(site.folder / "findings.csv"))
    assert len(found) == 12
    assert all(n > 0 for n in found.values()), dict(found)


def test_the_sampled_sessions_were_climbed_and_the_earlier_ones_came_before(clean: Federation) -> None:
    diary = clean.sites[0].folder
    sets = by_key(read(diary / "cases.csv"), "match_set")
    earlier = [row for row in read(diary / "referents.csv") if row["sampling"] == "own_earlier"]
    assert earlier
    for row in earlier:
        case = sets[row["match_set"]]
        assert case["athlete"] == row["athlete"]
        assert case["onset_mode"] in ("sudden", "unknown")
        gap = date.fromisoformat(case["onset"]) - date.fromisoformat(row["happened_on"])
        # An onset that is known only to its week or month is dated to that period's first day.
        imprecise = case["onset_precision"] in ("week", "month")
        assert timedelta(days=-25 if imprecise else 7) <= gap <= timedelta(days=28)


def test_progress_runs_to_the_end(tmp_path: Path) -> None:
    shares: list[float] = []
    write_federation(tmp_path / "new", climbers=10, seasons=1, progress=shares.append)
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"climbers": 0}, "climbers must lie between 1 and"),
        ({"seasons": 0}, "seasons must lie between 1 and 30; got 0"),
        ({"seed": -1}, "seed must lie between 0 and"),
    ],
)
def test_numbers_out_of_range_are_refused(tmp_path: Path, options: dict[str, int], message: str) -> None:
    with pytest.raises(OptionError, match=message):
        write_federation(tmp_path / "new", **options)
    assert not (tmp_path / "new").exists()


def test_nothing_of_the_user_s_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("kept")
    with pytest.raises(OptionError, match="is not empty; name a new one"):
        write_federation(tmp_path, climbers=5, seasons=1)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(NotWritableError, match="cannot be made"):
        write_federation(tmp_path / "file" / "below", climbers=5, seasons=1)
