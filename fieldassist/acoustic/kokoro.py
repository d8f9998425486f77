"""Kokoro's ONNX file run by PyTorch, so that a GPU can make the speech for training (extra `train`).

Every node of the graph becomes one call of PyTorch, made once; what depends on no input is computed once. The file
holds weights of 8 bits and quantises what flows between the layers too; here the weights become floats and nothing
else is rounded, so that the speech is that of the file up to the noise of its quantisation.

Integers (shapes, positions, durations) and single numbers stay in the memory of the processor; a GPU is waited for
once where the durations become known, and once at the end. Operators are those of ONNX (onnx.ai/onnx/operators)
and of ONNX Runtime's contributed ones that this file uses; any other is refused by name.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import torch
import torch.nn.functional as F

from fieldassist.errors import UserError

Tensor = Any
"""torch.Tensor."""
Step = Callable[..., Any]

_SCALE = 2.0**-10
"""Stands for the step of the activations' quantisation, which is not done: biases are still cut to whole steps."""
_TYPES = {1: torch.float32, 6: torch.int32, 7: torch.int64, 9: torch.bool, 11: torch.float64}
"""By ONNX TensorProto.DataType."""
_ROWS_KEPT = 64
"""Constants of more integers than this are tables to look up in, and go to the device."""


class Network:
    """An ONNX graph on a device of PyTorch.

    path: the file, or its bytes. Raises UserError where it is none or has an operator that is not known here.
    """

    def __init__(self, path: Path | bytes, device: str = "cpu", also: Sequence[str] = ()) -> None:
        """also: names of values inside the graph that are wanted behind its outputs."""
        import onnx  # type: ignore[import-not-found,unused-ignore]
        from google.protobuf.message import DecodeError  # type: ignore[import-untyped,unused-ignore]

        name = "ONNX graph" if isinstance(path, bytes) else str(path)
        try:
            model = onnx.load_model_from_string(path if isinstance(path, bytes) else path.read_bytes())
        except (OSError, DecodeError) as error:
            raise UserError(f"{name}: not an ONNX file ({error})") from None
        self.device = torch.device(device)
        graph = model.graph
        self._constants: dict[str, Tensor] = {
            i.name: torch.from_numpy(onnx.numpy_helper.to_array(i).copy()) for i in graph.initializer
        }
        nodes = [_Node(node) for node in graph.node]
        self._cache: dict[tuple[Any, ...], Tensor] = {}
        self._inputs = [i.name for i in graph.input if i.name not in self._constants]
        outputs = [*(o.name for o in graph.output), *also]
        with torch.inference_mode():
            self._build(self._folded(nodes), outputs)

    def run(self, given: Mapping[str, np.ndarray]) -> list[np.ndarray]:
        """The graph's outputs, and the further values asked for, for its inputs by name."""
        with torch.inference_mode():
            values = list(self._values)
            for name, slot in zip(self._inputs, self._input_slots, strict=True):
                values[slot] = self._placed(torch.from_numpy(np.asarray(given[name])))
            for step, sources, targets, done in self._steps:
                made = step(*[values[s] for s in sources])
                if len(targets) == 1:
                    values[targets[0]] = made
                else:
                    for target, value in zip(targets, made, strict=False):
                        values[target] = value
                for slot in done:
                    values[slot] = None
            return [values[slot].cpu().numpy() for slot in self._output_slots]

    @property
    def steps(self) -> int:
        """Calls for one run."""
        return len(self._steps)

    def _placed(self, value: Tensor) -> Tensor:
        if value.is_floating_point():
            return value.to(self.device) if value.numel() > 1 else value
        table = value.numel() > _ROWS_KEPT or value.dtype in (torch.int8, torch.uint8)
        return value.to(self.device) if table and value.dtype != torch.int64 else value

    def _folded(self, nodes: Sequence[_Node]) -> list[_Node]:
        """Compute what depends on no input; the nodes that are left."""
        constants, left, here = self._constants, [], torch.device("cpu")
        for node in nodes:
            if node.op == "DynamicQuantizeLinear":
                constants[node.outputs[1]] = torch.tensor(_SCALE)
                constants[node.outputs[2]] = torch.tensor(0, dtype=torch.uint8)
                left.append(node)
            elif node.op not in _MAKERS and node.op not in _INTEGER:
                raise UserError(f"operator {node.op} is not known here")
            elif node.op in _MAKERS and all(name in constants for name in node.inputs if name):
                made = _MAKERS[node.op](node, constants, here)(*[constants[n] for n in node.inputs if n])
                made = made if isinstance(made, tuple | list) else [made]
                constants.update(zip(node.outputs, made, strict=False))
            else:
                left.append(node)
        return left

    def _build(self, nodes: Sequence[_Node], outputs: Sequence[str]) -> None:
        readers: dict[str, list[_Node]] = {}
        for node in nodes:
            for name in node.inputs:
                readers.setdefault(name, []).append(node)
        slots: dict[str, int] = {}
        self._values: list[Tensor] = []

        def slot(name: str) -> int:
            if name not in slots:
                constant = self._constants.get(name)
                slots[name] = len(self._values)
                self._values.append(None if constant is None else self._placed(constant))
            return slots[name]

        self._input_slots = [slot(name) for name in self._inputs]
        steps: list[tuple[Step, list[int], list[int]]] = []
        merged: set[int] = set()
        for node in nodes:
            if id(node) in merged:
                continue
            if node.op == "DynamicQuantizeLinear":
                if any(reader.op not in _INTEGER for reader in readers.get(node.outputs[0], [])):
                    raise UserError("a quantised value is read by more than products of integers")
                slots[node.outputs[0]] = slot(node.inputs[0])
            elif node.op in _INTEGER:
                step, result, chain = self._integer(node, readers)
                merged.update(map(id, chain))
                steps.append((step, [slot(node.inputs[0])], [slot(result)]))
            else:
                step = _MAKERS[node.op](node, self._constants, self.device)
                steps.append((step, [slot(n) for n in node.inputs if n], [slot(n) for n in node.outputs if n]))
        self._output_slots = [slot(name) for name in outputs]
        kept = set(self._output_slots) | {slots[n] for n in slots if n in self._constants}
        last = {source: number for number, (_, sources, _) in enumerate(steps) for source in sources}
        done: list[list[int]] = [[] for _ in steps]
        for source, number in last.items():
            if source not in kept:
                done[number].append(source)
        self._steps = [(*step, ended) for step, ended in zip(steps, done, strict=True)]

    def _integer(self, node: _Node, readers: Mapping[str, list[_Node]]) -> tuple[Step, str, list[_Node]]:
        """A product with integer weights, with what usually comes after it: to float, the scale, a bias.

        Returns the call, the name of its result, and the nodes that it does the work of.
        """
        constants = self._constants
        if node.inputs[1] not in constants:
            raise UserError(f"{node.op}: expected constant weights")
        result, chain = node.outputs[0], []
        factor: Tensor = torch.ones(1)
        bias: Tensor | None = None
        product = node.op == "MatMulInteger"
        scaled = False
        while len(readers.get(result, [])) == 1:
            reader = readers[result][0]
            other = next((constants[n] for n in reader.inputs if n != result and n in constants), None)
            if reader.op == "Cast" and reader.get("to") == 1:
                pass
            elif reader.op == "Mul" and other is not None and _is_scale(other, product) and not scaled:
                factor, scaled = other.reshape(-1), True  # of all, or of each column
                bias = None if bias is None else bias * factor
            elif reader.op == "Add" and other is not None and _is_bias(other, product) and bias is None:
                bias = other.reshape(-1).float()
            else:
                break
            chain.append(reader)
            result = reader.outputs[0]
        key = (node.inputs[1], *node.inputs[3:], factor.numpy().tobytes())  # layers may share weights
        if key not in self._cache:
            weight = constants[node.inputs[1]].float()
            if len(node.inputs) > 3 and node.inputs[3]:
                zero = constants[node.inputs[3]].float()
                weight = weight - (zero if product or zero.ndim == 0 else zero.reshape(-1, 1, 1))
            weight = weight * (factor / _SCALE)
            self._cache[key] = (weight.T if product else weight).contiguous().to(self.device)
        weight = self._cache[key]
        if bias is not None:
            size = weight.shape[0]
            bias = bias.expand(size).contiguous().to(self.device)
        if product:
            return lambda x: F.linear(x, weight, bias), result, chain
        stride, dilation, groups = node.get("strides", [1]), node.get("dilations", [1]), node.get("group", 1)
        pad = _symmetric(node)
        return lambda x: F.conv1d(x, weight, bias, stride, pad, dilation, groups), result, chain


class _Node:
    """A node as plain Python: its operator, names and attributes."""

    def __init__(self, node: Any) -> None:
        import onnx  # type: ignore[import-not-found,unused-ignore]

        self.op: str = node.op_type
        self.inputs: list[str] = list(node.input)
        self.outputs: list[str] = list(node.output)
        self._attributes = {a.name: onnx.helper.get_attribute_value(a) for a in node.attribute}

    def get(self, name: str, default: Any = None) -> Any:
        value = self._attributes.get(name, default)
        return value.decode() if isinstance(value, bytes) else value


Maker = Callable[[_Node, Mapping[str, Tensor], Any], Step]
_INTEGER = ("MatMulInteger", "ConvInteger")


def _is_scale(value: Tensor, product: bool) -> bool:
    return bool(value.numel() == 1 or (product and value.ndim == 1))


def _is_bias(value: Tensor, product: bool) -> bool:
    if product:
        return bool(value.ndim == 1)
    return bool(value.ndim == 3 and value.shape[0] == value.shape[2] == 1)


def _symmetric(node: _Node) -> int:
    before, after = node.get("pads", [0, 0])
    if before != after or node.get("auto_pad", "NOTSET") != "NOTSET":
        raise UserError(f"{node.op}: expected the same padding on both sides")
    return int(before)


def _beside(a: Tensor, b: Tensor) -> tuple[Tensor, Tensor]:
    """Both where the one on a GPU is; a single number may stay where it is, if it has no dimensions."""
    if a.device == b.device:
        return a, b
    if a.device.type == "cpu":
        b, a = _beside(b, a)
        return a, b
    if b.numel() == 1 and b.ndim <= a.ndim:
        return a, b.reshape(())
    return a, b.to(a.device, non_blocking=True)


def _together(values: Sequence[Tensor]) -> list[Tensor]:
    device = next((v.device for v in values if v.device.type != "cpu"), None)
    return list(values) if device is None else [v.to(device, non_blocking=True) for v in values]


def _two(function: Callable[[Tensor, Tensor], Tensor]) -> Maker:
    def call(a: Tensor, b: Tensor) -> Tensor:
        if a.device != b.device:
            a, b = _beside(a, b)
        return function(a, b)

    return lambda node, constants, device: call


def _one(function: Callable[[Tensor], Tensor]) -> Maker:
    return lambda node, constants, device: function


def _divide(a: Tensor, b: Tensor) -> Tensor:
    return a / b if a.is_floating_point() else torch.div(a, b, rounding_mode="trunc")


def _arc(x: Tensor) -> Tensor:
    """The phase of a spectrum: exactly 0 / 0 in silence, which has the phase 0."""
    return x.atan().nan_to_num(0.0)


def _pow(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    exponent = constants.get(node.inputs[1])
    if exponent is None or exponent.numel() != 1:
        raise UserError("Pow: expected one constant exponent")
    if float(exponent) == 2.0:
        return lambda x, _: x * x
    return lambda x, _: x ** float(exponent)


def _known(node: _Node, constants: Mapping[str, Tensor], number: int) -> list[int]:
    """An input that is constant and whole numbers."""
    if len(node.inputs) <= number or node.inputs[number] not in constants:
        raise UserError(f"{node.op}: expected input {number} to be constant")
    return [int(v) for v in constants[node.inputs[number]].reshape(-1).tolist()]


def _cast(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    kind = node.get("to")
    if kind not in _TYPES:
        raise UserError(f"Cast: type {kind} is not known here")
    target = _TYPES[kind]

    def call(x: Tensor) -> Tensor:
        made = x.to(target)
        if target == torch.int64 and x.is_floating_point():
            return made.cpu()  # durations: lengths follow from them
        return made.to(device) if target == torch.float32 and x.dtype == torch.bool else made

    return call


def _gather(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    axis = node.get("axis", 0)
    index = constants.get(node.inputs[1])
    if index is not None and index.ndim == 0:
        position = int(index)
        return lambda x, _: x.select(axis, position)

    def call(x: Tensor, at: Tensor) -> Tensor:
        if x.device != at.device:
            at = at.to(x.device, non_blocking=True)
        at = torch.where(at < 0, at + x.shape[axis], at)
        made = x.index_select(axis, at.reshape(-1))
        return made.reshape(*x.shape[:axis], *at.shape, *x.shape[axis + 1 :])

    return call


def _slice(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    def call(x: Tensor, starts: Tensor, ends: Tensor, *more: Tensor) -> Tensor:
        first, last = starts.tolist(), ends.tolist()
        along = more[0].tolist() if more else range(len(first))
        by = more[1].tolist() if len(more) > 1 else [1] * len(first)
        where = [slice(None)] * x.ndim
        for axis, begin, end, step in zip(along, first, last, by, strict=True):
            where[axis] = slice(begin, end, step)
        return x[tuple(where)]

    return call


def _reshape(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    if node.get("allowzero", 0):
        raise UserError("Reshape: allowzero is not known here")

    def call(x: Tensor, shape: Tensor) -> Tensor:
        return x.reshape([x.shape[i] if size == 0 else size for i, size in enumerate(shape.tolist())])

    return call


def _expand(x: Tensor, shape: Tensor) -> Tensor:
    return x.expand(torch.broadcast_shapes(x.shape, tuple(shape.tolist())))


def _unsqueeze(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    axes = sorted(_known(node, constants, 1))
    if any(axis < 0 for axis in axes) and len(axes) > 1:
        raise UserError("Unsqueeze: expected axes counted from the front")

    def call(x: Tensor, _: Tensor) -> Tensor:
        for axis in axes:
            x = x.unsqueeze(axis)
        return x

    return call


def _squeeze(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    (axis,) = _known(node, constants, 1)
    return lambda x, _: x.squeeze(axis)


def _reduce(function: Callable[..., Tensor]) -> Maker:
    def make(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
        axes, keep = _known(node, constants, 1), bool(node.get("keepdims", 1))
        return lambda x, _: function(x, axes, keep)

    return make


def _concat(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    axis = node.get("axis")
    return lambda *parts: torch.cat(_together(parts), axis)


def _split(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    sizes, axis = _known(node, constants, 1), node.get("axis", 0)
    return lambda x, _: x.split(sizes, axis)


def _transpose(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    order = list(node.get("perm"))
    return lambda x: x.permute(order)


def _filled(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    import onnx

    value = node.get("value")
    number = 0.0 if value is None else onnx.numpy_helper.to_array(value).reshape(-1)[0].item()
    kind = torch.float32 if value is None else _TYPES[value.data_type]
    return lambda shape: torch.full(tuple(shape.tolist()), number, dtype=kind)


def _where(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    def call(condition: Tensor, a: Tensor, b: Tensor) -> Tensor:
        made = torch.where(*_together([condition, a, b]))
        return made.to(device) if made.is_floating_point() else made  # masks: read many times

    return call


def _layer_norm(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    if node.get("axis", -1) != -1:
        raise UserError("LayerNormalization: expected the last axis")
    epsilon = node.get("epsilon", 1e-5)
    return lambda x, weight, bias: F.layer_norm(x, weight.shape, weight, bias, epsilon)


def _skip_layer_norm(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    epsilon = node.get("epsilon", 1e-12)
    return lambda x, skip, weight, bias: F.layer_norm(x + skip, weight.shape, weight, bias, epsilon)


def _fast_gelu(x: Tensor, bias: Tensor) -> Tensor:
    return F.gelu(x + bias, approximate="tanh")


def _matmul(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    first, second = bool(node.get("transA", 0)), bool(node.get("transB", 0))
    alpha = float(node.get("alpha", 1.0))
    if node.get("transBatchA", 0) or node.get("transBatchB", 0):
        raise UserError("FusedMatMul: transposed batches are not known here")

    def call(a: Tensor, b: Tensor) -> Tensor:
        a, b = _together([a, b])
        made = torch.matmul(a.transpose(-1, -2) if first else a, b.transpose(-1, -2) if second else b)
        return made if alpha == 1.0 else made * alpha

    return call


def _conv(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    weight, bias = _weights(node, constants, device)
    pad, stride = _symmetric(node), node.get("strides", [1])
    dilation, groups = node.get("dilations", [1]), node.get("group", 1)
    return lambda x, *_: F.conv1d(x, weight, bias, stride, pad, dilation, groups)


def _conv_transpose(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    weight, bias = _weights(node, constants, device)
    pad, stride, more = _symmetric(node), node.get("strides", [1]), node.get("output_padding", [0])
    dilation, groups = node.get("dilations", [1]), node.get("group", 1)
    return lambda x, *_: F.conv_transpose1d(x, weight, bias, stride, pad, more, groups, dilation)


def _weights(node: _Node, constants: Mapping[str, Tensor], device: Any) -> tuple[Tensor, Tensor | None]:
    if any(name not in constants for name in node.inputs[1:]):
        raise UserError(f"{node.op}: expected constant weights")
    weight, *bias = (constants[name].to(device) for name in node.inputs[1:])
    if weight.ndim != 3:
        raise UserError(f"{node.op}: expected one dimension")
    return weight, bias[0] if bias else None


def _resize(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    scales = constants.get(node.inputs[2]) if len(node.inputs) > 2 else None
    kind = (node.get("mode", "nearest"), node.get("coordinate_transformation_mode", "half_pixel"))
    known = {("nearest", "asymmetric"): "nearest", ("linear", "half_pixel"): "linear"}
    if scales is None or scales.numel() != 3 or scales[:2].tolist() != [1.0, 1.0] or kind not in known:
        raise UserError(f"Resize: {kind} of these dimensions is not known here")
    if kind[0] == "nearest" and node.get("nearest_mode", "") != "floor":
        raise UserError("Resize: expected the nearest value before")
    scale, mode = float(scales[2]), known[kind]
    return lambda x, _: F.interpolate(x, scale_factor=scale, mode=mode)


def _pad(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    if node.get("mode", "constant") != "reflect":
        raise UserError("Pad: expected reflection")

    def call(x: Tensor, pads: Tensor) -> Tensor:
        sizes = pads.tolist()
        before, after = sizes[: x.ndim], sizes[x.ndim :]
        if any(before[:-1]) or any(after[:-1]):
            raise UserError("Pad: expected the last dimension only")
        return F.pad(x, (before[-1], after[-1]), mode="reflect") if before[-1] or after[-1] else x

    return call


def _stft(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    (hop,), (size,) = _known(node, constants, 1), _known(node, constants, 3)
    window = constants[node.inputs[2]].to(device)
    onesided = bool(node.get("onesided", 1))

    def call(x: Tensor, *_: Tensor) -> Tensor:
        signal = x.reshape(x.shape[0], x.shape[1])
        made = torch.stft(
            signal, size, hop, size, window, center=False, onesided=onesided, return_complex=True
        )  # fmt: skip
        return torch.view_as_real(made).transpose(1, 2)

    return call


def _lstm(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    """com.microsoft.DynamicQuantizeLSTM: weights [direction, input, 4 x hidden], gates in the order i, o, f, c."""
    names = dict(enumerate(node.inputs))
    if names.get(4) or names.get(7) or node.get("direction", "forward") != "bidirectional":
        raise UserError("DynamicQuantizeLSTM: expected both directions, no lengths and no peepholes")
    hidden = int(node.get("hidden_size"))

    def ordered(value: Tensor) -> Tensor:
        i, o, f, c = value.reshape(4, hidden, *value.shape[1:])
        return torch.cat([i, f, c, o])

    def floats(weights: int, scale: int, zero: int) -> Tensor:
        w, s, z = constants[names[weights]], constants[names[scale]], constants[names[zero]]
        shape = (2, 1, -1)
        return (w.float() - z.float().reshape(shape)) * s.reshape(shape)

    w, r, b = floats(1, 8, 9), floats(2, 10, 11), constants[names[3]]
    flat: list[Tensor] = []
    for way in range(2):
        flat += [ordered(value) for value in (w[way].T, r[way].T, *b[way].split(4 * hidden))]
    with torch.inference_mode(False):
        module = torch.nn.LSTM(w.shape[1], hidden, bidirectional=True)
        for name, value in zip(module._flat_weights_names, flat, strict=True):
            getattr(module, name).data.copy_(value)
        module.requires_grad_(False)
        module = module.to(device)
        module.flatten_parameters()
    state = [number for number in (5, 6) if names.get(number)]
    if len(state) != 2:
        raise UserError("DynamicQuantizeLSTM: expected initial states")
    first = sum(1 for number in range(5) if names.get(number))  # of the inputs that are there

    def call(*given: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        x = given[0]
        h, c = (given[first + n].to(x.device, non_blocking=True) for n in range(2))
        y, (h, c) = module(x, (h, c))
        return y.reshape(y.shape[0], y.shape[1], 2, hidden).transpose(1, 2), h, c

    return call


def _cumsum(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    (axis,) = _known(node, constants, 1)
    if node.get("exclusive", 0) or node.get("reverse", 0):
        raise UserError("CumSum: expected the plain sum")
    return lambda x, _: x.cumsum(axis)


def _dequantize(x: Tensor, scale: Tensor, zero: Tensor) -> Tensor:
    return (x.float() - float(zero)) * float(scale)


def _scatter(data: Tensor, indices: Tensor, updates: Tensor) -> Tensor:
    made = data.clone()
    at = tuple(indices.to(data.device).unbind(-1))
    made[at] = updates.to(data.device).to(data.dtype)
    return made


def _leaky(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    slope = node.get("alpha", 0.01)
    return lambda x: F.leaky_relu(x, slope)


def _softmax(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    axis = node.get("axis", -1)
    return lambda x: x.softmax(axis)


def _clip(node: _Node, constants: Mapping[str, Tensor], device: Any) -> Step:
    low, high = (
        float(constants[node.inputs[n]]) if len(node.inputs) > n and node.inputs[n] else None for n in (1, 2)
    )
    return lambda x, *_: x.clamp(low, high)


_MAKERS: dict[str, Maker] = {
    "Add": _two(torch.add), "Sub": _two(torch.sub), "Mul": _two(torch.mul), "Div": _two(_divide),
    "Equal": _two(torch.eq), "Greater": _two(torch.gt), "Less": _two(torch.lt),
    "GreaterOrEqual": _two(torch.ge), "And": _two(torch.logical_and), "Pow": _pow,
    "Sqrt": _one(torch.sqrt), "Floor": _one(torch.floor), "Sin": _one(torch.sin), "Cos": _one(torch.cos),
    "Exp": _one(torch.exp), "Atan": _one(_arc), "Tanh": _one(torch.tanh), "Sigmoid": _one(torch.sigmoid),
    "Round": _one(torch.round), "LeakyRelu": _leaky, "Softmax": _softmax, "Clip": _clip,
    "Shape": _one(lambda x: torch.tensor(x.shape, dtype=torch.int64)),
    "NonZero": _one(lambda x: x.nonzero().T), "Cast": _cast, "Gather": _gather, "Slice": _slice,
    "Reshape": _reshape, "Expand": lambda node, constants, device: _expand, "Unsqueeze": _unsqueeze,
    "Squeeze": _squeeze, "ReduceMean": _reduce(torch.mean), "ReduceSum": _reduce(torch.sum), "Concat": _concat,
    "Split": _split, "Transpose": _transpose, "ConstantOfShape": _filled, "Where": _where,
    "Range": lambda node, constants, device: lambda a, b, c: torch.arange(a.item(), b.item(), c.item()),
    "CumSum": _cumsum, "LayerNormalization": _layer_norm, "SkipLayerNormalization": _skip_layer_norm,
    "FastGelu": lambda node, constants, device: _fast_gelu, "MatMul": _matmul, "FusedMatMul": _matmul,
    "Conv": _conv, "ConvTranspose": _conv_transpose, "Resize": _resize, "Pad": _pad, "STFT": _stft,
    "DequantizeLinear": lambda node, constants, device: _dequantize, "DynamicQuantizeLSTM": _lstm,
    "ScatterND": lambda node, constants, device: _scatter,
}  # fmt: skip
