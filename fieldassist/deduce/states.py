"""The physical state of the unit under every hypothesis: one column per cause and degree, and one for "good"."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fieldassist.deduce.causes import (
    DEGREES,
    ELEMENT_QUANTITIES,
    SHIFT_QUANTITIES,
    UNIT_QUANTITIES,
    Cause,
)
from fieldassist.deduce.unit import Unit

Column = npt.NDArray[np.float64]
"""One number per hypothesis; shape (H,) with H = 3 x causes + 1. The last one is the good unit."""


@dataclass(frozen=True, eq=False)
class States:
    """Physical quantities under every hypothesis."""

    causes: tuple[Cause, ...]
    unit: Mapping[str, Column]
    """Quantity of the whole unit -> column."""
    element: Mapping[tuple[str, str], Column]
    """(element id, quantity) -> column."""
    shift: Mapping[tuple[str, str], Column]
    """(shift id, quantity) -> column."""
    noise_when: tuple[str, ...]
    """When each hypothesis makes its noise."""

    @property
    def count(self) -> int:
        """H, the number of hypotheses."""
        return len(DEGREES) * len(self.causes) + 1

    def __getitem__(self, quantity: str) -> Column:
        return self.unit[quantity]


def states_of(unit: Unit, causes: tuple[Cause, ...]) -> States:
    """Lay the acts of every cause and degree out as columns."""
    size = len(DEGREES) * len(causes) + 1
    whole = {q: np.full(size, good) for q, good in UNIT_QUANTITIES.items()}
    element = {(e, q): np.full(size, good) for e in unit.elements for q, good in ELEMENT_QUANTITIES.items()}
    shift = {(s.id, q): np.full(size, good) for s in unit.shifts if s.up for q, good in SHIFT_QUANTITIES.items()}
    for number, cause in enumerate(causes):
        columns = slice(len(DEGREES) * number, len(DEGREES) * (number + 1))
        for quantity, values in cause.acts.items():
            if quantity in whole:
                whole[quantity][columns] = values
            elif cause.subject is not None and (cause.subject, quantity) in element:
                element[cause.subject, quantity][columns] = values
            elif cause.subject is not None:
                shift[cause.subject, quantity][columns] = values
    when = [c.noise_when for c in causes for _ in DEGREES]
    return States(causes, whole, element, shift, (*when, "all"))
