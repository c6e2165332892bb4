"""Milestones: exact day, interval or censoring; sustained; giving up."""

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.derive.milestones import MILESTONES, milestones
from registry.door import enter


def course(*contacts, clock=0, first_seen=None):
    """Contacts: (seen, status, {since, stopped_because, end_reason}); returns the case's row as a dict."""
    table = pd.DataFrame(
        [
            {"seen_day": seen, "status": status, "since_day": None, "stopped_because": None, "end_reason": None}
            | (more[0] if more else {})
            for seen, status, *more in contacts
        ],
        columns=["seen_day", "status", "since_day", "stopped_because", "end_reason"],
    ).astype(
        {
            "seen_day": "Int64",
            "since_day": "Int64",
            "status": "string",
            "stopped_because": "string",
            "end_reason": "string",
        }
    )
    contacts_in = table.assign(site="s", case="c", clock_day=clock)
    case = pd.DataFrame({"site": ["s"], "case": ["c"], "clock_day": [clock], "first_seen_day": [first_seen]}).astype(
        {"first_seen_day": "Int64"}
    )
    out = milestones(enter(contacts_in), enter(case)).collect(backend="pandas").to_native()
    assert len(out) == 1
    row = out.iloc[0]
    return {name: None if pd.isna(value) else value for name, value in row.items()}


def told(row, stem):
    return tuple(row[f"{stem}_{part}"] for part in ("kind", "day", "after", "reason"))


def test_exact_interval_and_what_a_higher_status_proves():
    row = course((20, "off_climbing"), (60, "modified_climbing", {"since_day": 45}), (100, "full_climbing"))
    assert told(row, "modified") == ("exact", 45, None, None)
    assert told(row, "full") == ("interval", 100, 60, None)
    assert told(row, "previous_level") == ("censored", 100, None, "open")
    row = course((20, "off_climbing"), (80, "previous_level", {"since_day": 70}))
    assert told(row, "previous_level") == ("exact", 70, None, None)
    assert told(row, "full") == ("interval", 70, 20, None)
    assert told(row, "modified") == ("interval", 70, 20, None)


def test_interval_starts_at_the_injury_when_nothing_disproves():
    assert told(course((30, "full_climbing")), "full") == ("interval", 30, 0, None)


def test_never_stopped_is_day_zero():
    row = course((0, "full_climbing"))
    assert told(row, "full") == ("exact", 0, None, None)
    assert told(row, "modified") == ("exact", 0, None, None)


def test_a_later_contact_may_give_the_exact_day():
    row = course((40, "off_climbing"), (60, "full_climbing"), (90, "full_climbing", {"since_day": 55}))
    assert told(row, "full") == ("exact", 55, None, None)


def test_the_first_day_of_a_second_spell_is_not_the_first_return():
    row = course((60, "full_climbing"), (70, "off_climbing"), (90, "full_climbing", {"since_day": 85}))
    assert told(row, "full") == ("interval", 60, 0, None)
    assert told(row, "full_sustained") == ("exact", 85, None, None)


def test_a_first_day_that_an_earlier_contact_disproves_is_ignored():
    row = course((19, "off_climbing"), (50, "full_climbing", {"since_day": 14}))
    for stem in ("modified", "modified_sustained", "full", "full_sustained"):
        assert told(row, stem) == ("interval", 50, 19, None)
    assert told(course((19, "off_climbing"), (50, "full_climbing", {"since_day": 19})), "full")[1] == 50
    assert told(course((19, "off_climbing"), (50, "full_climbing", {"since_day": 20})), "full")[:2] == ("exact", 20)
    repeated = course((19, "off_climbing"), (50, "full_climbing"), (80, "full_climbing", {"since_day": 14}))
    assert told(repeated, "full") == ("interval", 50, 19, None)


def test_a_first_day_is_disproved_for_each_milestone_by_itself():
    row = course((20, "modified_climbing"), (50, "full_climbing", {"since_day": 15}))
    assert told(row, "full") == ("interval", 50, 20, None)
    assert told(row, "modified") == ("interval", 15, 0, None)
    row = course((20, "full_climbing"), (50, "previous_level", {"since_day": 15}))
    assert told(row, "previous_level") == ("interval", 50, 20, None)
    assert told(row, "full") == ("interval", 15, 0, None)


def test_a_later_step_back_does_not_disprove_a_first_day():
    row = course((50, "full_climbing", {"since_day": 14}), (90, "off_climbing"))
    assert told(row, "full") == ("exact", 14, None, None)


def test_sustained_runs_from_the_day_that_is_believed():
    row = course((19, "off_climbing"), (50, "full_climbing", {"since_day": 14}), (70, "off_climbing"))
    assert told(row, "full") == ("interval", 50, 19, None)
    assert told(row, "full_sustained") == ("censored", 70, None, "open")


def test_not_yet_full_says_nothing_about_modified():
    row = course((20, "off_climbing"), (90, "not_yet_full", {"end_reason": "lost"}))
    assert told(row, "full") == ("censored", 90, None, "lost")
    assert told(row, "modified") == ("censored", 20, None, "lost")
    row = course((90, "not_yet_full"), first_seen=5)
    assert told(row, "modified") == ("censored", 5, None, "no_contact")


def test_no_contact():
    assert told(course(first_seen=12), "full") == ("censored", 12, None, "no_contact")
    assert told(course(), "full") == ("censored", 0, None, "no_contact")
    assert course()["last_contact_day"] is None


@pytest.mark.parametrize("why", ["discharged", "lost", "declined", "withdrawn"])
def test_reason_of_the_end_is_that_of_the_last_contact(why):
    row = course((20, "off_climbing", {"end_reason": why}))
    assert told(row, "full") == ("censored", 20, None, why)
    row = course((20, "off_climbing", {"end_reason": why}), (50, "off_climbing"))
    assert told(row, "full") == ("censored", 50, None, "open")
    assert (row["end_reason"], row["last_contact_day"]) == (None, 50)


def test_giving_up_ends_the_course():
    stop = {"stopped_because": "this_injury", "since_day": 50}
    row = course((20, "off_climbing"), (80, "stopped_climbing", stop), (120, "full_climbing"))
    assert told(row, "full") == ("censored", 50, None, "stopped_this_injury")
    row = course((20, "off_climbing"), (80, "stopped_climbing"))
    assert told(row, "full") == ("censored", 80, None, "stopped_other")
    row = course((20, "full_climbing"), (80, "stopped_climbing"))
    assert told(row, "full") == ("interval", 20, 0, None)


def test_sustained_needs_28_days_without_a_step_back():
    row = course((50, "full_climbing", {"since_day": 50}), (78, "off_climbing"))
    assert told(row, "full_sustained") == ("censored", 78, None, "open")
    row = course((50, "full_climbing", {"since_day": 50}), (79, "off_climbing"))
    assert told(row, "full_sustained") == ("exact", 50, None, None)
    gave_up = {"stopped_because": "this_injury"}
    row = course((50, "full_climbing", {"since_day": 50}), (60, "stopped_climbing", gave_up))
    assert told(row, "full_sustained") == ("censored", 60, None, "stopped_this_injury")


def test_days_run_from_the_clock():
    row = course((90, "off_climbing"), (120, "full_climbing", {"since_day": 110}), clock=100, first_seen=90)
    assert told(row, "full") == ("exact", 10, None, None)
    assert row["last_contact_day"] == 20


statuses = st.sampled_from(
    ["off_climbing", "not_yet_full", "modified_climbing", "full_climbing", "previous_level", "stopped_climbing"]
)
contact = st.tuples(statuses, st.one_of(st.none(), st.integers(0, 40)), st.sampled_from(["this_injury", None]))


PROVES = {
    "modified": {"modified_climbing", "full_climbing", "previous_level"},
    "full": {"full_climbing", "previous_level"},
    "previous_level": {"previous_level"},
}
DISPROVES = {
    "modified": {"off_climbing"},
    "full": {"off_climbing", "not_yet_full", "modified_climbing"},
    "previous_level": {"off_climbing", "not_yet_full", "modified_climbing", "full_climbing"},
}


def first_proof(contacts, name):
    """The day of the first proof, said contact by contact; None where there is none."""
    days = []
    for seen, (status, back, _) in sorted(contacts.items()):
        if status == "stopped_climbing":
            break
        since = seen if back is None else max(0, seen - back)
        wrong = any(since <= day < seen and told[0] in DISPROVES[name] for day, told in contacts.items())
        if status in PROVES[name]:
            days.append(seen if wrong else since)
    return min(days, default=None)


@settings(max_examples=60, deadline=None)
@given(st.dictionaries(st.integers(0, 300), contact, max_size=6))
def test_laws(contacts):
    row = course(
        *(
            (seen, status, {"since_day": None if back is None else max(0, seen - back), "stopped_because": why})
            for seen, (status, back, why) in contacts.items()
        )
    )
    for name in MILESTONES:
        for stem in (name, f"{name}_sustained"):
            kind, day, after, reason = told(row, stem)
            assert row[f"{stem}_returned"] == (kind in {"exact", "interval"})
            assert (after is not None) == (kind == "interval")
            assert (reason is not None) == (kind == "censored")
            assert day >= 0
            assert after is None or 0 <= after < day
        proof = first_proof(contacts, name)
        assert row[f"{name}_returned"] == (proof is not None)
        assert proof is None or row[f"{name}_day"] == proof
        assert row[f"{name}_sustained_day"] >= row[f"{name}_day"]
        assert row[f"{name}_returned"] or not row[f"{name}_sustained_returned"]
    if row["previous_level_returned"]:
        assert row["modified_day"] <= row["full_day"] <= row["previous_level_day"]
