"""Planetary sets, shafts and couplings: the gear train as linear equations, with no hydraulics in it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

CASE = "case"
INPUT = "input"
OUTPUT = "output"
MEMBERS: tuple[str, ...] = ("sun", "ring", "carrier")


@dataclass(frozen=True)
class PlanetarySet:
    """One planetary set. A Ravigneaux gearset is two of them with a common carrier and a common ring:
    the sun that meshes with the short pinions belongs to a `double` set, the other to a `simple` one."""

    name: str
    kind: str
    """`simple` (sun - pinion - ring) or `double` (sun - pinion - pinion - ring)."""
    sun: int
    """Teeth of the sun."""
    ring: int
    """Teeth of the ring."""

    @property
    def weights(self) -> tuple[int, int, int]:
        """Coefficients of sun, ring and carrier speed in the Willis equation, which sum to zero.

        Simple set: Zs ws + Zr wr - (Zs + Zr) wc = 0. Double-pinion set: Zs ws - Zr wr - (Zs - Zr) wc = 0.
        Source: Willis equation, any machine-design textbook. The same three numbers, times one factor, are
        the torques on sun, ring and carrier, since a set without loss neither makes nor takes power.
        """
        ring = self.ring if self.kind == "simple" else -self.ring
        return self.sun, ring, -(self.sun + ring)


@dataclass(frozen=True)
class Coupling:
    """Something that can join two shafts: a clutch, a brake (one side is the case) or a one-way clutch.

    The torque of a coupling is what passes from `first` to `second`, positive in the input's direction of
    rotation. A one-way clutch lets `second` run faster than `first`, and can only push `second` forward.
    """

    id: str
    first: str
    second: str
    one_way: bool = False


@dataclass(frozen=True, eq=False)
class GearTrain:
    """Sets, joined members and couplings. Compared by identity, so that solved flows can be kept per train."""

    sets: tuple[PlanetarySet, ...]
    shafts: tuple[tuple[str, tuple[str, ...]], ...]
    """(shaft, members `set.sun|ring|carrier` on it). Members not named are shafts of their own name."""
    couplings: tuple[Coupling, ...]

    @cached_property
    def shaft_of(self) -> Mapping[str, str]:
        """Every name that a coupling may use (shaft or member) -> the shaft it means."""
        named = {member: shaft for shaft, members in self.shafts for member in members}
        out = {shaft: shaft for shaft, _ in self.shafts} | {CASE: CASE, INPUT: INPUT, OUTPUT: OUTPUT}
        for planetary in self.sets:
            for part in MEMBERS:
                member = f"{planetary.name}.{part}"
                out[member] = named.get(member, member)
        return out

    @cached_property
    def nodes(self) -> tuple[str, ...]:
        """The shafts that can turn, input first and output second."""
        rest = sorted(set(self.shaft_of.values()) - {CASE, INPUT, OUTPUT})
        return (INPUT, OUTPUT, *rest)

    @cached_property
    def index(self) -> Mapping[str, int]:
        """Shaft -> its column."""
        return {name: number for number, name in enumerate(self.nodes)}

    @cached_property
    def members(self) -> tuple[tuple[str, str], ...]:
        """(member, shaft) of every set, in the order of the file."""
        names = (f"{s.name}.{part}" for s in self.sets for part in MEMBERS)
        return tuple((name, self.shaft_of[name]) for name in names)

    @cached_property
    def gearset_of(self) -> Mapping[str, str]:
        """Set -> gearset that it is part of: sets with one carrier and one ring in common are one Ravigneaux
        gearset, in which no power can be told to pass from the one to the other."""
        places = [(self.shaft_of[f"{s.name}.ring"], self.shaft_of[f"{s.name}.carrier"]) for s in self.sets]
        return {s.name: f"gearset {places.index(place)}" for s, place in zip(self.sets, places, strict=True)}

    @cached_property
    def set_rows(self) -> tuple[tuple[int, ...], ...]:
        """Willis equation of each set over `nodes`, exact integers."""
        rows = []
        for planetary in self.sets:
            row = [0] * len(self.nodes)
            for part, weight in zip(MEMBERS, planetary.weights, strict=True):
                shaft = self.shaft_of[f"{planetary.name}.{part}"]
                if shaft != CASE:
                    row[self.index[shaft]] += weight
            rows.append(tuple(row))
        return tuple(rows)

    @cached_property
    def coupling_rows(self) -> Mapping[str, tuple[int, ...]]:
        """Coupling id -> its equation `speed of second - speed of first = 0` over `nodes`."""
        rows: dict[str, tuple[int, ...]] = {}
        for coupling in self.couplings:
            row = [0] * len(self.nodes)
            for name, sign in ((coupling.first, -1), (coupling.second, 1)):
                shaft = self.shaft_of[name]
                if shaft != CASE:
                    row[self.index[shaft]] += sign
            rows[coupling.id] = tuple(row)
        return rows

    @cached_property
    def scaled_rows(self) -> Mapping[str | int, npt.NDArray[np.float64]]:
        """Float rows for the solver: sets by position, scaled to their tooth sum, and couplings by id."""
        out: dict[str | int, npt.NDArray[np.float64]] = {}
        for number, (planetary, row) in enumerate(zip(self.sets, self.set_rows, strict=True)):
            out[number] = np.array(row, dtype=np.float64) / (planetary.sun + planetary.ring)
        for name, row in self.coupling_rows.items():
            out[name] = np.array(row, dtype=np.float64)
        return out

    @cached_property
    def one_way(self) -> tuple[str, ...]:
        """Ids of the one-way clutches."""
        return tuple(c.id for c in self.couplings if c.one_way)

    def matrix(self, closed: Iterable[str]) -> npt.NDArray[np.float64]:
        """Constraint matrix A with A w = 0: one row per set, then one per closed coupling, in the order given.

        Shape (sets + closed, nodes).
        """
        rows = self.scaled_rows
        return np.array([rows[n] for n in range(len(self.sets))] + [rows[c] for c in closed])
