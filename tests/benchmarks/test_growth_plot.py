"""The plot of how cost grows shows what was measured: a straight line where time is in proportion to the record, a level one where it is not."""

import re
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from tests.benchmarks import growth_plot
from tests.support import table

SIZES = (10_000, 100_000, 1_000_000)
GROWN = {
    "linear": {10_000: 1.0, 100_000: 10.0, 1_000_000: 100.0},
    "level & <calm>": dict.fromkeys(SIZES, 1.0),
}
SVG = "{http://www.w3.org/2000/svg}"


def lines(drawn: str) -> list[list[tuple[float, float]]]:
    """The points of each line, in the order in which they are drawn."""
    found = ET.fromstring(drawn).iter(f"{SVG}polyline")  # noqa: S314 - our own
    return [[tuple(map(float, point.split(","))) for point in one.attrib["points"].split()] for one in found]  # type: ignore[misc]


def test_both_axes_are_logarithmic_and_labelled() -> None:
    drawn = growth_plot.drawn(SIZES, GROWN)
    linear, level = lines(drawn)
    (x0, y0), (x1, y1), (x2, y2) = linear
    assert x1 - x0 == pytest.approx(x2 - x1, abs=0.2)
    assert y0 - y1 == pytest.approx(y1 - y2, abs=0.2)
    assert y0 > y1
    assert len({y for _, y in level}) == 1
    assert level[0] == linear[0]
    listed = [one.text for one in ET.fromstring(drawn).iter(f"{SVG}text")]  # noqa: S314
    assert {"1,000,000", "100", "ratio (logarithmic)", "linear, 100.0", "level & <calm>, 1.0"} <= set(listed)
    # Legible on either ground, and stated in words for whoever cannot see it.
    assert "prefers-color-scheme:dark" in drawn
    assert "most grows “linear”, 100.0 times" in growth_plot.alternative(SIZES, GROWN)


def test_what_is_published_is_the_table_and_the_plot(tmp_path: Path) -> None:
    figures = table.markdown(["call", "10,000", "×"], [["linear", 1.25, 12.0], ["other", None, 1234.0]])
    assert figures.splitlines() == [
        "| call | 10,000 | × |",
        "|---|---:|---:|",
        "| linear | 1.25 | 12 |",
        "| other | – | 1,234 |",
    ]
    growth_plot.publish(tmp_path, SIZES, GROWN, figures)
    result = (tmp_path / "growth.md").read_text(encoding="utf-8")
    assert figures in result
    assert "](growth.svg)" in result
    assert (tmp_path / "growth.svg").read_text(encoding="utf-8") == growth_plot.drawn(SIZES, GROWN)


def test_the_published_plot_and_table_are_of_one_run(repository: Path) -> None:
    result = (repository / "deploy" / "growth.md").read_text(encoding="utf-8")
    rows = {cells[1].strip(): cells for line in result.splitlines() if (cells := line.split("|"))[0] == "" and len(cells) > 1}
    drawn = ET.parse(repository / "deploy" / "growth.svg").getroot()  # noqa: S314 - our own
    key = [re.fullmatch(r"(.+), ([\d.]+)", one.text or "") for one in drawn.iter(f"{SVG}text")]
    named = {one[1]: float(one[2]) for one in key if one is not None and one[1] in rows}
    assert len(named) == growth_plot.CALLED_OUT
    for name, ratio in named.items():
        assert float(rows[name][-2]) == pytest.approx(ratio, rel=0.02, abs=0.06), name
    words = drawn.findtext(f"{SVG}desc")
    assert words is not None
    assert f"![{words}](growth.svg)" in result.replace("&amp;", "&")
