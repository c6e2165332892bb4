"""Days lost: the examples of the consensus, spells, and what is not known."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.derive.time_loss import time_loss
from registry.door import enter

COLUMNS = ("case", "start_day", "seen_day", "since_day", "status", "stopped_because")


def lost(*contacts):
    """Contacts: (seen, status[, since[, stopped_because]]), the first day off being day 0."""
    filled = [
        ("c", 0, seen, rest[0] if rest else None, status, rest[1] if len(rest) > 1 else None)
        for seen, status, *rest in contacts
    ]
    columns = dict(zip(COLUMNS, map(list, zip(*filled, strict=True)), strict=True))
    frame = enter({"site": ["s"] * len(filled), **columns}).to_native()
    typed = frame.project("* REPLACE (CAST(since_day AS BIGINT) AS since_day)")
    return time_loss(enter(typed)).select("time_loss_days", "time_loss_complete").collect().rows()


@pytest.mark.parametrize(
    ("first_day_off", "back", "days"),
    [
        # Bahr et al. 2020, Br J Sports Med 54:372-389 (IOC consensus), its examples; weekdays counted from Monday 0.
        (0, 7, 6),  # injured Monday, back the next Monday
        (0, 1, 0),  # back the next day
        (5, 8, 2),  # injured Saturday, able Tuesday
        (9, 13, 3),  # injured Sunday (6), off from Wednesday, back Sunday
    ],
)
def test_consensus_examples(first_day_off, back, days):
    away = back - first_day_off
    assert lost((away + 3, "full_climbing", away)) == [(days, True)]


def test_never_stopped_loses_nothing():
    assert lost((0, "full_climbing", 0)) == [(0, True)]


def test_modified_climbing_is_still_time_loss():
    assert lost((5, "modified_climbing"), (20, "full_climbing", 15)) == [(14, True)]


def test_spells_add_up():
    contacts = [(10, "full_climbing", 10), (20, "off_climbing", 18), (40, "previous_level", 30)]
    assert lost(*contacts) == [(9 + 11, True)]


def test_return_known_only_from_a_contact_counts_on_its_day():
    assert lost((30, "off_climbing"), (90, "full_climbing"), (120, "full_climbing", 85)) == [(89, True)]


def test_a_first_day_that_an_earlier_contact_disproves_is_ignored():
    assert lost((19, "off_climbing"), (50, "full_climbing", 14)) == [(49, True)]
    assert lost((19, "not_yet_full"), (50, "full_climbing", 19)) == [(49, True)]
    assert lost((19, "off_climbing"), (50, "full_climbing", 20)) == [(19, True)]


def test_a_setback_cannot_begin_before_a_contact_that_saw_full_climbing():
    assert lost((10, "full_climbing", 10), (30, "off_climbing", 5), (40, "full_climbing", 40)) == [(9 + 9, True)]


def test_not_complete_while_not_full():
    assert lost((10, "full_climbing", 10), (20, "off_climbing")) == [(None, False)]
    assert lost((10, "not_yet_full")) == [(None, False)]


def test_giving_up():
    assert lost((10, "full_climbing", 8), (60, "stopped_climbing", None, "this_injury")) == [(None, False)]
    assert lost((10, "full_climbing", 8), (60, "stopped_climbing", None, "other")) == [(7, True)]
    assert lost((60, "stopped_climbing", None, "other_injury")) == []


statuses = st.sampled_from(["off_climbing", "not_yet_full", "modified_climbing", "full_climbing", "previous_level"])


@settings(max_examples=60, deadline=None)
@given(st.dictionaries(st.integers(0, 200), st.tuples(statuses, st.integers(0, 40)), min_size=1, max_size=6))
def test_never_negative_and_complete_exactly_when_full_at_the_end(contacts):
    told = [(seen, status, max(0, seen - back)) for seen, (status, back) in contacts.items()]
    [(days, complete)] = lost(*told)
    last = max(told)[1]
    assert complete == (last in {"full_climbing", "previous_level"})
    assert (days is not None) == complete
    assert days is None or 0 <= days <= 200
