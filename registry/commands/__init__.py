"""The registry's commands, one file a family. Work is imported inside the functions, so that ``--help`` stays fast."""

from registry.commands import (
    corrections,
    describing,
    freezing,
    holding,
    keeping,
    mapping_check,
    mapping_propose,
    privacy,
    taking_in,
)

__all__ = ["COMMANDS", "GROUPS"]

COMMANDS = [
    *taking_in.COMMANDS,
    *holding.COMMANDS,
    *corrections.COMMANDS,
    *freezing.COMMANDS,
    *keeping.COMMANDS,
    *privacy.COMMANDS,
    *describing.COMMANDS,
]
"""(name, function), in the order in which ``annulary --help`` lists them."""

GROUPS = [
    (
        "map",
        "Column maps: how a site's own columns are read.",
        [*mapping_propose.PROPOSE_COMMANDS, *mapping_check.MAP_COMMANDS],
    )
]
"""(name, help, its commands) of commands with commands of their own."""
