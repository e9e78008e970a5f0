"""The plot and the table of how cost grows: an SVG of our own lines, legible on light and dark ground, and the figures as Markdown."""

import math
from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path
from typing import Final

WIDTH, HEIGHT = 940, 520
LEFT, EDGE, TOP, FLOOR = 70, 590, 60, 460
MIDDLE: Final = 'text-anchor="middle"'
CALLED_OUT: Final = 9
"""So many of the calls that grow most, at whatever size, have a line of their own; the others lie in the band."""
# Colours that people who see colours differently distinguish (after Okabe and Ito), and a dash each, for print without colour.
COLOURS: Final = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#b8860b", "#56b4e9", "#8a63d2", "#7f7f7f", "#e0452f")
DASHES: Final = ("", "7 3", "2 3", "9 3 2 3", "4 4", "1 4", "12 4", "6 2 1 2 1 2", "3 6")
STYLE: Final = (
    "text{font:13px system-ui,sans-serif;fill:#1b1b1b}.title{font-size:16px;font-weight:600}.axis,.grid{stroke:#1b1b1b}.grid{opacity:.18}.band{fill:#1b1b1b;opacity:.13}.goal{stroke:#1b1b1b;"
    "stroke-dasharray:2 2}.ground{fill:#fff}@media(prefers-color-scheme:dark){text{fill:#eee}.axis,.grid,.goal{stroke:#eee}.band{fill:#eee}.ground{fill:#161616}}"
)
GOAL: Final = 1.5


def publish(folder: Path, sizes: Sequence[int], grown: Mapping[str, Mapping[int, float]], figures: str) -> None:
    """Write `growth.md` and `growth.svg`; `grown`: for each call the ratio to the smallest size, by size; `figures`: the table."""
    (folder / "growth.svg").write_text(drawn(sizes, grown), encoding="utf-8")
    (folder / "growth.md").write_text(
        "# How cost grows with the record\n\nWritten by `sh deploy/measure scale --full --plot deploy`, from one run on a two-core machine that also "
        "did the asking. Each size is a database of\nits own, in one Postgres with its settings as they come; one connection asks each call of each "
        f"size in turn. Trust the ratios, which are to {sizes[0]:,}\nassemblies; the milliseconds are that machine's. A page has 100 lines; the smallest "
        "record has fewer testers, gauges, exceptions, and assemblies\nuntested or out of service, so that a full page of them is compared with a short one.\n\n"
        f"![{escape(alternative(sizes, grown))}](growth.svg)\n\n{figures}\n",
        encoding="utf-8",
    )


def alternative(sizes: Sequence[int], grown: Mapping[str, Mapping[int, float]]) -> str:
    """What the plot shows, in words."""
    last = sizes[-1]
    within = sum(some[last] <= GOAL for some in grown.values())
    most = max(grown, key=lambda name: grown[name][last])
    return (
        f"Time of each call by assemblies, from {sizes[0]:,} to {last:,}, as a ratio to the smallest, both axes logarithmic: "
        f"{within} of {len(grown)} calls stay within {GOAL} times; most grows “{most}”, {grown[most][last]:.1f} times."
    )


def drawn(sizes: Sequence[int], grown: Mapping[str, Mapping[int, float]]) -> str:
    """The plot as SVG."""
    last = sizes[-1]
    ratios = [ratio for some in grown.values() for ratio in some.values()]
    low, high = min(*ratios, 0.8), max(*ratios, 2.0) * 1.1

    def x(size: int) -> float:
        return LEFT + (EDGE - LEFT) * math.log(size / sizes[0]) / math.log(last / sizes[0])

    def y(ratio: float) -> float:
        return FLOOR - (FLOOR - TOP) * math.log(ratio / low) / math.log(high / low)

    def points(some: Sequence[float]) -> list[str]:
        return [f"{x(size):.1f},{y(ratio):.1f}" for size, ratio in zip(sizes, some, strict=True)]

    most = sorted(grown, key=lambda name: -max(grown[name].values()))
    named, others = most[:CALLED_OUT], most[CALLED_OUT:]
    ticks = [one * 10**power for power in range(-1, 4) for one in (1, 2, 5) if low <= one * 10**power <= high]
    parts = [
        f'<rect class="ground" width="{WIDTH}" height="{HEIGHT}"/>',
        _text(LEFT, 24, "How cost grows with the record", 'class="title"'),
        _text(LEFT, 44, f"time of a call ÷ its time at {sizes[0]:,} assemblies; five reports each"),
        *(
            _line("grid", LEFT, y(tick), EDGE, y(tick)) + _text(LEFT - 8, y(tick) + 4, f"{tick:g}", 'text-anchor="end"')
            for tick in ticks
        ),
        *(_line("grid", x(size), TOP, x(size), FLOOR) + _text(x(size), FLOOR + 20, f"{size:,}", MIDDLE) for size in sizes),
        _line("axis", LEFT, TOP, LEFT, FLOOR) + _line("axis", LEFT, FLOOR, EDGE, FLOOR),
        _text((LEFT + EDGE) / 2, HEIGHT - 14, "assemblies of the utility (logarithmic)", MIDDLE),
        f'<g transform="translate(18 {(TOP + FLOOR) / 2}) rotate(-90)">{_text(0, 0, "ratio (logarithmic)", MIDDLE)}</g>',
        _line("goal", LEFT, y(GOAL), EDGE, y(GOAL)),
    ]
    key = [(_line("goal", EDGE + 10, 0, EDGE + 38, 0), f"{GOAL:g} times, the goal")]
    if others:
        upper, lower = (points([of(grown[name][size] for name in others) for size in sizes]) for of in (max, min))
        parts.append(f'<polygon class="band" points="{" ".join([*upper, *reversed(lower)])}"/>')
        key.append((f'<rect class="band" x="{EDGE + 10}" y="-7" width="28" height="14"/>', f"the other {len(others)} calls"))
    for name, colour, dashes in zip(named, COLOURS, DASHES, strict=False):
        look = f'stroke="{colour}" stroke-dasharray="{dashes}" stroke-width="2" fill="none"'
        parts.append(f'<polyline {look} points="{" ".join(points([grown[name][size] for size in sizes]))}"/>')
        key.append((f'<path {look} d="M{EDGE + 10} 0h28"/>', f"{name}, {grown[name][last]:.1f}"))
    parts += [
        f'<g transform="translate(0 {TOP + 24 * number})">{mark}{_text(EDGE + 44, 4, result)}</g>'
        for number, (mark, result) in enumerate(key)
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-labelledby="title words">\n'
        f'<title id="title">How cost grows with the record</title>\n<desc id="words">{escape(alternative(sizes, grown))}</desc>\n'
        f"<style>{STYLE}</style>\n" + "\n".join(parts) + "\n</svg>\n"
    )


def _line(look: str, x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<line class="{look}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'


def _text(x: float, y: float, result: str, more: str = "") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" {more}>{escape(result)}</text>'
