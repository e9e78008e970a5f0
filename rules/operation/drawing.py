"""Drawings of an assembly in its state, as SVG: what is open, the pressures, which way water flows, which part has failed.

A drawing is line work in one ink, so that it reads in black and white, on paper and on a dark screen. Nothing is shown by shade or
colour alone: a failed part is hatched *and* named, flow is an arrow *and* a figure. `<desc>` has the same content in words.
Every string is escaped. Supply is at the left, the customer at the right, always.
"""

import math
import textwrap
from collections.abc import Iterator, Mapping
from typing import Final
from xml.sax.saxutils import escape

from msgspec import UNSET, Struct

from rules.catalogue import Line
from rules.field_test.answer import Verdict
from rules.load import catalogue
from rules.operation.kinds import OperableKind, is_type_ii, parts_of
from rules.operation.operation import OperationResult
from rules.operation.request import OperationRequest
from rules.operation.texts import sentence, word

WIDTH: Final = 760
_TOP, _BOTTOM, _AXIS = 150, 194, 172  # the pipe's walls and axis
_CHECK_1, _MIDDLE, _CHECK_2 = 230, 375, 520
_BYPASS: Final = (482, 98, 552)  # left, top and right of the loop round check 2 of a Type II detector assembly
_SHUTOFF_IN, _SHUTOFF_OUT = 105, 655
_LINE: Final = 18
_DRAWN: Final = 312  # from the heading's foot to the panel's foot
_STYLE: Final = (
    "svg{color:#111;background:#fff;font-family:ui-sans-serif,system-ui,sans-serif;font-size:13px}"
    "@media(prefers-color-scheme:dark){svg{color:#eee;background:#151515}}"
    "text{fill:currentColor}.head{font-size:15px;font-weight:600}.strong{font-weight:600}.mid{text-anchor:middle}.end{text-anchor:end}"
    ".wall{stroke:currentColor;stroke-width:2.5;fill:none}.part{stroke:currentColor;stroke-width:4.5;stroke-linecap:round;fill:none}"
    ".thin{stroke:currentColor;stroke-width:1.2;fill:none}.solid{fill:currentColor;stroke:none}.water{fill:currentColor;opacity:.1}"
    ".mark{fill:url(#hatch);stroke:currentColor;stroke-width:1.5;stroke-dasharray:5 3}"
)
_HATCH: Final = (
    '<defs><pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<path d="M0 0V7" stroke="currentColor" stroke-width="1.6"/></pattern></defs>'
)
_DRAWN_FAILURES: Final = ("closed_tight", "held_at", "opened", "opened_at", "opened_fully")


class Scene(Struct, frozen=True, kw_only=True):
    """What one drawing shows. `positions` and `shutoffs` hold "open" or "closed"; `failed` names each failed part and how it failed.

    `pressures` by place (inlet, zone or body, outlet) and `flow` come with their units as text; a negative flow goes to the supply.
    """

    kind: OperableKind
    heading: str
    says: tuple[str, ...] = ()
    positions: Mapping[str, str] = {}
    failed: Mapping[str, str] = {}
    pressures: Mapping[str, float] = {}
    pressure_unit: str = ""
    flow: float | None = None
    flow_unit: str = ""
    discharge: float = 0.0
    air_drawn: float = 0.0
    shutoffs: Mapping[str, str] = {}
    verdict: str = ""


def draw(*scenes: Scene) -> str:
    """One SVG document of the scenes, one under another."""
    bodies, foot = [], 0
    for scene in scenes:
        bodies.append(f'<g transform="translate(0 {foot})">{"".join(_panel(scene))}</g>')
        foot += _height(scene)
    title = escape(" · ".join(scene.heading for scene in scenes))
    description = escape("\n".join(describe(scene) for scene in scenes))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="title desc" width="{WIDTH}" height="{foot}" '
        f'viewBox="0 0 {WIDTH} {foot}"><title id="title">{title}</title><desc id="desc">{description}</desc><style>{_STYLE}</style>{_HATCH}'
        f"{''.join(bodies)}</svg>"
    )


def draw_operation(request: OperationRequest, answer: OperationResult) -> str:
    """The steps of an operation, one under another."""
    failed = {str(part): word("failure", status) for part, status in request.conditions.items() if status != "sound"}
    scenes = []
    for number, (step, result) in enumerate(zip(request.steps, answer.steps, strict=True), start=1):
        reached = "supply_reached" if result.non_potable_reaches_supply else "supply_clean"
        heading = sentence("drawing", "step", number=number)
        if result.label:
            heading = sentence("drawing", "labelled_step", number=number, label=result.label)
        scenes.append(
            Scene(
                kind=request.kind,
                heading=heading,
                says=result.because,
                positions={str(part): position for part, position in result.components.items()},
                failed=failed,
                pressures={str(place): value for place, value in result.pressures.items()},
                pressure_unit=str(request.units.pressure),
                flow=None if result.flow is UNSET else result.flow,
                flow_unit="" if request.units.flow is UNSET else request.units.flow,
                discharge=0.0 if result.discharge is UNSET else result.discharge,
                air_drawn=0.0 if result.air_drawn is UNSET else result.air_drawn,
                shutoffs={"inlet": step.inlet_shutoff, "outlet": step.outlet_shutoff},
                verdict=sentence("drawing", reached, protection=word("protection", result.protection)),
            )
        )
    return draw(*scenes)


def draw_verdict(kind: OperableKind, verdict: Verdict) -> str:
    """The assembly as its last test found it, a detector assembly line by line; parts are drawn as they are at rest under pressure."""
    phase = "initial" if verdict.final is None else "final"
    last = verdict.initial if verdict.final is None else verdict.final
    scenes = []
    # Both lines of a Type II detector assembly share check 1, so one drawing shows them.
    lines: tuple[Line | None, ...] = (None,) if is_type_ii(kind) else catalogue()[kind].lines
    for line in lines:
        failed = {
            str(finding.component): word("failure", finding.rule.rpartition(".")[2])
            for finding in verdict.findings
            if (finding.phase, finding.outcome) == (phase, "not_met")
            and line in {None, finding.line}
            and finding.rule.rpartition(".")[2] in _DRAWN_FAILURES
        }
        heading = catalogue()[kind].name.capitalize()
        if line is not None and len(lines) > 1:
            heading = sentence("drawing", "line", name=heading, line=word("line", line))
        outcome, protection = word("outcome", verdict.outcome), word("protection", last.protection)
        scenes.append(
            Scene(
                kind=kind,
                heading=heading,
                says=(verdict.summary,),
                positions=dict.fromkeys(parts_of(kind), "closed"),
                failed=failed,
                verdict=sentence("drawing", "test", outcome=outcome, protection=protection),
            )
        )
    return draw(*scenes)


def describe(scene: Scene) -> str:
    """The scene in words."""
    words = [f"{scene.heading}."]
    for place, position in scene.shutoffs.items():
        words.append(sentence("drawing", "shutoff", place=word("place", place), position=word("position", position)))
    for part, position in scene.positions.items():
        words.append(sentence("drawing", "part", part=_word(scene, part), position=word("position", position)))
    for part, failure in scene.failed.items():
        words.append(sentence("drawing", "failed", part=_word(scene, part), failure=failure))
    for place, value in scene.pressures.items():
        figures = {"value": _figure(value), "unit": scene.pressure_unit}
        words.append(sentence("drawing", "pressure", place=word("place", place), **figures))
    if scene.flow is not None:
        words.append(_flow_words(scene.flow, scene.flow_unit))
    return " ".join([*words, *scene.says, scene.verdict]).strip()


def _flow_words(flow: float, unit: str) -> str:
    if flow == 0:
        return sentence("drawing", "no_flow")
    return sentence("drawing", "flow_back" if flow < 0 else "flow_forward", value=_figure(abs(flow)), unit=unit)


def _figure(value: float) -> str:
    return f"{round(value, 2) + 0.0:g}".replace("-", "−")


def _lines(heading: str) -> list[str]:
    return textwrap.wrap(heading, 72) or [""]


def _height(scene: Scene) -> int:
    return _LINE * len(_lines(scene.heading)) + _DRAWN


def _text(x: float, y: float, words: str, style: str = "mid") -> str:
    return f'<text x="{x:g}" y="{y:g}" class="{style}">{escape(words)}</text>'


def _panel(scene: Scene) -> Iterator[str]:
    lines = _lines(scene.heading)
    for number, line in enumerate(lines, start=1):
        yield _text(16, 6 + _LINE * number, line, "head")
    yield f'<g transform="translate(0 {_LINE * len(lines) - 12})">'
    yield from _gap(scene) if scene.kind == "air_gap" else _assembly(scene)
    yield _text(16, _DRAWN - 6, scene.verdict, "strong")
    yield "</g>"
    yield f'<path class="thin" d="M0 {_height(scene) - 0.5}H{WIDTH}"/>'


def _assembly(scene: Scene) -> Iterator[str]:
    parts = parts_of(scene.kind)
    body = "air_inlet" in parts
    # Water fills what is under pressure; a zone open to the air at or below atmosphere has drained.
    air = scene.positions.get("air_inlet" if body else "relief_valve") == "open" and _middle_pressure(scene) <= 0
    left, right = (_MIDDLE - 48, _MIDDLE + 48) if body else (_CHECK_1, _CHECK_2)
    yield f'<path class="water" d="M20 {_TOP}H{left}V{_BOTTOM}H20Z"/>'
    if not air:
        yield f'<path class="water" d="M{left} {_TOP}H{right}V{_BOTTOM}H{left}Z"/>'
        if body:
            yield f'<path class="water" d="M{left} 84H{right}V{_TOP}H{left}Z"/>'
    if not (air and body):
        yield f'<path class="water" d="M{right} {_TOP}H740V{_BOTTOM}H{right}Z"/>'
    if body:
        yield f'<path class="wall" d="M20 {_TOP}H{_MIDDLE - 48}V84H{_MIDDLE - 20}M{_MIDDLE + 20} 84H{_MIDDLE + 48}V{_TOP}H740"/>'
        yield f'<path class="wall" d="M20 {_BOTTOM}H740"/>'
    elif "relief_valve" in parts:
        yield f'<path class="wall" d="M20 {_TOP}H740M20 {_BOTTOM}H{_MIDDLE - 20}V216M740 {_BOTTOM}H{_MIDDLE + 20}V216"/>'
    else:
        yield f'<path class="wall" d="M20 {_TOP}H740M20 {_BOTTOM}H740"/>'
    for name, x in (("inlet", _SHUTOFF_IN), ("outlet", _SHUTOFF_OUT)):
        yield from _shutoff(scene, name, x)
    for part in parts:
        match part:
            case "relief_valve":
                yield from _relief(scene)
            case "air_inlet":
                yield from _air_inlet(scene)
            case "check" if is_type_ii(scene.kind):
                yield from _bypass(scene)
            case _:
                yield from _check(scene, part, _CHECK_2 if part == "check_2" else _CHECK_1)
    yield from _pressures(scene)
    yield from _flow(scene)


def _middle_pressure(scene: Scene) -> float:
    return scene.pressures.get("body", scene.pressures.get("zone", 1.0))


def _name(scene: Scene, part: str) -> str:
    position = scene.positions.get(part)
    return f"{_word(scene, part)}: {word('position', position)}" if position else _word(scene, part)


def _word(scene: Scene, part: str) -> str:
    return word("part", "bypass_check" if part == "check" and is_type_ii(scene.kind) else part)


def _mark(scene: Scene, part: str, x: float, y: float, *, wide: float, high: float) -> Iterator[str]:
    """The hatch over a failed part. Its word is beside the part's name."""
    if part in scene.failed:
        yield f'<rect class="mark" x="{x - wide / 2:g}" y="{y - high / 2:g}" width="{wide:g}" height="{high:g}"/>'


def _failed_word(scene: Scene, part: str, x: float, y: float, style: str = "mid strong") -> Iterator[str]:
    if part in scene.failed:
        yield _text(x, y, f"✗ {scene.failed[part]}", style)


def _shutoff(scene: Scene, name: str, x: float) -> Iterator[str]:
    """A wedge on a stem: down across the pipe when closed, drawn up out of it when open."""
    closed = scene.shutoffs.get(name) == "closed"
    top = _TOP if closed else _TOP - 40
    yield f'<path class="wall" d="M{x - 9} {_TOP}V104H{x + 9}V{_TOP}"/><path class="thin" d="M{x} 104V88M{x - 12} 88H{x + 12}"/>'
    yield f'<rect class="solid" x="{x - 5}" y="{top}" width="10" height="{_BOTTOM - _TOP if closed else 36}"/>'
    label = word("label", f"{name}_shutoff")
    yield _text(x, 78, f"{label}: {word('position', scene.shutoffs[name])}" if name in scene.shutoffs else label)


def _check(scene: Scene, part: str, x: float) -> Iterator[str]:
    """A disc hinged at the top, on a seat that narrows the pipe; it swings towards the customer."""
    angle = 0.0 if scene.positions.get(part) != "open" else 58.0
    if angle == 0 and scene.failed.get(part) in {word("failure", "leaking"), word("failure", "closed_tight")}:
        angle = 16.0
    long = _BOTTOM - _TOP - 8
    tip_x = x + 5 + long * math.sin(math.radians(angle))
    tip_y = _TOP + 4 + long * math.cos(math.radians(angle))
    yield from _mark(scene, part, x + 12, _AXIS, wide=60, high=64)
    yield f'<path class="wall" d="M{x} {_TOP}V{_TOP + 10}M{x} {_BOTTOM}V{_BOTTOM - 10}"/>'
    yield f'<path class="part" d="M{x + 5} {_TOP + 4}L{tip_x:.1f} {tip_y:.1f}"/><circle class="solid" cx="{x + 5}" cy="{_TOP + 4}" r="4"/>'
    yield _text(x + 8, _BOTTOM + 30, _name(scene, part))
    yield from _failed_word(scene, part, x + 8, _BOTTOM + 47)


def _bypass(scene: Scene) -> Iterator[str]:
    """A small loop over check 2 with a disc of its own in it."""
    left, top, right = _BYPASS
    x = (left + right) / 2
    yield f'<path class="wall" d="M{left} {_TOP}V{top}H{right}V{_TOP}M{left + 12} {_TOP}V{top + 12}H{right - 12}V{_TOP}"/>'
    yield from _mark(scene, "check", x, top + 6, wide=36, high=22)
    tip = x + 9 if scene.positions.get("check") == "open" else x
    yield f'<path class="part" d="M{x:g} {top + 2}L{tip:g} {top + 10}"/>'
    yield _text(x, top - 24, _name(scene, "check"))
    yield from _failed_word(scene, "check", x, top - 8)


def _relief(scene: Scene) -> Iterator[str]:
    """A disc under the zone's drain; it drops to open."""
    x, opened = _MIDDLE, scene.positions.get("relief_valve") == "open"
    y = 232 if opened else 219
    yield from _mark(scene, "relief_valve", x, 222, wide=72, high=34)
    yield f'<path class="part" d="M{x - 24} {y}H{x + 24}"/><path class="thin" d="M{x} {y}V250"/>'
    if scene.discharge > 0:
        yield _arrow(x - 34, 222, x - 44, 246) + _arrow(x + 34, 222, x + 44, 246)
    if scene.air_drawn > 0:
        yield _arrow(x - 44, 246, x - 32, 224) + _arrow(x + 44, 246, x + 32, 224)
    yield _text(x, 264, _name(scene, "relief_valve") + _vented(scene))
    yield from _failed_word(scene, "relief_valve", x, 281)


def _air_inlet(scene: Scene) -> Iterator[str]:
    """A poppet in the body: up against its seat when closed, dropped when open, under a canopy."""
    x, opened = _MIDDLE, scene.positions.get("air_inlet") == "open"
    y = 104 if opened else 87
    yield from _mark(scene, "air_inlet", x, 96, wide=76, high=36)
    yield f'<path class="thin" d="M{x - 58} 66Q{x} 34 {x + 58} 66"/>'
    yield f'<path class="part" d="M{x - 24} {y}H{x + 24}"/><path class="thin" d="M{x} {y}V{y + 34}"/>'
    if scene.air_drawn > 0:
        yield _arrow(x - 40, 70, x - 14, 96) + _arrow(x + 40, 70, x + 14, 96)
    if scene.discharge > 0:
        yield _arrow(x - 14, 96, x - 40, 70) + _arrow(x + 14, 96, x + 40, 70)
    yield _text(x, 34, _name(scene, "air_inlet") + _vented(scene))
    yield from _failed_word(scene, "air_inlet", x + 64, 100, "strong")


def _vented(scene: Scene) -> str:
    if scene.discharge > 0:
        return f", {word('label', 'discharging')} {_figure(scene.discharge)} {scene.flow_unit}"
    return f", {word('label', 'drawing_air')}" if scene.air_drawn > 0 else ""


def _pressures(scene: Scene) -> Iterator[str]:
    body = "air_inlet" in parts_of(scene.kind)
    places = {"inlet": 165, "zone": _MIDDLE, "body": _MIDDLE, "outlet": 585}
    for place, value in scene.pressures.items():
        y = 142 if place == "body" and body else _TOP - 10
        yield _text(places[place], y, f"{_figure(value)} {scene.pressure_unit}", "mid strong")
    yield _text(34, _BOTTOM + 18, word("label", "supply"), "mid") + _text(724, _BOTTOM + 18, word("label", "customer"), "mid")


def _flow(scene: Scene) -> Iterator[str]:
    """Arrows where water moves: what the relief valve or air inlet discharges does not reach the customer."""
    flow = scene.flow or 0.0
    if flow == 0:
        return
    onward = flow < 0 or flow > scene.discharge * (1 + 1e-6)
    for x in (40, 290, 570) if onward else (40, 290):
        yield _arrow(x, _AXIS, x + 50, _AXIS, heavy=True) if flow > 0 else _arrow(x + 50, _AXIS, x, _AXIS, heavy=True)
    yield _text(
        WIDTH - 16,
        _DRAWN - 6,
        sentence("drawing", "towards_supply" if flow < 0 else "from_supply", value=_figure(abs(flow)), unit=scene.flow_unit),
        "end strong",
    )


def _arrow(x: float, y: float, to_x: float, to_y: float, *, heavy: bool = False) -> str:
    angle, size = math.atan2(to_y - y, to_x - x), 11 if heavy else 7
    left, right = angle + 2.6, angle - 2.6
    head = (
        f"M{to_x:g} {to_y:g}L{to_x + size * math.cos(left):.1f} {to_y + size * math.sin(left):.1f}"
        f"L{to_x + size * math.cos(right):.1f} {to_y + size * math.sin(right):.1f}Z"
    )
    shaft = "wall" if heavy else "thin"
    return f'<path class="{shaft}" d="M{x:g} {y:g}L{to_x:g} {to_y:g}"/><path class="solid" d="{head}"/>'


def _gap(scene: Scene) -> Iterator[str]:
    """A supply pipe that ends in the open over a vessel's rim."""
    runs = bool(scene.flow and scene.flow > 0)
    yield '<path class="wall" d="M20 70H330V104M20 94H306V104"/><path class="thin" d="M300 104H336"/>'
    yield '<path class="water" d="M222 190H418V250H222Z"/><path class="wall" d="M220 150V250H420V234H740M420 150V214H740"/>'
    yield '<path class="water" d="M420 214H740V234H420Z"/><path class="thin" d="M222 190H418M440 104H468M440 150H468M454 104V150"/>'
    yield _text(474, 132, word("label", "air_gap"), "strong")
    yield _text(34, 62, word("label", "supply")) + _text(724, 206, word("label", "customer"))
    if runs:
        yield '<path class="wall" d="M318 106V186" stroke-dasharray="6 5"/>' + _arrow(60, 82, 120, 82, heavy=True)
        yield _text(190, 87, f"{_figure(scene.flow or 0.0)} {scene.flow_unit}", "mid strong")
    for place, x, y in (("inlet", 120, 62), ("outlet", 600, 206)):
        if place in scene.pressures:
            yield _text(x, y, f"{_figure(scene.pressures[place])} {scene.pressure_unit}", "mid strong")
