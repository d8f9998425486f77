"""The network in PyTorch, for training; `plain` gives its matrices with the normalisations folded in."""

from __future__ import annotations

import operator
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from pickle import UnpicklingError

import numpy as np
import torch
from torch import Tensor, nn

from fieldassist.acoustic.features import BINS, cepstrum
from fieldassist.acoustic.layers import BYPASS, SUBSAMPLING, Layer, Matrix, Network
from fieldassist.errors import UserError
from fieldassist.words.phones import STATES


@dataclass(frozen=True)
class Shape:
    """The size of the network."""

    width: int = 512
    narrow: int = 128
    splice: int = 2
    """Frames on each side that the first layer sees."""
    reaches: tuple[int, ...] = (1, 3, 3, 3, 3, 3, 6, 6, 6, 6, 9, 9, 9)
    """How far each further layer looks, frames; the first, less than SUBSAMPLING, takes every third frame."""

    @property
    def context(self) -> int:
        """Frames that are looked at on each side."""
        return self.splice + sum(self.reaches)


class _Narrowed(nn.Module):  # type: ignore[misc]
    """A narrow linear layer over two frames, then an affine one over two, normalised and rectified."""

    def __init__(self, shape: Shape, reach: int) -> None:
        super().__init__()
        self.reach = reach
        self.stride = SUBSAMPLING if reach < SUBSAMPLING else 1
        self.step = reach if self.stride > 1 else reach // SUBSAMPLING
        self.narrow = nn.Conv1d(shape.width, shape.narrow, 2, dilation=self.step, bias=False)
        self.affine = nn.Conv1d(shape.narrow, shape.width, 2, dilation=self.step, stride=self.stride)
        self.normal = nn.BatchNorm1d(shape.width)

    def forward(self, frames: Tensor, drop: float) -> Tensor:
        out = torch.relu(self.normal(self.affine(self.narrow(frames))))
        if self.training and drop > 0:
            keep = torch.empty(out.shape[0], out.shape[1], 1, device=out.device).uniform_(1 - drop, 1 + drop)
            out = out * keep  # one factor for a unit over the whole clip, as in continuous dropout
        bypass = frames[:, :, self.step :: self.stride][:, :, : out.shape[2]]
        return out + BYPASS * bypass


class Trainee(nn.Module):  # type: ignore[misc]
    """Log mel energies (clips, frames, BINS), padded by the context, to two sets of scores (clips, outputs, ...).

    The first set, one score for a state (STATES), is what is kept, trained on whole sentences. The second
    (STATES too) is trained to tell each frame's state; it comes first in time, gives the first set its beginning
    and steadies it afterwards.
    """

    def __init__(self, shape: Shape) -> None:
        super().__init__()
        self.shape = shape
        self.register_buffer("mean", torch.zeros(BINS))
        self.register_buffer("scale", torch.ones(BINS))
        self.first = nn.Conv1d(BINS, shape.width, 2 * shape.splice + 1)
        self.first_normal = nn.BatchNorm1d(shape.width)
        self.blocks = nn.ModuleList(_Narrowed(shape, reach) for reach in shape.reaches)
        self.output = nn.Conv1d(shape.width, STATES, 1)
        self.states = nn.Conv1d(shape.width, STATES, 1)

    def forward(self, energies: Tensor, drop: float = 0.0) -> tuple[Tensor, Tensor]:
        frames = ((energies - self.mean) * self.scale).transpose(1, 2)
        frames = torch.relu(self.first_normal(self.first(frames)))
        for block in self.blocks:
            frames = block(frames, drop)
        with torch.autocast(frames.device.type, enabled=False):
            frames = frames.float()
            return self.output(frames).transpose(1, 2), self.states(frames).transpose(1, 2)

    def begin_states(self) -> None:
        """Start the scores of sentences from those of states."""
        self.output.load_state_dict(self.states.state_dict())


def load_weights(path: Path, device: torch.device | str = "cpu") -> dict[str, Tensor]:
    """Read what `Trainer.train` wrote. Raises UserError for another file."""
    try:
        return dict(torch.load(path, map_location=device))
    except (OSError, RuntimeError, ValueError, TypeError, UnpicklingError) as error:
        reason = error.strerror if isinstance(error, OSError) else "another kind of file"
        raise UserError(f"{path}: no weights of the stage train ({reason})") from None


def widened(weights: Mapping[str, Tensor], into: Mapping[str, Tensor]) -> dict[str, Tensor]:
    """Weights as wide as `into` that compute what those of a narrower network of the same reaches do.

    What is new is taken from `into` and not listened to by what was there (Chen et al., "Net2Net: accelerating
    learning via knowledge transfer", ICLR 2016, in its simplest form). Raises UserError where they are wider or
    of a network with other layers.
    """
    sizes = [(weights[name].shape, into[name].shape) for name in weights.keys() & into.keys()]
    fits = weights.keys() == into.keys() and all(
        len(old) == len(new) and all(map(operator.le, old, new)) for old, new in sizes
    )
    if not fits:
        raise UserError("weights: expected those of a network with the same layers, as wide or narrower")
    out = {name: value.clone() for name, value in into.items()}
    for name, value in out.items():
        old = weights[name].to(value.dtype)
        if value.dim() > 1:
            value[: old.shape[0], old.shape[1] :] = 0.0
            value[: old.shape[0], : old.shape[1]] = old
        elif value.dim() == 1:
            value[: len(old)] = old
        else:
            value.copy_(old)
    return out


def averaged(weights: Sequence[Mapping[str, Tensor]]) -> dict[str, Tensor]:
    """The mean of weights that one training came from or began with; all may be narrower than the last.

    It keeps what the first did well on speech that the others saw less of (Wortsman et al., "Robust fine-tuning of
    zero-shot models", CVPR 2022), and trainings from one beginning are better together than each (the same, "Model
    soups", ICML 2022).
    """
    *narrower, last = weights
    wide = [*(widened(each, last) for each in narrower), last]
    return {
        name: sum(each[name] for each in wide) / len(wide) if value.is_floating_point() else value
        for name, value in last.items()
    }


def plain(trainee: Trainee) -> Network:
    """The matrices over cepstra that compute what the trainee computes over log energies."""
    back = np.linalg.inv(cepstrum().astype(np.float64))  # cepstra @ back = log energies
    mean, scale = _numbers(trainee.mean), _numbers(trainee.scale)
    weight, bias = _folded(trainee.first, trainee.first_normal)
    bias = bias - np.einsum("ojk,j->o", weight, mean * scale)
    weight = np.einsum("ojk,j,cj->ock", weight, scale, back)
    splice = trainee.shape.splice
    layers = [Layer(tuple(range(-splice, splice + 1)), _rows(weight), bias.astype(np.float32))]
    for block in trainee.blocks:
        assert isinstance(block, _Narrowed)
        weight, bias = _folded(block.affine, block.normal)
        narrow = _rows(_numbers(block.narrow.weight))
        reach = block.reach
        layers.append(Layer((-reach, 0, reach), _rows(weight), bias.astype(np.float32), narrow, True))
    output = _numbers(trainee.output.weight)[:, :, 0].astype(np.float32)
    return Network(tuple(layers), output, _numbers(trainee.output.bias).astype(np.float32))


def restored(network: Network, energies: Sequence[Tensor]) -> Trainee:
    """The trainee whose `plain` is this network, to be trained on; its scores of states begin as those it keeps.

    energies: log energies (clips, frames, BINS) of varied speech, from which the normalisations take what is
    usual. The biases that an export added are part of the network. Raises UserError for other layers than ours.
    """
    first, *further = network.layers
    inner = [layer for layer in further if layer.narrow is not None]
    if first.narrow is not None or len(inner) != len(further):
        raise UserError("restore: expected one plain layer and narrowed ones behind it")
    reaches = tuple(layer.reach for layer in inner)
    narrow = len(inner[0].narrow) if inner and inner[0].narrow is not None else 0
    trainee = Trainee(Shape(len(first.bias), narrow, first.reach, reaches))
    every = torch.cat([part.reshape(-1, BINS) for part in energies])
    trainee.mean.copy_(every.mean(0))
    trainee.scale.copy_(1.0 / every.std(0).clamp_min(0.5))
    mean, scale = _numbers(trainee.mean), _numbers(trainee.scale)
    weight = np.einsum("ock,jc->ojk", _taps(first.weight, BINS), cepstrum().astype(np.float64))
    _fill(trainee.first.weight, weight / scale[:, None])
    _fill(trainee.first.bias, first.bias + np.einsum("ojk,j->o", weight, mean))
    normals = [(trainee.first, trainee.first_normal)]
    for block, layer in zip(trainee.blocks, inner, strict=True):
        assert isinstance(block, _Narrowed) and layer.narrow is not None
        _fill(block.narrow.weight, _taps(layer.narrow, block.narrow.in_channels))
        _fill(block.affine.weight, _taps(layer.weight, block.affine.in_channels))
        _fill(block.affine.bias, layer.bias)
        normals.append((block.affine, block.normal))
    for head in (trainee.output, trainee.states):
        _fill(head.weight, network.output_weight[:, :, None])
        _fill(head.bias, network.output_bias)
    for _, normal in normals:  # lets everything through
        nn.init.constant_(normal.running_var, 1.0 - normal.eps)
    trainee.eval()
    _settle(trainee, normals, energies)
    return trainee


@torch.no_grad()  # type: ignore[untyped-decorator, unused-ignore]
def _settle(
    trainee: Trainee, normals: Sequence[tuple[nn.Conv1d, nn.BatchNorm1d]], energies: Sequence[Tensor]
) -> None:
    """Give each normalisation the mean and spread of what comes to it, undone by its own gain and shift."""
    sums: list[list[Tensor]] = [[] for _ in normals]
    hooks = [
        layer.register_forward_hook(lambda _layer, _given, out, place=place: sums[place].append(_moments(out)))
        for place, (layer, _) in enumerate(normals)
    ]
    for part in energies:
        trainee(part)
    for hook in hooks:
        hook.remove()
    for (_, normal), found in zip(normals, sums, strict=True):
        count, total, squares = torch.stack(found).sum(0)
        mean = total / count
        normal.running_mean.copy_(mean)
        normal.running_var.copy_((squares / count - mean.square()).clamp_min(1e-6))
        normal.weight.copy_((normal.running_var + normal.eps).sqrt())
        normal.bias.copy_(mean)


def _moments(out: Tensor) -> Tensor:
    """Count, sum and sum of squares of each unit, (3, units)."""
    wide = out.double()
    count = torch.full_like(wide[0, :, 0], out.shape[0] * out.shape[2])
    return torch.stack([count, wide.sum((0, 2)), wide.square().sum((0, 2))])


def _taps(rows: Matrix, channels: int) -> np.ndarray:
    """(out, taps x in), the order of spliced frames, to (out, in, taps); `_rows` undone."""
    return np.asarray(rows, np.float64).reshape(len(rows), -1, channels).transpose(0, 2, 1)


def _fill(parameter: Tensor, values: np.ndarray) -> None:
    with torch.no_grad():
        parameter.copy_(torch.from_numpy(np.ascontiguousarray(values, np.float64)))


def _folded(layer: nn.Conv1d, normal: nn.BatchNorm1d) -> tuple[np.ndarray, np.ndarray]:
    """Weight (out, in, taps) and bias of a layer with the normalisation behind it."""
    gain = _numbers(normal.weight) / np.sqrt(_numbers(normal.running_var) + normal.eps)
    weight = _numbers(layer.weight) * gain[:, None, None]
    bias = (_numbers(layer.bias) - _numbers(normal.running_mean)) * gain + _numbers(normal.bias)
    return weight, bias


def _rows(weight: np.ndarray) -> Matrix:
    """(out, in, taps) to (out, taps x in), the order of spliced frames."""
    return np.ascontiguousarray(weight.transpose(0, 2, 1).reshape(weight.shape[0], -1), np.float32)


def _numbers(tensor: object) -> np.ndarray:
    assert isinstance(tensor, Tensor)
    return np.asarray(tensor.detach().cpu().double().numpy())
