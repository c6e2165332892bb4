"""Plain aligned tables for a terminal."""

from __future__ import annotations

from collections.abc import Sequence


def aligned(headers: Sequence[str], rows: Sequence[Sequence[object]], *, width: int = 100) -> str:
    """Return a table in plain text: numbers to the right, the last column wrapped at the width.

    Examples
    --------
    >>> print(aligned(["file", "rows"], [["cases.csv", 12]]))
    file       rows
    ---------  ----
    cases.csv    12
    """
    import textwrap

    cells = [[str(cell) for cell in row] for row in rows]
    widths = [max(len(row[i]) for row in [list(headers), *cells]) for i in range(len(headers))]
    numeric = [bool(rows) and all(isinstance(row[i], int | float) for row in rows) for i in range(len(headers))]
    lead = sum(widths[:-1]) + 2 * (len(widths) - 1)
    widths[-1] = max(min(widths[-1], max(width - lead, 30)), 1)
    lines = [_line(list(headers), widths, numeric), "  ".join("-" * w for w in widths)]
    for row in cells:
        wrapped = textwrap.wrap(row[-1], widths[-1]) or [""]
        lines.append(_line([*row[:-1], wrapped[0]], widths, numeric))
        lines += [" " * lead + more for more in wrapped[1:]]
    return "\n".join(lines)


def _line(cells: Sequence[str], widths: Sequence[int], numeric: Sequence[bool]) -> str:
    parts = [
        cell.rjust(width) if right else cell.ljust(width)
        for cell, width, right in zip(cells, widths, numeric, strict=True)
    ]
    return "  ".join(parts).rstrip()
