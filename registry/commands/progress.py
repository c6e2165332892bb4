"""Showing on the error stream what a long command is doing; nothing where nobody looks on."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TextIO


@contextmanager
def shown_progress(stream: TextIO | None = None) -> Iterator[Callable[[str], None]]:
    """Yield a function that says the step that begins; it is shown with its seconds until the next one.

    On a stream that is no terminal nothing is shown, so that logs and pipes stay clean. When the work ends, in
    whatever way, the display is taken away.

    Parameters
    ----------
    stream
        The error stream when None.

    Examples
    --------
    >>> import io
    >>> with shown_progress(io.StringIO()) as say:
    ...     say("reading")
    """
    place = stream if stream is not None else sys.stderr
    if not place.isatty():
        yield _say_nothing
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}", markup=False), TimeElapsedColumn())
    with Progress(*columns, console=Console(file=place), transient=True) as display:
        task = display.add_task("starting", total=None)

        def say(step: str) -> None:
            display.reset(task, description=step, total=None)

        yield say


def _say_nothing(_: str) -> None:
    """Say nothing."""
