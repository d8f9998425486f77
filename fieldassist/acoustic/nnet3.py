"""The acoustic model file `am/final.mdl` of a Vosk model folder: written from plain matrices, and read back.

Kaldi's binary object format (files `transition-model.cc`, `hmm-topology.cc`, `nnet-nnet.cc`,
`compressed-matrix.cc` of Kaldi describe it). Matrices are stored as Kaldi's compressed matrices of 8-bit numbers,
a quarter of the size; `rounding.py` makes up for what that costs.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from fieldassist.acoustic.features import BINS
from fieldassist.acoustic.layers import BYPASS, Layer, Matrix, Network
from fieldassist.errors import UserError
from fieldassist.words.phones import PHONES, PLACED_PHONES, PLACES, SILENCE, STATES, phone_index

_STEPS = (64, 128, 63)
"""Steps of a byte from a column's lowest mark to the second, to the third, to the highest."""
_INNER = (0.2, 0.3, 0.4, 0.5)
"""Where the inner marks may lie, as a share of the way from the middle of a column's range to its ends."""


def write_model(network: Network, path: Path) -> None:
    """Write the transition model and the network."""
    path.parent.mkdir(parents=True, exist_ok=True)
    tail = _token("<LeftContext>") + _integer(0) + _token("<RightContext>") + _integer(0)
    tail += _token("<Priors>") + _vector(np.zeros(0))
    path.write_bytes(b"\0B" + _transition_model() + _network(network) + tail)


def read_network(path: Path) -> Network:
    """Read the network of a file that `write_model` wrote. Raises UserError for any other file."""
    try:
        data = path.read_bytes()
        parts = {name: (weight, bias) for name, weight, bias in _components(data)}
        layers = []
        for name, offsets, narrow, bypass in _nodes(data):
            weight, bias = parts[f"{name}.affine"]
            squeezed = parts[f"{name}.narrow"][0] if narrow else None
            layers.append(Layer(offsets, weight, bias, squeezed, bypass))
        return Network(tuple(layers), *parts["output.affine"])
    except (OSError, KeyError, ValueError, struct.error, IndexError):
        raise UserError(f"{path}: not an acoustic model of this project; expected the shipped one or one adapted "
                        "from it") from None  # fmt: skip


def config_lines(network: Network) -> list[str]:
    """The network's nodes in Kaldi's configuration language."""
    lines = [f"input-node name=input dim={BINS}"]
    before = "input"

    def node(name: str, source: str) -> None:
        lines.append(f"component-node name={name} component={name} input={source}")

    for number, layer in enumerate(network.layers):
        name = f"l{number}"
        if layer.narrow is None:
            node(f"{name}.affine", _append(before, layer.offsets))
        else:
            low, middle, high = layer.offsets
            node(f"{name}.narrow", _append(before, (low, middle)))
            node(f"{name}.affine", _append(f"{name}.narrow", (middle, high)))
        node(f"{name}.relu", f"{name}.affine")
        if layer.bypass:
            node(f"{name}.sum", f"Sum({name}.relu, Scale({BYPASS}, {before}))")
            before = f"{name}.sum"
        else:
            before = f"{name}.relu"
    node("output.affine", before)
    lines.append("output-node name=output input=output.affine objective=linear")
    return lines


def _append(source: str, offsets: tuple[int, ...]) -> str:
    return "Append(" + ", ".join(source if o == 0 else f"Offset({source}, {o})" for o in offsets) + ")"


def _network(network: Network) -> bytes:
    components: list[bytes] = []

    def affine(name: str, weight: Matrix, bias: Matrix) -> None:
        components.append(_token("<ComponentName>") + _token(name) + _token("<FixedAffineComponent>")
                          + _token("<LinearParams>") + _matrix(weight) + _token("<BiasParams>") + _vector(bias)
                          + _token("</FixedAffineComponent>"))  # fmt: skip

    def other(name: str, kind: str, dim: int) -> None:
        body = _token("<Dim>") + _integer(dim)
        if kind == "RectifiedLinearComponent":
            body += _token("<ValueAvg>") + _vector(np.zeros(0)) + _token("<DerivAvg>") + _vector(np.zeros(0))
            body += _token("<Count>") + b"\x08" + struct.pack("<d", 0.0)
        else:
            body += _token("<BackpropScale>") + _real(1.0)
        components.append(_token("<ComponentName>") + _token(name) + _token(f"<{kind}>") + body
                          + _token(f"</{kind}>"))  # fmt: skip

    for number, layer in enumerate(network.layers):
        name, width = f"l{number}", len(layer.bias)
        if layer.narrow is not None:
            affine(f"{name}.narrow", layer.narrow, np.zeros(len(layer.narrow), np.float32))
        affine(f"{name}.affine", layer.weight, layer.bias)
        other(f"{name}.relu", "RectifiedLinearComponent", width)
        if layer.bypass:
            other(f"{name}.sum", "NoOpComponent", width)
    affine("output.affine", network.output_weight, network.output_bias)
    text = "\n".join(config_lines(network))
    head = _token("<Nnet3>") + b"\n" + text.encode() + b"\n\n"
    return head + _token("<NumComponents>") + _integer(len(components)) + b"".join(components) + _token("</Nnet3>")


def _transition_model() -> bytes:
    """One-state phones: a first frame and a loop for further ones, with scores of their own."""
    numbers = list(range(1, PLACED_PHONES + 1))
    out = (
        _token("<TransitionModel>")
        + _token("<Topology>")
        + _integers(numbers)
        + _integers([-1] + [0] * len(numbers))
    )
    out += _integer(-1) + _integer(1) + _integer(2)  # apart scores of loops; one kind of phone; two states
    out += _integer(0) + _integer(1) + _integer(2) + _integer(0) + _real(0.5) + _integer(1) + _real(0.5)
    out += _integer(-1) + _integer(-1) + _integer(0) + _token("</Topology>")
    owners = [SILENCE] + [phone for phone in PHONES for _ in PLACES]
    out += _token("<Tuples>") + _integer(len(owners))
    for number, phone in enumerate(owners, start=1):
        first = 2 * phone_index(phone)
        out += _integer(number) + _integer(0) + _integer(first) + _integer(first + 1)
    out += _token("</Tuples>") + _token("<LogProbs>")
    out += _vector(np.array([0.0] + [np.log(0.5)] * (2 * len(owners)))) + _token("</LogProbs>")
    assert max(2 * phone_index(phone) + 1 for phone in owners) == STATES - 1
    return out + _token("</TransitionModel>")


# --- Kaldi's basic types ------------------------------------------------------------------------------------


def _token(text: str) -> bytes:
    return text.encode() + b" "


def _integer(value: int) -> bytes:
    return b"\x04" + struct.pack("<i", value)


def _real(value: float) -> bytes:
    return b"\x04" + struct.pack("<f", value)


def _integers(values: list[int]) -> bytes:
    return b"\x04" + struct.pack("<i", len(values)) + np.array(values, "<i4").tobytes()


def _vector(values: np.ndarray) -> bytes:
    return _token("FV") + _integer(len(values)) + np.asarray(values, "<f4").tobytes()


def _matrix(values: Matrix) -> bytes:
    low, high = float(values.min()), float(values.max())
    span = max(high - low, 1e-5 * (1.0 + abs(low)))
    marks, numbers = compressed(values, low, span)
    head = struct.pack("<ffii", low, span, *values.shape)
    return _token("CM") + head + marks.T.astype("<u2").tobytes() + numbers.T.tobytes()


def compressed(values: np.ndarray, low: float, span: float) -> tuple[np.ndarray, np.ndarray]:
    """Marks (4, columns), of 16 bits over the range, and bytes (rows, columns) nearest to the values.

    Of each column the lowest and the highest mark are its ends; the inner ones are tried at a few places, so that
    values which `expanded` gave come out nearly as they were.
    """
    ends = np.stack([values.min(0), values.max(0)])
    middle, half = ends.mean(0), np.ptp(ends, axis=0) / 2
    least = np.full(values.shape[1], np.inf)
    best = np.zeros((4, values.shape[1]), np.uint16), np.zeros(values.shape, np.uint8)
    knots = np.cumsum([0, *_STEPS])
    for share in _INNER:
        places = np.stack([ends[0], middle - share * half, middle + share * half, ends[1]])
        marks = np.rint((places - low) / span * 65535.0)
        for number in range(4):  # each above the one before, as Kaldi wants them
            lowest = marks[number - 1] + 1 if number else 0.0
            marks[number] = np.clip(marks[number], lowest, 65532 + number)
        known = _values(marks, low, span)
        numbers = np.stack(
            [np.interp(column, own, knots) for column, own in zip(values.T, known.T, strict=True)], axis=1
        )
        numbers = np.rint(numbers).astype(np.uint8)
        error = np.square(expanded(marks, numbers, low, span) - values).sum(0)
        better = error < least
        least = np.where(better, error, least)
        best[0][:, better], best[1][:, better] = marks[:, better], numbers[:, better]
    return best


def expanded(marks: np.ndarray, numbers: np.ndarray, low: float, span: float) -> Matrix:
    """The values of marks (4, columns) and bytes (rows, columns), as Kaldi reads them."""
    known = _values(marks, low, span)
    left = numbers.astype(np.float32)
    out = np.broadcast_to(known[0], left.shape).copy()
    for number, steps in enumerate(_STEPS):
        inside = left > 0
        rise = (known[number + 1] - known[number]) * np.float32(1 / steps)
        out[inside] = (known[number] + rise * left)[inside]
        left -= steps
    return out


def _values(numbers: np.ndarray, low: float, span: float) -> Matrix:
    """The values of 16-bit numbers over a range."""
    return np.float32(low) + np.float32(span) * np.float32(1.0 / 65535.0) * numbers.astype(np.float32)


def read_matrix(data: bytes, at: int) -> tuple[Matrix, int]:
    """A matrix at a place of the file, and the place behind it. Raises ValueError for another kind of value."""
    if data[at : at + 3] != b"CM ":
        raise ValueError("matrix")
    low, span, rows, columns = struct.unpack_from("<ffii", data, at + 3)
    begin = at + 19
    marks = np.frombuffer(data, "<u2", 4 * columns, begin).reshape(columns, 4).T
    begin += 8 * columns
    numbers = np.frombuffer(data, np.uint8, rows * columns, begin).reshape(columns, rows).T
    return np.ascontiguousarray(expanded(marks, numbers, low, span)), begin + rows * columns


def _components(data: bytes) -> Iterator[tuple[str, Matrix, Matrix]]:
    for found in re.finditer(rb"<ComponentName> (\S+) <FixedAffineComponent> <LinearParams> ", data):
        weight, at = read_matrix(data, found.end())
        head = b"<BiasParams> FV \x04"
        if not data.startswith(head, at):
            raise ValueError("bias")
        (size,) = struct.unpack_from("<i", data, at + len(head))
        yield found[1].decode(), weight, np.frombuffer(data, "<f4", size, at + len(head) + 4).copy()


def _nodes(data: bytes) -> Iterator[tuple[str, tuple[int, ...], bool, bool]]:
    """Name, offsets, whether narrowed, whether bypassed, of each layer."""
    begin = data.index(b"<Nnet3> ")
    text = data[begin : data.index(b"<NumComponents>", begin)].decode()
    names = list(dict.fromkeys(re.findall(r"component-node name=(l\d+)\.", text)))
    for name in names:
        narrow = f"name={name}.narrow" in text
        first = re.search(rf"name={name}\.{'narrow' if narrow else 'affine'} .*input=Append\((.*)\)\n", text)
        if first is None:
            raise ValueError("node")
        offsets = tuple(_offset(part) for part in re.split(r", (?=Offset|[^-\d])", first[1]))
        if narrow:
            offsets = (offsets[0], 0, -offsets[0])
        yield name, offsets, narrow, f"name={name}.sum" in text


def _offset(text: str) -> int:
    found = re.fullmatch(r"Offset\(\S+, (-?\d+)\)", text)
    return int(found[1]) if found else 0
