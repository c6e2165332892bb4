"""The commands that print estimates and write reports, one file a question."""

from __future__ import annotations

from collections.abc import Callable

from reports.commands import agreeing, doing_what, fingers, how_often, returning, same_look, season_page

__all__ = ["COMMANDS"]

COMMANDS: list[tuple[str, Callable[..., None]]] = [
    *fingers.COMMANDS,
    *doing_what.COMMANDS,
    *agreeing.COMMANDS,
    *returning.COMMANDS,
    *how_often.COMMANDS,
    *season_page.COMMANDS,
    *same_look.COMMANDS,
]
"""(name, function), in the order in which ``annulary --help`` lists them."""
