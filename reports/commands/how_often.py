"""``annulary incidence``: injuries per hour and session."""

from __future__ import annotations

from typing import Annotated

import typer

from reports.commands.opening import AsCsv, AsJson, Freeze, Registry, opened
from reports.commands.showing import FigureFile, listed, next_step, show


def incidence(
    registry: Registry = None,
    freeze: Freeze = None,
    by: Annotated[
        str | None,
        typer.Option(
            help="season, site, discipline, setting, context, sex, age_band, minor or level; several with commas.",
            show_default=False,
        ),
    ] = None,
    reference: Annotated[
        str | None, typer.Option(help="Level with which the others are compared.", show_default=False)
    ] = None,
    per: Annotated[float, typer.Option(help="State the rate per this many hours and sessions.", min=1)] = 1000,
    as_json: AsJson = False,
    as_csv: AsCsv = False,
    figure: FigureFile = None,
) -> None:
    """Estimate injuries per 1000 hours and per 1000 sessions of observed climbing."""
    from analysis.incidence import incidence_rates

    with opened(registry, freeze) as view:
        names = listed(by) if by else None
        result = incidence_rates(view, by=names, reference=reference, per=per)
        show([result], view, as_json=as_json, as_csv=as_csv, figure=figure)
    next_step("annulary incidence --by discipline --figure rates.svg", registry, freeze)


COMMANDS = [("incidence", incidence)]
