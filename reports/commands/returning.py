"""``annulary return``: how long until people climb again."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated

import typer

from reports.commands.opening import AsCsv, AsJson, Freeze, Registry, opened
from reports.commands.showing import FigureFile, next_step, show

if TYPE_CHECKING:
    from analysis.results import Result


def return_(  # noqa: PLR0913, PLR0917 (a command's options are its parameters)
    registry: Registry = None,
    freeze: Freeze = None,
    by: Annotated[str, typer.Option(help="Column that makes the groups; 'none' for one group.")] = "tier",
    milestone: Annotated[str, typer.Option(help="modified, full or previous_level climbing.")] = "full",
    sustained: Annotated[
        bool, typer.Option("--sustained", help="Count a return only if no step back follows within 28 days.")
    ] = False,
    people: Annotated[str, typer.Option(help="adults, minors or age_unknown; never pooled.")] = "adults",
    as_json: AsJson = False,
    as_csv: AsCsv = False,
    figure: FigureFile = None,
) -> None:
    """Estimate how long until people climb again, by severity tier."""
    from analysis.returns import return_curves

    estimate: Callable[..., Result] = return_curves
    with opened(registry, freeze) as view:
        groups = None if by.lower() == "none" else by
        result = estimate(view, by=groups, milestone=milestone, sustained=sustained, people=people)
        show([result], view, as_json=as_json, as_csv=as_csv, figure=figure)
    next_step("annulary return --milestone previous_level --figure curves.svg", registry, freeze)


COMMANDS = [("return", return_)]
