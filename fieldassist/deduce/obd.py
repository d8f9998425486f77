"""Engine speed, road speed and throttle as the on-board diagnostic port gives them.

Formulas of the parameter ids in service 01 of ISO 15031-5 / SAE J1979, from secondary tables.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from fieldassist.errors import UserError


@dataclass(frozen=True)
class Parameter:
    """One parameter id: how its bytes become a value."""

    name: str
    size: int
    """Bytes."""
    decode: Callable[[bytes], float]
    step: float
    """Smallest difference that it can show."""
    unit: str


PARAMETERS: Mapping[int, Parameter] = {
    0x04: Parameter("load", 1, lambda b: 100.0 * b[0] / 255.0, 100.0 / 255.0, "%"),
    0x05: Parameter("coolant temperature", 1, lambda b: b[0] - 40.0, 1.0, "C"),
    0x0C: Parameter("engine speed", 2, lambda b: (256.0 * b[0] + b[1]) / 4.0, 0.25, "rpm"),
    0x0D: Parameter("vehicle speed", 1, lambda b: float(b[0]), 1.0, "km/h"),
    0x11: Parameter("throttle position", 1, lambda b: 100.0 * b[0] / 255.0, 100.0 / 255.0, "%"),
}


def decode_reply(text: str) -> tuple[Parameter, float]:
    """Decode a service 01 reply such as `41 0C 1A F8`. Raises UserError for anything else."""
    try:
        data = bytes.fromhex(text)
    except ValueError as error:
        raise UserError(f"reply {text!r}: expected hexadecimal bytes such as 41 0C 1A F8") from error
    if len(data) < 2 or data[0] != 0x41 or data[1] not in PARAMETERS:
        known = ", ".join(f"{pid:02X}" for pid in PARAMETERS)
        raise UserError(f"reply {text!r}: expected 41, one of {known}, and its data")
    parameter = PARAMETERS[data[1]]
    if len(data) != 2 + parameter.size:
        raise UserError(f"reply {text!r}: {parameter.name} has {parameter.size} data byte(s), got {len(data) - 2}")
    return parameter, parameter.decode(data[2:])
