"""Power flow through a gear train: speeds, torques, free and over-constrained states, one-way clutches.

Speeds w of the shafts obey A w = 0, one row per planetary set (Willis) and one per closed coupling. By virtual
work the torques that balance a shaft obey A' t + input + output = 0 with the same matrix: the multipliers t are
the torques of the closed couplings. A one-way clutch is a complementarity: either it holds (relative speed zero,
torque not negative) or it overruns (relative speed not negative, torque zero). Gear trains have few of them,
so the holding set is found by trying each.

All speeds are multiples of input speed, all torques multiples of the engine-side input torque: +1 on drive, -1
on coast. No losses.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from itertools import combinations, pairwise
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from fieldassist.deduce.geartrain import CASE, INPUT, OUTPUT, GearTrain

if TYPE_CHECKING:
    from fieldassist.deduce.unit import Unit

_TOLERANCE = 1e-9


@dataclass(frozen=True)
class PowerFlow:
    """What turns, what is held and what carries torque with a given set of closed elements."""

    free: int
    """Degrees of freedom beyond the input's own: 0 in a gear, 1 or more when something turns freely."""
    locked: bool
    """The input cannot turn: a tie-up."""
    redundant: int
    """Constraints that are not needed for the motion found; their torques are then shared in a way that
    depends on the stiffness of the parts (see `indeterminate`)."""
    ratio: float | None
    """Input speed / output speed; negative in reverse; None when the input does not drive the output."""
    output_held: bool
    """The output cannot turn, whatever the input does."""
    speeds: Mapping[str, float]
    """Member (`front.sun`), `input` and `output` -> multiple of input speed; a member that the input does not
    fix is absent, and all are absent when locked."""
    torques: Mapping[str, float]
    """Closed element or holding one-way clutch -> torque passed from its first to its second side, as a
    multiple of input torque (brakes: torque that the case puts on the member). All 0 when nothing is driven;
    empty when locked, since then the weakest element decides."""
    one_way: Mapping[str, str]
    """One-way clutch -> `holds` (it carries torque) or `overruns` (it carries none)."""
    indeterminate: frozenset[str] = frozenset()
    """Elements whose share is not fixed by statics: `torques` gives them the share that they would have as
    equally stiff couplings between rigid gears (least strain energy, Castigliano)."""
    set_torques: Mapping[str, float] = field(default_factory=dict)
    """Member -> torque that the rest of the train puts on it, as a multiple of input torque."""
    _train: GearTrain | None = field(default=None, repr=False, compare=False)

    @property
    def drives(self) -> bool:
        """The input moves the output."""
        return self.ratio is not None

    @cached_property
    def circulating(self) -> float:
        """Power going round in closed loops inside the gear train, as a multiple of input power.

        Shafts and gearsets are the places of a network, and torque times speed of every member and coupling the
        power between them; what is left going round when all that runs from input to output (or back, on
        coast) is taken away, is circulating power.
        """
        if self._train is None or self.ratio is None:
            return 0.0
        net: dict[tuple[str, str], float] = {}

        def add(source: str, target: str, power: float) -> None:
            edge, sign = ((source, target), 1.0) if source < target else ((target, source), -1.0)
            net[edge] = net.get(edge, 0.0) + sign * power

        for member, shaft in self._train.members:
            place = self._train.gearset_of[member.partition(".")[0]]
            add(shaft, place, self.set_torques[member] * self.speeds.get(member, 0.0))
        for coupling in self._train.couplings:
            first, second = self._train.shaft_of[coupling.first], self._train.shaft_of[coupling.second]
            speed = next((s for m, s in self.speeds.items() if self._train.shaft_of[m] == second), 0.0)
            if CASE not in (first, second):
                add(first, second, self.torques.get(coupling.id, 0.0) * speed)
        flows = {(a, b) if power > 0 else (b, a): abs(power) for (a, b), power in net.items()}
        return _loops({edge: power for edge, power in flows.items() if power > 1e-7})


def power_flow(
    unit: Unit,
    range: str,
    gear: str,
    load: str = "drive",
    missing: frozenset[str] = frozenset(),
    extra: frozenset[str] = frozenset(),
) -> PowerFlow:
    """Solve one gear of a unit in one selector range.

    `missing`: applied elements that do not hold (or one-way clutches that do not catch). `extra`: elements
    that hold although they should not (a one-way clutch in `extra` is seized: it holds both ways).
    `load`: `drive` or `coast`. Raises UserError when the range does not have the gear or an element is not the
    unit's. Cheap: results are kept per set of closed elements.
    """
    closed = unit.applied(range, gear)
    unit.require_elements(missing | extra)
    train = unit.train
    one_ways = frozenset(train.one_way) - missing - extra
    return solve(train, (closed - missing - frozenset(train.one_way)) | extra, one_ways, load)


@lru_cache(maxsize=65536)
def solve(train: GearTrain, closed: frozenset[str], one_ways: frozenset[str], load: str = "drive") -> PowerFlow:
    """Solve a gear train with `closed` couplings and `one_ways` left to catch or overrun by themselves."""
    torque = {"drive": 1.0, "coast": -1.0}[load]
    fixed = tuple(sorted(closed))
    candidates = [held for n in range(len(one_ways) + 1) for held in combinations(sorted(one_ways), n)]
    states = {frozenset(held): _State(train, fixed + held, len(held), torque) for held in candidates}
    rows = {name: train.scaled_rows[name] for name in one_ways}
    possible = {held for held, state in states.items() if state.speeds_allowed(rows, held, strict=True)}
    if not possible:
        return _locked(one_ways, states[frozenset()])
    best: tuple[int, frozenset[str]] | None = None
    for held, state in states.items():
        if not state.drives or not state.speeds_allowed(rows, held, strict=False):
            continue
        if not any(held <= other for other in possible) or min(state.held_torques, default=1.0) <= _TOLERANCE:
            continue
        if best is None or len(held) > best[0]:  # a one-way clutch beside a brake helps to carry
            best = (len(held), held)
    chosen = best[1] if best is not None else frozenset[str]()
    state = states[chosen]
    return state.flow(one_ways, chosen)


class _State:
    """Speeds and torques for one set of held couplings."""

    def __init__(self, train: GearTrain, closed: tuple[str, ...], held: int, torque: float) -> None:
        self.train, self.closed, self.torque = train, closed, torque
        matrix = train.matrix(closed)
        u, s, vt = np.linalg.svd(matrix)
        rank = int((s > _TOLERANCE).sum())
        self.rank, self.rows = rank, matrix.shape[0]
        null = vt[rank:].T
        at_input = null[0]
        weight = float(at_input @ at_input)
        self.locked = weight < _TOLERANCE
        self.free = null.shape[1] - (0 if self.locked else 1)
        self.output_held = float(np.abs(null[1]).max(initial=0.0)) < _TOLERANCE
        self.null = null
        self.ratio: float | None = None
        self.speed = np.zeros(len(train.nodes))
        self.known = np.zeros(len(train.nodes), dtype=bool)
        if not self.locked:
            self.speed = null @ at_input / weight
            self.known = np.abs(null - np.outer(self.speed, at_input)).max(axis=1) < 1e-7
            if self.known[1] and not self.output_held and abs(self.speed[1]) > 1e-7:
                self.ratio = 1.0 / float(self.speed[1])
        self.multipliers = np.zeros(self.rows)
        if self.ratio is not None:
            load = np.zeros(len(train.nodes))
            load[0], load[1] = torque, -torque * self.ratio
            self.multipliers = -(u[:, :rank] / s[:rank]) @ (vt[:rank] @ load)
        self.spare = u[:, rank:]
        if self.ratio is not None and rank < self.rows:  # least strain energy: rigid gears, equal couplings
            count = len(train.sets)
            share = np.linalg.lstsq(self.spare[count:], -self.multipliers[count:], rcond=None)[0]
            self.multipliers = self.multipliers + self.spare @ share
        self.held_torques = self.multipliers[self.rows - held :]

    @property
    def drives(self) -> bool:
        return self.ratio is not None

    def speeds_allowed(
        self, one_way_rows: Mapping[str, npt.NDArray[np.float64]], held: frozenset[str], strict: bool
    ) -> bool:
        """No overrunning clutch is asked to turn the way it stops; `strict`: every relative speed is fixed."""
        if self.locked:
            return False
        for name, row in one_way_rows.items():
            if name in held:
                continue
            relative = float(row @ self.speed)
            fixed = float(np.abs(row @ self.null - relative * self.null[0]).max()) < 1e-7
            if (fixed and relative < -1e-7) or (strict and not fixed):
                return False
        return True

    def flow(self, one_ways: Iterable[str], held: frozenset[str]) -> PowerFlow:
        train = self.train
        speeds = {name: float(self.speed[train.index[name]]) for name in (INPUT, OUTPUT) if self._known(name)}
        for member, shaft in train.members:
            if shaft not in train.index:
                speeds[member] = 0.0
            elif self._known(shaft):
                speeds[member] = float(self.speed[train.index[shaft]])
        count = len(train.sets)
        torques = {name: _clean(t) for name, t in zip(self.closed, self.multipliers[count:], strict=True)}
        set_torques = {}
        for number, planetary in enumerate(train.sets):
            factor = -float(self.multipliers[number]) / (planetary.sun + planetary.ring)
            for part, weight in zip(("sun", "ring", "carrier"), planetary.weights, strict=True):
                set_torques[f"{planetary.name}.{part}"] = _clean(factor * weight)
        shared = np.abs(self.spare).max(axis=1, initial=0.0) > 1e-7
        return PowerFlow(
            free=self.free,
            locked=False,
            redundant=self.rows - self.rank,
            ratio=self.ratio,
            output_held=self.output_held,
            speeds=speeds,
            torques=torques,
            one_way={name: "holds" if name in held else "overruns" for name in sorted(one_ways)},
            indeterminate=frozenset(name for name, s in zip(self.closed, shared[count:], strict=True) if s),
            set_torques=set_torques,
            _train=train,
        )

    def _known(self, shaft: str) -> bool:
        return bool(self.known[self.train.index[shaft]])


def _locked(one_ways: Iterable[str], state: _State) -> PowerFlow:
    return PowerFlow(
        free=0, locked=True, redundant=state.rows - state.rank, ratio=None, output_held=state.output_held,
        speeds={}, torques={}, one_way=dict.fromkeys(sorted(one_ways), "holds"),
    )  # fmt: skip


def _loops(edges: dict[tuple[str, str], float]) -> float:
    """Take loops out of a flow one after the other; return what went round in them."""
    total = 0.0
    while loop := _find_loop(edges):
        least = min(edges[edge] for edge in loop)
        total += least
        for edge in loop:
            edges[edge] -= least
            if edges[edge] < 1e-7:
                del edges[edge]
    return total


def _find_loop(edges: Mapping[tuple[str, str], float]) -> list[tuple[str, str]]:
    """The edges of one directed loop; none when there is no loop."""
    ahead: dict[str, list[str]] = {}
    for source, target in edges:
        ahead.setdefault(source, []).append(target)
    done: set[str] = set()

    def walk(path: list[str]) -> list[str]:
        for target in ahead.get(path[-1], ()):
            if target in path:
                return [*path[path.index(target) :], target]
            if target not in done and (found := walk([*path, target])):
                return found
        done.add(path[-1])
        return []

    for start in ahead:
        if start not in done and (found := walk([start])):
            return list(pairwise(found))
    return []


def _clean(number: float) -> float:
    """Round-off around zero becomes zero, so that tables and signs read right."""
    return 0.0 if abs(number) < _TOLERANCE else float(number)
