"""The derived history beside the reported one."""

from datetime import date, timedelta

from registry.derive import derived_tables


def histories(cases, returns=()):
    """Cases: (case, day, side, digit, structure or None); returns: (case, day, status, since day or None)."""
    start = date(2024, 1, 1)
    day = lambda number: None if number is None else start + timedelta(days=number)  # noqa: E731
    found = [row for row in cases if row[4]]
    frames = {
        "cases": {
            "case": [row[0] for row in cases],
            "athlete": ["p"] * len(cases),
            "onset": [day(row[1]) for row in cases],
            "side": [row[2] for row in cases],
            "digit": [row[3] for row in cases],
            "onset_mode": ["sudden"] * len(cases),
        },
        "findings": {
            "case": [row[0] for row in found],
            "structure": [row[4] for row in found],
            "extent": ["partial"] * len(found),
        },
    }
    if returns:
        frames["follow_ups"] = {
            "case": [row[0] for row in returns],
            "seen": [day(row[1]) for row in returns],
            "status": [row[2] for row in returns],
            "since": [day(row[3]) for row in returns],
        }
    return dict(derived_tables(frames)["cases"].select("case", "history_derived").collect().rows())


def test_kinds():
    cases = [
        ("first", 0, "left", "ring", "a2"),
        ("again", 200, "left", "ring", "a2"),
        ("tissue", 210, "left", "ring", "capsule"),
        ("other_finger", 220, "right", "ring", "a2"),
        ("too_soon", 240, "left", "ring", "a2"),
    ]
    returns = [("first", 100, "full_climbing", 90), ("again", 250, "off_climbing", None)]
    assert histories(cases, returns) == {
        "first": "index",
        "again": "reinjury",
        "tissue": "local",
        "other_finger": "new",
        "too_soon": "exacerbation",
    }


def test_what_is_not_known_is_not_guessed():
    lost = [("first", 0, "left", "ring", "a2"), ("again", 400, "left", "ring", "a2")]
    assert histories(lost, [("first", 30, "off_climbing", None)])["again"] == "unknown"
    untold = [("first", 0, "left", "ring", None), ("again", 400, "left", "ring", "a2")]
    assert histories(untold) == {"first": "index", "again": "unknown"}
    same_day = [("one", 0, "left", "ring", "a2"), ("two", 0, "left", "middle", "a2")]
    assert histories(same_day) == {"one": "index", "two": "index"}
