"""A transmission as a unit file describes it: gear train, application chart, hydraulics, specification."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from pathlib import Path

from fieldassist.deduce.geartrain import GearTrain, PlanetarySet
from fieldassist.deduce.kinematics import power_flow
from fieldassist.deduce.specification import Specification, Tap
from fieldassist.errors import UserError
from fieldassist.finding import GEARS
from fieldassist.resources import home

ELEMENT_KINDS: tuple[str, ...] = ("clutch", "brake", "band", "one_way")
SHIFT_CONTROLS: tuple[str, ...] = ("governor", "electronic")
THROTTLE_SIGNALS: tuple[str, ...] = ("linkage", "cable", "vacuum", "electronic")
_SHIPPED = Path(__file__).resolve().parent / "units"


@dataclass(frozen=True)
class Element:
    """A friction element or one-way clutch."""

    id: str
    name: str
    """As it is written for people."""
    kind: str
    """One of ELEMENT_KINDS."""
    joins: tuple[str, str]
    """Shafts or members on its two sides; the first is `case` for what holds a member."""
    spoken: tuple[str, ...] = ()
    """What people call it."""
    tap: str | None = None
    """Pressure tap that reads its apply circuit."""
    released_by: str | None = None
    """Element whose apply pressure also pushes this band's servo back."""
    cushions: tuple[str, ...] = ()
    """Shifts that an accumulator on its circuit cushions."""
    adjustable: bool = False
    """A band with an adjusting screw."""

    @property
    def friction(self) -> bool:
        """It is applied by pressure and can slip, fail or drag; a one-way clutch is not."""
        return self.kind != "one_way"

    @property
    def servo(self) -> bool:
        """A band has a servo."""
        return self.kind == "band"


@dataclass(frozen=True)
class Solenoid:
    """An electric valve of an electronically shifted unit."""

    id: str
    name: str
    on: frozenset[str] = frozenset()
    """Forward gears in which a shift solenoid is energised."""
    element: str | None = None
    """Element that a pressure solenoid applies by itself; None for a shift solenoid."""


@dataclass(frozen=True)
class Shift:
    """A change between two gears, derived from the chart."""

    id: str
    """`1-2`"""
    on: frozenset[str]
    """Friction elements applied in the new gear and not in the old."""
    off: frozenset[str]
    """Friction elements released."""
    overruns: frozenset[str]
    """One-way clutches that let go by themselves."""
    catches: frozenset[str]
    """One-way clutches that take hold by themselves."""

    @property
    def up(self) -> bool:
        """Into a higher gear."""
        low, _, high = self.id.partition("-")
        return low < high

    @property
    def overlap(self) -> bool:
        """One friction element must let go as another takes hold: too early is a flare, too late a bind."""
        return bool(self.on) and bool(self.off)


@dataclass(frozen=True, eq=False)
class Unit:
    """One automatic transmission. Compared by identity."""

    name: str
    """File name without `.toml`."""
    title: str
    path: Path
    train: GearTrain
    elements: Mapping[str, Element]
    chart: Mapping[str, frozenset[str]]
    """Gear -> applied friction elements and the one-way clutches that hold on drive; `N` too."""
    ranges: Mapping[str, tuple[str, ...]]
    """Selector range -> gears it gives, in order. N and P give `N`."""
    also: Mapping[tuple[str, str], frozenset[str]]
    """(range, gear) -> elements applied there besides the chart's, for engine braking."""
    shift_control: str
    """One of SHIFT_CONTROLS."""
    throttle_signal: str
    """One of THROTTLE_SIGNALS."""
    shift_valves: tuple[str, ...]
    """Upshifts that have a shift valve of their own (`1-2`); it also works the downshift."""
    solenoids: Mapping[str, Solenoid]
    converter_clutch: tuple[str, ...]
    """Gears in which the converter clutch may apply; empty without one."""
    taps: Mapping[str, Tap]
    forbids: Mapping[str, str]
    """Procedure that the unit's maker forbids (`stall`) -> reason."""
    specification: Specification | None

    @property
    def sets(self) -> tuple[PlanetarySet, ...]:
        """The planetary sets."""
        return self.train.sets

    @cached_property
    def gears(self) -> tuple[str, ...]:
        """Gears of the chart: forward ones in order, then R."""
        return tuple(gear for gear in GEARS if gear in self.chart and gear != "N")

    @cached_property
    def forward(self) -> tuple[str, ...]:
        """Forward gears in order."""
        return tuple(gear for gear in self.gears if gear != "R")

    @cached_property
    def shifts(self) -> tuple[Shift, ...]:
        """Upshifts between neighbouring gears of D, in order, then the downshifts, from the top."""
        steps = list(pairwise(self.forward))
        return tuple(self.shift(a, b) for a, b in steps) + tuple(self.shift(b, a) for a, b in reversed(steps))

    def shift(self, old: str, new: str) -> Shift:
        """What changes between two gears of range D. Raises UserError for a gear that D does not give."""
        before, after = self.applied("D", old), self.applied("D", new)
        friction = frozenset(self.friction)
        on, off = (after - before) & friction, (before - after) & friction
        return Shift(f"{old}-{new}", on, off, (before - after) - friction, (after - before) - friction)

    @cached_property
    def friction(self) -> tuple[str, ...]:
        """Ids of clutches, brakes and bands, in the order of the file."""
        return tuple(e.id for e in self.elements.values() if e.friction)

    @cached_property
    def one_way(self) -> tuple[str, ...]:
        """Ids of one-way clutches."""
        return tuple(e.id for e in self.elements.values() if not e.friction)

    def applied(self, range: str, gear: str) -> frozenset[str]:
        """Elements applied in a gear of a selector range: friction elements and the one-way clutches that
        hold on drive. Raises UserError when the range does not give that gear."""
        gears = self.ranges.get(range)
        if gears is None:
            raise UserError(f"{self.name}: no range {range!r}; it has {', '.join(self.ranges)}")
        if gear not in gears:
            raise UserError(f"{self.name}: range {range} does not give gear {gear!r}; it gives {', '.join(gears)}")
        return self.chart[gear] | self.also.get((range, gear), frozenset())

    def range_of(self, gear: str) -> str:
        """Range in which a gear is driven without engine braking helpers: D, R or N. Raises UserError."""
        for range in ("D", "R", "N"):
            if gear in self.ranges[range]:
                return range
        raise UserError(f"{self.name}: no gear {gear!r}; it has {', '.join(self.gears)}")

    def ratio(self, gear: str) -> float:
        """Input speed / output speed of a gear of the chart, negative for R. Raises UserError for N."""
        ratio = power_flow(self, self.range_of(gear), gear).ratio
        if ratio is None:
            raise UserError(f"{self.name}: gear {gear!r} drives nothing; it has {', '.join(self.gears)}")
        return ratio

    @cached_property
    def ratios(self) -> Mapping[str, float]:
        """Gear -> ratio, forward gears in order, then R."""
        return {gear: self.ratio(gear) for gear in self.gears}

    def tap_elements(self, tap: str) -> tuple[str, ...]:
        """Elements whose apply circuit a tap reads."""
        return tuple(e.id for e in self.elements.values() if e.tap == tap)

    def require_elements(self, ids: Iterable[str]) -> None:
        """Raise UserError when an id is not one of this unit's elements."""
        for name in ids:
            if name not in self.elements:
                raise UserError(f"{self.name}: no element {name!r}; it has {', '.join(self.elements)}")


def applied(unit: Unit, range: str, gear: str) -> frozenset[str]:
    """`unit.applied(range, gear)`."""
    return unit.applied(range, gear)


def stuck_solenoid(unit: Unit, solenoid: str, energised: bool) -> dict[str, str | None]:
    """Forward gear that comes when one shift solenoid is stuck, for every gear commanded.

    `energised`: it is stuck as if on. The gear is the one whose pattern of shift solenoids is then present, None
    when no gear has that pattern. Raises UserError when it is not a shift solenoid of the unit.
    """
    shift = {name: s for name, s in unit.solenoids.items() if s.element is None}
    if solenoid not in shift:
        raise UserError(f"{unit.name}: no shift solenoid {solenoid!r}; it has {', '.join(shift) or 'none'}")
    patterns = {gear: frozenset(name for name, s in shift.items() if gear in s.on) for gear in unit.forward}
    gears = {pattern: gear for gear, pattern in patterns.items()}
    change = {solenoid}
    return {g: gears.get(p | change if energised else p - change) for g, p in patterns.items()}


def unit_names() -> tuple[str, ...]:
    """Names that `load_unit` knows: the shop's own first, then the shipped ones."""
    names = [path.stem for folder in _folders() for path in sorted(folder.glob("*.toml"))]
    return tuple(dict.fromkeys(names))


def load_unit(name: str | Path) -> Unit:
    """Load a unit by name, or from the path of a `.toml` file.

    The folder `units` in the shop's home (`resources.home`) is searched before the shipped units. The
    file format is documented at the top of `units/three_speed_simpson.toml`. Raises UserError for an unknown
    name, DataFileError (file, line, what was expected) for a bad file, also for an application chart that
    contradicts the gear train: the error names the gear.
    """
    from fieldassist.deduce.unitfile import read_unit  # it needs the types above

    text = str(name)
    if text.endswith(".toml"):
        return read_unit(Path(text))
    for folder in _folders():
        path = folder / f"{text}.toml"
        if path.parent == folder and path.is_file():
            return read_unit(path)
    known = ", ".join(unit_names())
    raise UserError(f"unit {text!r} is not known; expected one of {known}, or the path of a .toml file")


def _folders() -> tuple[Path, ...]:
    return tuple(folder for folder in (home() / "units", _SHIPPED) if folder.is_dir())
