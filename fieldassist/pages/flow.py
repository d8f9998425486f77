"""The power flow of a gear: which members turn, which are held, what carries torque; in words and drawn."""

from __future__ import annotations

from dataclasses import dataclass

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fieldassist.deduce.kinematics import PowerFlow, power_flow
from fieldassist.deduce.unit import Unit
from fieldassist.pages.svg import GREY, INK, NARROW, PALE, SETTINGS, WIDE, inline

STANDSTILL = 1e-6
"""Multiple of input speed below which a member stands still; above round-off, below any real speed."""


@dataclass(frozen=True)
class FlowLine:
    """One member of a planetary set in a gear."""

    member: str
    """`front.sun`"""
    speed: float | None
    """Multiple of input speed; None when nothing fixes it."""
    says: str
    """In words: what holds or drives it."""


@dataclass(frozen=True)
class FlowView:
    """A gear's power flow, ready to be drawn and told."""

    title: str
    lines: tuple[FlowLine, ...]
    elements: tuple[tuple[str, str], ...]
    """(element name, what it does in words)."""
    summary: str


def flow_view(unit: Unit, range: str, gear: str, missing: frozenset[str] = frozenset()) -> FlowView:
    """Return what turns, what is held and what carries torque. Raises UserError when the gear is not there."""
    flow = power_flow(unit, range, gear, missing=missing)
    title = f"Gear {gear}, range {range}"
    if missing:
        title += f", {' and '.join(unit.elements[e].name for e in sorted(missing))} not holding"
    return FlowView(
        title=title,
        lines=tuple(
            FlowLine(member, flow.speeds.get(member), _member_says(unit, flow, member, shaft))
            for member, shaft in unit.train.members
        ),
        elements=tuple(
            (e.name, _element_says(unit, flow, e.id, range, gear, missing)) for e in unit.elements.values()
        ),
        summary=_summary(unit, flow, gear),
    )


def flow_picture(unit: Unit, view: FlowView, name: str, width: float = WIDE) -> str:
    """Draw the speeds of all members of a gear as bars over the multiple of input speed; `width` in inches."""
    known = [line.speed for line in view.lines if line.speed is not None]
    low, high = min([0.0, *known]), max([1.0, *known])
    with mpl.rc_context(SETTINGS):
        count = len(view.lines)
        narrow = width == NARROW
        height = 0.9 + (0.6 if narrow else 0.42) * count + 0.25 * len(unit.sets)
        figure = Figure(figsize=(width, height), layout="constrained")
        axes = figure.add_subplot()
        place, ticks, labels = 0.0, [], []
        for number, line in enumerate(view.lines):
            if number and number % 3 == 0:
                axes.axhline(place + 0.15, color=GREY, linewidth=0.8, linestyle=(0, (2, 3)))
                place -= 0.7
            ticks.append(place)
            labels.append(line.member.replace(".", " ").replace("_", " "))
            _speed_bar(axes, place, line, narrow)
            place -= 1.0
        axes.axvline(0, color=INK, linewidth=1.2)
        axes.axvline(1, color=GREY, linewidth=1.0, linestyle=(0, (6, 3)))
        axes.set_yticks(ticks, labels)
        axes.tick_params(axis="y", length=0)
        axes.set_ylim(place + 0.35, 0.95 if narrow else 0.65)
        axes.set_xlim(low - 0.05 * (high - low), high + 0.05 * (high - low))
        axes.set_xticks(_whole(low, high))
        axes.set_xlabel("speed / input speed" + ("" if narrow else " (below 0: turns backward)"))
        axes.spines["left"].set_visible(False)
        told = "; ".join(f"{line.member.replace('.', ' ')}: {line.says}" for line in view.lines)
        return inline(figure, name, f"Power flow: {view.title}", f"{told}. {view.summary}")


def _speed_bar(axes: Axes, place: float, line: FlowLine, narrow: bool) -> None:
    at = axes.get_yaxis_transform()
    if narrow:  # no room beside the bar: the words go above it
        blank = {"facecolor": "white", "edgecolor": "none", "pad": 0.5}
        axes.text(0.0, place + 0.34, line.says, va="bottom", fontsize=10.5, transform=at, bbox=blank)
    else:
        axes.text(1.02, place, line.says, va="center", transform=at)
    if line.speed is None:
        axes.text(0.03, place, "?", va="center", fontweight="bold")
        return
    if abs(line.speed) < STANDSTILL:
        axes.plot([0], [place], marker="s", markersize=9, color=INK, clip_on=False)
        return
    back = line.speed < 0
    axes.barh(place, line.speed, height=0.45 if narrow else 0.55, color="white" if back else PALE, edgecolor=INK,
              linewidth=1.2, hatch="////" if back else None)  # fmt: skip
    axes.plot([line.speed], [place], marker="<" if back else ">", markersize=7, color=INK, clip_on=False)


def _whole(low: float, high: float) -> list[int]:
    first, last = int(low) - (low < int(low)), int(high) + (high > int(high))
    return list(range(first, last + 1))


def _member_says(unit: Unit, flow: PowerFlow, member: str, shaft: str) -> str:
    if flow.locked:
        return "locked: the gear train is tied up"
    if shaft == "case":
        return "fixed to the case"
    speed = flow.speeds.get(member)
    if speed is None:
        return "turns freely"
    if abs(speed) < STANDSTILL:
        holders = [
            e.name for e in unit.elements.values()
            if "case" in e.joins and unit.train.shaft_of[e.joins[1]] == shaft and _is_closed(flow, e.id)
        ]  # fmt: skip
        return "held by " + " and ".join(holders) if holders else "stands still"
    text = "with the input" if abs(speed - 1) < 1e-6 else f"{abs(speed):.2f} x input"
    if speed < 0:
        text += ", backward"
    ends = [end for end in ("input", "output") if unit.train.shaft_of[end] == shaft]
    return text + (f" ({ends[0]})" if ends else "")


def _is_closed(flow: PowerFlow, element: str) -> bool:
    return element in flow.torques or flow.one_way.get(element) == "holds"


def _element_says(
    unit: Unit, flow: PowerFlow, element: str, range: str, gear: str, missing: frozenset[str]
) -> str:
    if element in missing:
        return "taken as not holding"
    if element in flow.one_way and flow.one_way[element] == "overruns":
        return "overruns"
    if not unit.elements[element].friction and element not in flow.one_way:
        return "lets go"
    if element not in unit.applied(range, gear) and element not in flow.torques:
        return "released"
    torque = flow.torques.get(element)
    if torque is None:
        return "applied"
    if abs(torque) < STANDSTILL:
        return "applied, carries nothing"
    verb = "holds" if not unit.elements[element].friction else "applied, carries"
    share = f"{abs(torque):.2f} x input torque"
    return f"{verb} {share}" + (" (shared as stiffness decides)" if element in flow.indeterminate else "")


def _summary(unit: Unit, flow: PowerFlow, gear: str) -> str:
    if flow.locked:
        return "The gear train is tied up: the input cannot turn."
    if flow.ratio is None:
        return "Nothing drives the output: the engine runs up, the vehicle does not move."
    same = [g for g in unit.gears if g != gear and abs(unit.ratio(g) - flow.ratio) < 0.005 * abs(flow.ratio)]
    text = f"Ratio {abs(flow.ratio):.2f} to 1{', output backward' if flow.ratio < 0 else ''}."
    return text + (f" That is gear {same[0]} again." if same else "")
