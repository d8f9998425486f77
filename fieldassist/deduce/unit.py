"""A transmission as a unit file describes it: gear train, application chart, hydraulics, specification."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from fieldassist.deduce.geartrain import CASE, Coupling, GearTrain, PlanetarySet
from fieldassist.deduce.kinematics import power_flow
from fieldassist.deduce.tomlfile import TomlFile, read_toml
from fieldassist.errors import UserError
from fieldassist.finding import GEARS, RANGES

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
    solenoid: str | None = None
    """Pressure solenoid that applies it directly."""

    @property
    def friction(self) -> bool:
        """It is applied by pressure and can slip, fail or drag; a one-way clutch is not."""
        return self.kind != "one_way"

    @property
    def servo(self) -> bool:
        """A band has a servo."""
        return self.kind == "band"


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
    """One-way clutches that let go by themselves (or catch, on a downshift)."""

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
    """Gear -> applied friction elements and the one-way clutches that hold on drive."""
    ranges: Mapping[str, tuple[str, ...]]
    """Selector range -> gears it gives, in order. N and P give `N`."""
    also: Mapping[tuple[str, str], frozenset[str]]
    """(range, gear) -> elements applied there besides the chart's, for engine braking."""
    shift_control: str
    """One of SHIFT_CONTROLS."""
    throttle_signal: str
    """One of THROTTLE_SIGNALS."""
    forbids: frozenset[str] = frozenset()
    """Procedures that the unit's maker forbids, such as `stall`."""

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
        steps = list(zip(self.forward, self.forward[1:], strict=False))
        return tuple(self.shift(a, b) for a, b in steps) + tuple(self.shift(b, a) for a, b in reversed(steps))

    def shift(self, old: str, new: str) -> Shift:
        """What changes between two gears of range D."""
        before, after = self.applied("D", old), self.applied("D", new)
        friction = frozenset(self.friction)
        changed = before ^ after
        return Shift(f"{old}-{new}", (after - before) & friction, (before - after) & friction, changed - friction)

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

    def ratio(self, gear: str) -> float:
        """Input speed / output speed of a gear of the chart, negative for R. Raises UserError for N."""
        range = next((r for r, gears in self.ranges.items() if gear in gears), None)
        flow = power_flow(self, range, gear) if range is not None else None
        if flow is None or flow.ratio is None:
            raise UserError(f"{self.name}: gear {gear!r} drives nothing; it has {', '.join(self.gears)}")
        return flow.ratio

    def require_elements(self, ids: Iterable[str]) -> None:
        """Raise UserError when an id is not one of this unit's elements."""
        for name in ids:
            if name not in self.elements:
                raise UserError(f"{self.name}: no element {name!r}; it has {', '.join(self.elements)}")


def applied(unit: Unit, range: str, gear: str) -> frozenset[str]:
    """`unit.applied(range, gear)`."""
    return unit.applied(range, gear)


def unit_names() -> tuple[str, ...]:
    """Names that `load_unit` knows: the shipped ones and those of the shop's folder, which come first."""
    names = [path.stem for folder in _folders() for path in sorted(folder.glob("*.toml"))]
    return tuple(dict.fromkeys(names))


def load_unit(name: str | Path) -> Unit:
    """Load a unit by name, or from the path of a `.toml` file.

    The folder `units` in FIELDASSIST_HOME (default `~/.fieldassist`) is searched before the shipped units.
    Raises UserError for an unknown name, DataFileError (file, line, what was expected) for a bad file.
    """
    text = str(name)
    if text.endswith(".toml"):
        return read_unit(Path(text))
    for folder in _folders():
        path = folder / f"{text}.toml"
        if "/" not in text and "\\" not in text and path.is_file():
            return read_unit(path)
    raise UserError(f"unit {text!r} is not known; known units are {', '.join(unit_names())}, or the path of a .toml")


def _folders() -> tuple[Path, ...]:
    home = Path(os.environ.get("FIELDASSIST_HOME") or Path.home() / ".fieldassist")
    return tuple(folder for folder in (home / "units", _SHIPPED) if folder.is_dir())


def read_unit(path: Path) -> Unit:
    """Read and check one unit file."""
    file = read_toml(path)
    data = file.data
    sets = tuple(
        PlanetarySet(name, s["kind"], s["sun"], s["ring"]) for name, s in data["sets"].items()
    )
    shafts = tuple((name, tuple(members)) for name, members in data["shafts"].items())
    elements = {name: _element(name, e) for name, e in data["elements"].items()}
    couplings = tuple(Coupling(e.id, *e.joins, one_way=not e.friction) for e in elements.values())
    train = GearTrain(sets, shafts, couplings)
    chart = {gear: frozenset(row) for gear, row in data["chart"].items()}
    chart.setdefault("N", frozenset())
    ranges = {r: tuple(data["ranges"][r]) for r in RANGES if r in data["ranges"]}
    ranges.setdefault("N", ("N",))
    ranges.setdefault("P", ("N",))
    also = {(r, g): frozenset(row) for r, gears in data.get("also", {}).items() for g, row in gears.items()}
    hydraulics = data["hydraulics"]
    unit = Unit(
        path.stem, data["title"], path, train, elements, chart, ranges, also,
        hydraulics["shift_control"], hydraulics["throttle_signal"], frozenset(data.get("forbids", ())),
    )  # fmt: skip
    _check_chart(unit, file)
    return unit


def _element(name: str, e: Mapping[str, Any]) -> Element:
    joins = (CASE, e["holds"]) if "holds" in e else tuple(e["joins"])
    plain = name.replace("_", " ")
    return Element(
        name, e.get("name", plain), e["kind"], joins, tuple(e.get("spoken", (plain,))), e.get("tap"),
        e.get("released_by"), tuple(e.get("cushions", ())), e.get("adjustable", e["kind"] == "band"), e.get("solenoid"),
    )  # fmt: skip


def _check_chart(unit: Unit, file: TomlFile) -> None:
    """Refuse a chart that the gear train cannot do, naming the gear."""
    for range, gears in unit.ranges.items():
        for gear in gears:
            flow = power_flow(unit, range, gear)
            keys = ("also", range, gear) if (range, gear) in unit.also else ("chart", gear)
            where = f"gear {gear} in range {range}"
            if gear == "N":
                if flow.drives or flow.locked:
                    raise file.error(keys, f"{where}: expected no drive, but the elements applied drive or lock")
                continue
            if flow.locked:
                raise file.error(keys, f"{where}: the elements applied lock the gear train; expected a gear")
            if flow.ratio is None:
                raise file.error(keys, f"{where}: the elements applied leave the output free; expected a gear")
            if (flow.ratio < 0) != (gear == "R"):
                raise file.error(keys, f"{where}: ratio {flow.ratio:.3f} turns the wrong way")
            for name, state in flow.one_way.items():
                if (state == "holds") != (name in unit.chart[gear]):
                    raise file.error(keys, f"{where}: {name} {state} on drive, the chart says otherwise")
    ratios = [unit.ratio(gear) for gear in unit.forward]
    for low, high, gear in zip(ratios, ratios[1:], unit.forward[1:], strict=False):
        if high >= low:
            raise file.error(("chart", gear), f"gear {gear}: ratio {high:.3f} is not below that of the gear before")
