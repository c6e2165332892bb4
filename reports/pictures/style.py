"""The look that all pictures share: colours, line styles, sizes, and figures that save to the same bytes."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from registry.errors import NotWritableError, OptionError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, SOFT, LINE, WASH = "#22333b", "#5c6b73", "#c9d2d3", "#f3f5f3"
COLOURS = ("#1d5c63", "#c46a1b", "#7a5195", "#5b8c2a", "#22333b", "#b0413e")
"""Told apart under the common colour-vision deficiencies; line styles say the same in greyscale."""
LINE_STYLES: tuple[Any, ...] = (
    "solid",
    (0, (6, 2)),
    (0, (2, 1.4)),
    (0, (7, 2, 1.5, 2)),
    (0, (1, 1)),
    (0, (10, 3)),
)
SHADES = ("#f6f8f7", "#cfe0df", "#9cc2c1", "#5f9a9b", "#1d5c63")
"""One hue from light to dark: the order survives greyscale."""
WIDTH = 7.0
"""Inches: the text width of a printed page, and legible when it fills a slide."""
DOTS_PER_INCH = 200
SETTINGS: dict[str, Any] = {
    "svg.hashsalt": "annulary",
    "svg.fonttype": "path",
    "pdf.fonttype": 42,
    "font.family": ["DejaVu Sans"],
    "font.size": 9.5,
    "axes.titlesize": 10.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 9.5,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.unicode_minus": True,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 9,
    "ytick.labelsize": 9,
    "legend.frameon": False,
    "legend.fontsize": 9,
    "figure.facecolor": "white",
    "figure.dpi": 100,
}
"""Text becomes paths, so that a picture looks the same where the font is missing."""
FORMATS = ("svg", "png", "pdf")


@contextmanager
def house_style() -> Iterator[None]:
    """Apply the settings while a picture is drawn or saved, and put the caller's back."""
    import matplotlib

    with matplotlib.rc_context(cast(Any, SETTINGS)):
        yield


def new_axes(*, height: float, width: float = WIDTH, left: float, right: float = 0.2, **edges: float) -> Axes:
    """Return axes on a new figure; all edges are inches, so that nothing moves when labels change.

    ``left`` and ``right`` are the inches kept free beside the axes, ``top`` and ``bottom`` above and below.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    top, bottom = edges.get("top", 0.45), edges.get("bottom", 0.6)
    figure = Figure(figsize=(width, height + top + bottom))
    FigureCanvasAgg(figure)
    total = height + top + bottom
    box = (left / width, bottom / total, (width - left - right) / width, height / total)
    return figure.add_axes(box)


def figure_of(axes: Axes) -> Figure:
    """Return the figure that holds the axes."""
    figure = axes.get_figure(root=True)
    if figure is None:
        raise OptionError("these axes belong to no figure; make them with figure.add_subplot().")
    return figure


def plain(axes: Axes, *, keep: tuple[str, ...] = ("left", "bottom")) -> None:
    """Take away the frame lines that carry nothing."""
    for name, spine in axes.spines.items():
        spine.set_visible(name in keep)
    axes.tick_params(length=3)


def text_inches(words: str, *, size: float = 9.0) -> float:
    """Return the width of a text in inches, that of its longest line."""
    from matplotlib.font_manager import findfont, get_font

    font = get_font(findfont("DejaVu Sans"))
    font.set_size(size, 72)
    widest = 0.0
    for line in words.splitlines():
        font.set_text(line)
        sub_pixels, _ = font.get_width_height()
        widest = max(widest, float(sub_pixels) / 64 / 72)
    return widest


def column_inches(words: list[str], *, size: float = 9.0, gap: float = 0.15) -> float:
    """Return the width that a column of texts needs, with the gap beside it."""
    return max((text_inches(word, size=size) for word in words), default=0.0) + gap


def marked(figure: Figure, words: str) -> Figure:
    """Return the figure with a line of small print under it; it grows at the bottom, and nothing else moves."""
    import textwrap

    size, margin = 7.5, 0.12
    width, height = (float(inches) for inches in figure.get_size_inches())
    room = width - 2 * margin
    signs = max(20, int(len(words) * room / text_inches(words, size=size)))
    lines = textwrap.wrap(words, signs if text_inches(words, size=size) > room else len(words))
    extra = 0.16 * len(lines) + 0.1
    tall = height + extra
    boxes = [(axes, axes.get_position()) for axes in figure.axes]
    figure.set_size_inches(width, tall)
    for axes, box in boxes:
        axes.set_position((box.x0, (box.y0 * height + extra) / tall, box.width, box.height * height / tall))
    with house_style():
        figure.text(margin / width, 0.08 / tall, "\n".join(lines), fontsize=size, color=SOFT, va="bottom")
    return figure


def saved(figure: Figure, *, kind: str) -> bytes:
    """Return the figure as ``svg``, ``png`` or ``pdf``, without a date: the same bytes each time."""
    page = io.BytesIO()
    dates = {
        "svg": {"Date": None, "Creator": "annulary"},
        "pdf": {"CreationDate": None},
        "png": {"Software": None},
    }
    with house_style():
        figure.savefig(page, format=kind, dpi=DOTS_PER_INCH, metadata=dates[kind])
    return page.getvalue()


def format_of(path: str | Path) -> str:
    """Return the format that a file's ending asks for.

    Raises
    ------
    OptionError
        For an ending other than .svg, .png or .pdf.
    """
    place = Path(path)
    kind = place.suffix.lower().removeprefix(".")
    if kind not in FORMATS:
        raise OptionError(f"a figure is written as .svg, .png or .pdf; '{place.name}' ends otherwise.")
    return kind


def save(figure: Figure, path: str | Path) -> Path:
    """Write the figure to a file; the ending decides the format.

    Raises
    ------
    OptionError
        For an ending other than .svg, .png or .pdf.
    NotWritableError
        When the place cannot be written.
    """
    place, kind = Path(path), format_of(path)
    content = saved(figure, kind=kind)
    try:
        place.write_bytes(content)
    except OSError as error:
        raise NotWritableError(
            f"the figure cannot be written to '{place}' ({error.strerror}); choose a folder that exists "
            "and that you may write to."
        ) from None
    return place
