"""How much was climbed: where, what, and in which context. The code lists are shared with the cases."""

from __future__ import annotations

from registry.dictionary.model import Code, Field, Table, codes
from registry.dictionary.people import ATHLETE, SQUAD

DISCIPLINE = codes("bouldering lead speed top_rope traditional multi_pitch ice_mixed board other")
SETTING = codes("indoor outdoor")
CONTEXT = codes("training competition recreation rehabilitation")


def discipline(*, required: bool = False) -> Field:
    """Return the discipline field, as exposure, cases and referents share it."""
    return Field(name="discipline", kind="code", label="Discipline", codes=DISCIPLINE, showable=True, required=required)


def setting(*, required: bool = False) -> Field:
    """Return the setting field."""
    return Field(name="setting", kind="code", label="Setting", codes=SETTING, showable=True, required=required)


def context(*, required: bool = False) -> Field:
    """Return the context field."""
    return Field(name="context", kind="code", label="Context", codes=CONTEXT, showable=True, required=required)


MINUTES_A_DAY_A_HEAD = 16 * 60
"""More climbing than this is refused. Common practice, no source."""

EXPOSURE = Table(
    name="exposure",
    one_row_is="climbing time of a climber or a squad over a period, in one discipline, setting and context",
    key=("athlete", "squad", "starts_on", "discipline", "setting", "context"),
    either=(("athlete", "squad"),),
    exclusive=(("athlete", "squad"),),
    ordered=(("starts_on", "ends_on"), ("reports_received", "reports_expected")),
    fields=(
        ATHLETE,
        SQUAD,
        Field(name="starts_on", kind="date", label="From", required=True, showable=True),
        Field(name="ends_on", kind="date", label="To", required=True, showable=True, description="Inclusive."),
        discipline(),
        setting(),
        context(),
        Field(
            name="minutes_total",
            kind="integer",
            label="Minutes climbed",
            required=True,
            unit="minutes",
            low=0,
            high=100_000_000,
            showable=True,
            also_read=("hours_total", 60.0),
            description="Whole minutes of everyone in the row together, not per head. A column hours_total is "
            "read as well and turned into whole minutes.",
        ),
        Field(
            name="sessions_total",
            kind="integer",
            label="Sessions",
            unit="sessions",
            low=0,
            high=10_000_000,
            showable=True,
        ),
        Field(
            name="starts",
            kind="integer",
            label="Starts in competition",
            unit="starts",
            low=0,
            high=10_000_000,
            showable=True,
        ),
        Field(
            name="climbers",
            kind="integer",
            label="Climbers in the row",
            low=1,
            high=10_000,
            showable=True,
            description="For squads.",
        ),
        Field(
            name="method",
            kind="code",
            label="How the time was obtained",
            showable=True,
            codes=(Code("logged"), Code("estimated")),
        ),
        Field(
            name="reports_expected",
            kind="integer",
            label="Reports expected",
            low=0,
            high=1_000_000,
            showable=True,
        ),
        Field(
            name="reports_received",
            kind="integer",
            label="Reports received",
            low=0,
            high=1_000_000,
            showable=True,
        ),
    ),
)
