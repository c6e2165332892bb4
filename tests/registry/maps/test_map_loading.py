"""Reading maps: whatever a file holds, a person is told what to mend, and nothing else happens."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.errors import InputError
from registry.maps.loading import load_map, read_map
from registry.maps.model import ColumnMap

MAPS = Path(__file__).parents[1] / "exports" / "maps"
SMALL = """
[map]
format = 1
[[rows]]
table = "cases"
[rows.fields]
case = "Number"
athlete = "Climber"
onset = "Onset"
side = { column = "Hand", words = "hand" }
digit = { column = "Ray", words = "rays" }
onset_mode = { constant = "unknown" }
[words.hand]
L = "left"
R = "right"
"""


def small() -> ColumnMap:
    return read_map(SMALL.encode(), name="m.toml")


def changed(old: str, new: str) -> ColumnMap:
    assert old in SMALL
    return read_map(SMALL.replace(old, new).encode(), name="m.toml")


@pytest.mark.parametrize("name", ["harbour", "ridge", "valley"])
def test_the_maps_of_the_exports_load(name: str) -> None:
    column_map = load_map(MAPS / f"{name}.toml")
    assert column_map.site == name
    assert not column_map.open_questions
    assert set(column_map.feeds) == set(column_map.columns)


def test_a_mark_of_byte_order_does_not_matter() -> None:
    assert read_map(b"\xef\xbb\xbf" + SMALL.encode(), name="m.toml").columns == small().columns


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("format = 1", "format = 2", r"map.format: this release reads format 1"),
        ("[map]", "[mapp]", r"mapp: no such section.*Did you mean 'map'"),
        ('"cases"', '"cases2"', r"rows 1 \(cases2\).table.*Did you mean 'cases'"),
        ('onset = "Onset"', 'onsett = "Onset"', r"cases has no such field. Did you mean 'onset'"),
        ('onset = "Onset"\n', "", r"'onset' is required and not fed"),
        ('words = "hand"', 'words = "hands"', r"no \[words.hands\] in the map. Did you mean 'hand'"),
        ('L = "left"', 'L = "lefft"', r"words.hand.L: 'lefft' is no code of side. Did you mean 'left'"),
        ('L = "left"', "L = true", r'words.hand: must hold lines like Ringfinger = "ring"'),
        ('L = "left"', 'L = "left"\n" l" = "right"', r"two spellings of one word have different meanings"),
        ('athlete = "Climber"', 'athlete = { column = "Climber", words = "hand" }', r"athlete has no codes"),
        ('athlete = "Climber"', 'athlete = { constant = "Anna Berg" }', r"must match the pseudonym_pattern"),
        ('case = "Number"', 'case = { constant = "1" }', r"case names a row, so no fixed word can stand for it"),
        ('onset = "Onset"', 'onset = { column = "Onset", factor = 2 }', r"factor: goes with a number only"),
        ('onset = "Onset"', 'onset = { column = "Onset", unit = "d" }', r"unit: goes with a number only"),
        ('onset = "Onset"', 'onset = { constant = "31.12.2023" }', r"a fixed date is written as \"2024-05-31\""),
        ('onset = "Onset"', 'onset = { column = "Onset", constant = "x" }', r"exactly one of column, columns and"),
        ('onset = "Onset"', 'onset = "Row"', r"'Row' has a name that we use beside the site's columns"),
        ('onset = "Onset"', 'onset = "number"', r"column 'number' is also written 'Number'"),
        ("format = 1", 'format = 1\n[file]\ndrop = ["ONSET"]', r"'Onset' is dropped and used; choose one"),
        ("format = 1", 'format = 1\n[file]\nencoding = "rot13"', r"file.encoding: no encoding of that name"),
        ("format = 1", 'format = 1\n[file]\nseparator = "||"', r"file.separator: must be one character"),
        ("format = 1", 'format = 1\n[file]\ntimes = "cut"', r"file.times: must be \"leave out\""),
        ('L = "left"', 'L = "left"\n[words.months]\nApr = "13"', r"words.months.Apr: a month has a number"),
        ("format = 1", "format = 1\n[[rows", r"m.toml is not TOML"),
        ("format = 1", "format = 1\n[site]\nkind = [1]", r'site.kind: must be a text in "quotes"'),
        ('column = "Ray"', 'column = "Ray", factor = inf', r"factor: must be a number from"),
    ],
)
def test_a_fault_is_named_by_its_place(old: str, new: str, said: str) -> None:
    with pytest.raises(InputError, match=said) as told:
        changed(old, new)
    assert str(told.value).splitlines()[0].startswith("m.toml")


def test_all_faults_are_said_at_once_and_without_signs_that_a_terminal_obeys() -> None:
    with pytest.raises(InputError, match="lefft") as told:
        read_map(SMALL.replace('"left"', '"lefft"').replace('"right"', '"ri\\u001b[2Jt"').encode(), name="m.toml")
    assert "\x1b" not in str(told.value)
    assert str(told.value).count("is no code of side") == 2


def test_a_file_that_is_no_map_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        load_map(tmp_path / "none.toml")
    with pytest.raises(InputError, match="is not UTF-8"):
        read_map("[map]\nsite = 'ö'".encode("latin-1"), name="m.toml")
    with pytest.raises(InputError, match=r"no \[\[rows\]\]"):
        read_map(b"", name="m.toml")


QUESTION = """
[[questions]]
id = 1
ask = "Which order?"
target = ["file", "date_order"]
options = ["day month year", "month day year"]
answer = "{}"
"""


def test_an_answer_goes_where_it_belongs() -> None:
    asked = read_map((SMALL + QUESTION.format("")).encode(), name="m.toml")
    assert [question.id for question in asked.open_questions] == ["1"]
    answered = read_map((SMALL + QUESTION.format("month day year")).encode(), name="m.toml")
    assert not answered.open_questions
    assert answered.file.date_order == "month day year"
    left = read_map((SMALL + QUESTION.format("leave out")).encode(), name="m.toml")
    assert (left.open_questions, left.file.date_order) == ((), "year month day")
    with pytest.raises(InputError, match="is none of the options"):
        read_map((SMALL + QUESTION.format("maybe")).encode(), name="m.toml")


VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-5, 5)
    | st.floats()
    | st.sampled_from(["", "cases", "Onset", "left", "rays"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from("abc"), inner, max_size=3),
    max_leaves=6,
)
TARGETS = st.sampled_from(
    [
        ["file", "drop"],
        ["file", "skip_lines"],
        ["words", "hand", "L"],
        ["rows", "cases", "onset"],
        ["drop", "X"],
        ["a"],
        [],
    ]
)


def _places(node: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inside = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    return [path, *(place for key, one in inside for place in _places(one, (*path, key)))]


def _with(node: Any, path: tuple[Any, ...], value: Any) -> Any:
    if not path:
        return value
    copy = dict(node) if isinstance(node, dict) else list(node)
    copy[path[0]] = _with(copy[path[0]], path[1:], value)
    return copy


WHOLE = tomllib.loads((MAPS / "ridge.toml").read_text(encoding="utf-8")) | {
    "questions": [{"id": 1, "ask": "?", "target": ["drop", "X"], "options": ["a"], "answer": "a"}],
    "deidentify": {"patient_number": "a", "pseudonym": "b"},
}
PLACES = [place for place in _places(WHOLE) if place]


@given(data=st.data())
def test_no_map_breaks_the_reader(data: st.DataObject) -> None:
    raw: Any = WHOLE
    for _ in range(data.draw(st.integers(1, 3))):
        place = data.draw(st.sampled_from(PLACES))
        try:
            raw = _with(raw, place, data.draw(VALUES | TARGETS))
        except (KeyError, IndexError, TypeError):
            continue  # the place went with an earlier change
    if not isinstance(raw, dict):
        return
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("registry.maps.loading._parsed", lambda _, __: raw)
        assert _outcome().startswith(("read", "m.toml: "))


def _outcome() -> str:
    try:
        read_map(b"", name="m.toml")
    except InputError as told:
        return str(told)
    return "read"


@given(st.binary(max_size=60) | st.text(max_size=60).map(str.encode))
def test_no_bytes_break_the_reader(data: bytes) -> None:
    with pytest.raises(InputError, match=r"m\.toml"):
        read_map(data, name="m.toml")
