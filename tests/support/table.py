"""How measurements are shown: a table for people, and repeats that are paired before they are compared."""

import statistics
from collections.abc import Sequence


def show(title: str, head: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """Print a table; figures have three digits."""
    cells = _cells(head, rows)
    widths = [max(len(row[column]) for row in cells) for column in range(len(head))]
    print(f"\n{title}")
    for row in cells:
        first, *others = [
            cell.ljust(width) if at == 0 else cell.rjust(width) for at, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        print("  " + "  ".join([first, *others]).rstrip())
    print(flush=True)


def markdown(head: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """The same table in Markdown."""
    first, *others = (f"| {' | '.join(row)} |" for row in _cells(head, rows))
    return "\n".join([first, f"|---|{'---:|' * (len(head) - 1)}", *others])


def _cells(head: Sequence[str], rows: Sequence[Sequence[object]]) -> list[list[str]]:
    return [list(head)] + [[one if isinstance(one, str) else _figure(one) for one in row] for row in rows]


def _figure(value: object) -> str:
    if value is None:
        return "–"
    return f"{value:.3g}" if isinstance(value, float) and abs(value) < 1000 else f"{value:,.0f}"


def paired(ours: Sequence[float], theirs: Sequence[float]) -> float:
    """The median of the ratios round by round, so that whatever else the machine did falls on both alike."""
    return statistics.median(one / other for one, other in zip(ours, theirs, strict=True))
