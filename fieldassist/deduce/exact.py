"""Power flow in exact fractions: a second opinion on `kinematics`, reached by another way.

Speeds come from Gaussian elimination over whole tooth counts. Torques come one at a time from virtual work: open
one coupling, move the train by the freedom that this gives, and ask which torque in the coupling makes input,
output and coupling do no work together. Slow (milliseconds) and without rounding.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations

from fieldassist.deduce.geartrain import INPUT, OUTPUT, GearTrain

Row = list[Fraction]


@dataclass(frozen=True)
class ExactFlow:
    """The exact counterpart of `kinematics.PowerFlow`."""

    locked: bool
    free: int
    ratio: Fraction | None
    speeds: Mapping[str, Fraction]
    """Shaft -> multiple of input speed; a shaft that the input does not fix is absent."""
    torques: Mapping[str, Fraction | None]
    """Closed coupling -> torque from first to second side as a multiple of input torque; None when statics
    do not fix it. Empty when nothing is driven."""
    holds: frozenset[str]
    """One-way clutches that carry torque. One beside a closed brake counts as resting: the brake does it alone."""


def exact_flow(
    train: GearTrain, closed: Iterable[str], one_ways: Iterable[str] = (), load: str = "drive"
) -> ExactFlow:
    """Solve a gear train with `closed` couplings and `one_ways` left to catch or overrun by themselves."""
    fixed, free_to_catch = sorted(closed), sorted(one_ways)
    sign = {"drive": 1, "coast": -1}[load]
    flows = []
    for count in range(len(free_to_catch) + 1):
        for held in combinations(free_to_catch, count):
            flow = _solve(train, (*fixed, *held), sign)
            flow = ExactFlow(flow.locked, flow.free, flow.ratio, flow.speeds, flow.torques, frozenset(held))
            if not flow.locked and _overruns_allowed(train, flow, set(free_to_catch) - set(held)):
                flows.append(flow)
    if not flows:
        return ExactFlow(True, 0, None, {}, {}, frozenset())
    for flow in flows:
        shares = [flow.torques[name] for name in flow.holds] if flow.ratio is not None else [None]
        if all(share is not None and share > 0 for share in shares):
            return flow
    return flows[0]


def _overruns_allowed(train: GearTrain, flow: ExactFlow, names: Iterable[str]) -> bool:
    for name in names:
        relative = [(train.nodes[n], c) for n, c in enumerate(train.coupling_rows[name]) if c]
        known = all(shaft in flow.speeds for shaft, _ in relative)
        if known and sum(flow.speeds[shaft] * c for shaft, c in relative) < 0:
            return False
    return True


def _solve(train: GearTrain, closed: Sequence[str], sign: int) -> ExactFlow:
    rows = [[Fraction(c) for c in row] for row in train.set_rows]
    rows += [[Fraction(c) for c in train.coupling_rows[name]] for name in closed]
    motions = _null_space(rows, len(train.nodes))
    moving = [m for m in motions if m[0] != 0]
    if not moving:
        return ExactFlow(True, len(motions), None, {}, {}, frozenset())
    base = [c / moving[0][0] for c in moving[0]]
    rest = [[c - m[0] * b for c, b in zip(m, base, strict=True)] for m in motions if m is not moving[0]]
    speeds = {
        shaft: base[n] for n, shaft in enumerate(train.nodes) if all(m[n] == 0 for m in rest)
    }  # fmt: skip
    output = speeds.get(OUTPUT)
    if not output:
        return ExactFlow(False, len(rest), None, speeds, {}, frozenset())
    ratio = speeds[INPUT] / output
    torques = {}
    for position, name in enumerate(closed):
        opened = rows[: len(train.sets) + position] + rows[len(train.sets) + position + 1 :]
        torques[name] = _virtual_work(train, opened, train.coupling_rows[name], sign, -sign * ratio)
    return ExactFlow(False, len(rest), ratio, speeds, torques, frozenset())


def _virtual_work(
    train: GearTrain, opened: Sequence[Row], coupling: Sequence[int], at_input: int, at_output: Fraction
) -> Fraction | None:
    """Torque in the opened coupling; None when opening it frees nothing, since others then share its torque."""
    for motion in _null_space(opened, len(train.nodes)):
        relative = sum((c * m for c, m in zip(coupling, motion, strict=True)), Fraction(0))
        if relative != 0:
            return -(at_input * motion[0] + at_output * motion[1]) / relative
    return None


def _null_space(rows: Sequence[Row], width: int) -> list[Row]:
    """Basis of all motions that satisfy the rows, by Gauss-Jordan elimination."""
    matrix, pivots = [list(row) for row in rows], []
    line = 0
    for column in range(width):
        pivot = next((n for n in range(line, len(matrix)) if matrix[n][column] != 0), None)
        if pivot is None:
            continue
        matrix[line], matrix[pivot] = matrix[pivot], matrix[line]
        head = matrix[line][column]
        matrix[line] = [c / head for c in matrix[line]]
        for n, row in enumerate(matrix):
            if n != line and row[column] != 0:
                factor = row[column]
                matrix[n] = [a - factor * b for a, b in zip(row, matrix[line], strict=True)]
        pivots.append(column)
        line += 1
    basis = []
    for column in sorted(set(range(width)) - set(pivots)):
        motion = [Fraction(0)] * width
        motion[column] = Fraction(1)
        for n, pivot_column in enumerate(pivots):
            motion[pivot_column] = -matrix[n][column]
        basis.append(motion)
    return basis
