"""``annulary agreement``: how far two readers, or more, give the same grade."""

from __future__ import annotations

from typing import Annotated

import typer

from reports.commands.opening import AsCsv, AsJson, Freeze, Registry, opened
from reports.commands.showing import FigureFile, listed, next_step, show


def agreement(  # noqa: PLR0913, PLR0917 (a command's options are its parameters)
    registry: Registry = None,
    freeze: Freeze = None,
    readers: Annotated[
        str | None, typer.Option(help="Codes of two readers or more, with commas. Default: all.", show_default=False)
    ] = None,
    weights: Annotated[
        str, typer.Option(help="none, linear or quadratic; several with commas.")
    ] = "none,linear,quadratic",
    site: Annotated[
        str | None, typer.Option(help="One site: a reader's code is its own there.", show_default=False)
    ] = None,
    people: Annotated[str, typer.Option(help="adults or minors; their grades are never pooled.")] = "adults",
    as_json: AsJson = False,
    as_csv: AsCsv = False,
    figure: FigureFile = None,
) -> None:
    """Measure how far readers agree on the grade of a case (kappa, weighted kappa, Fleiss' kappa)."""
    from analysis.agreeing import agreement as estimate

    with opened(registry, freeze) as view:
        result = estimate(
            view,
            readers=listed(readers) if readers else None,
            weights=listed(weights),
            site=site,
            people=people,  # type: ignore[arg-type]
        )
        show([result], view, as_json=as_json, as_csv=as_csv, figure=figure)
    next_step("annulary agreement --weights quadratic --figure agreement.svg", registry, freeze)


COMMANDS = [("agreement", agreement)]
