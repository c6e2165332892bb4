"""The notebook's way in: what is refused, and that no value is repeated."""

import pandas as pd
import pytest

from registry.derive import base_from_frames
from registry.errors import ColumnError, InputError

CASES = {
    "case": [1, 2],
    "athlete": ["p1", "p2"],
    "onset": ["2024-01-01", "2024-02-01"],
    "side": ["left", "right"],
    "digit": ["ring", "middle"],
    "onset_mode": ["sudden", "sudden"],
}


@pytest.mark.parametrize(
    ("frames", "error", "message"),
    [
        ({"case": CASES}, InputError, r"no table 'case'.*Did you mean 'cases'"),
        ({"findings": {"case": [1]}}, InputError, "a frame 'cases' is needed"),
        ({"cases": {**CASES, "onsett": ["x", "y"]}}, ColumnError, r"no field 'onsett'.*Did you mean 'onset'"),
        ({"cases": {k: v for k, v in CASES.items() if k != "side"}}, ColumnError, "no column 'side'"),
        ({"cases": {**CASES, "onset": ["1.2.2024", None]}}, InputError, "1 rows: column 'onset' is not a day"),
        ({"cases": {**CASES, "digit": ["ring", "fourth"]}}, InputError, "1 rows: column 'digit' holds none of thumb"),
        ({"cases": {**CASES, "case": [1, 1]}}, InputError, r"1 rows: the key \(case\) has come before"),
        ({"cases": {**CASES, "age_at_onset": ["30", "old"]}}, InputError, "'age_at_onset' is not a whole number"),
        ({"cases": {**CASES, "first_seen": ["2023-01-01", None]}}, InputError, "'first_seen' lies before 'onset'"),
        (
            {"cases": CASES, "findings": {"case": [3], "structure": ["a2"], "extent": ["strain"]}},
            InputError,
            "1 rows: 'case' names no row of 'cases'",
        ),
        (
            {"cases": CASES, "observation": {"starts_on": ["2024-01-01"], "ends_on": ["2024-01-01"]}},
            InputError,
            "none of athlete, squad is filled",
        ),
    ],
)
def test_refused(frames, error, message):
    with pytest.raises(error, match=message):
        base_from_frames(frames)


def test_all_findings_at_once_and_no_value():
    bad = {**CASES, "onset": ["Anna 1.2.", "2024-02-01"], "digit": ["Anna", "ring"]}
    with pytest.raises(InputError, match="digit") as caught:
        base_from_frames({"cases": bad})
    assert "onset" in str(caught.value)
    assert "Anna" not in str(caught.value)


def test_typed_columns():
    frame = pd.DataFrame({**CASES, "age_at_onset": [30, None], "case": [1.0, 2.0], "pop_heard": [True, None]})
    frame["pop_heard"] = frame.pop_heard.astype("boolean")
    base = base_from_frames({"cases": frame})
    row = base["cases"].sort("case").select("site", "case", "onset_day", "age_at_onset", "pop_heard", "off_from_day")
    assert row.collect().rows() == [("one", "1", 19723, 30, "yes", None), ("one", "2", 19754, None, None, None)]
    assert base["exposure"].collect().shape[0] == 0
