"""The network as plain matrices: what is written to the decoder's file, and run by numpy as a second opinion.

A stack of affine layers over a few neighbouring frames, most with a narrow linear layer before them (a
factorised time-delay network: Povey et al., "Semi-orthogonal low-rank matrix factorization for deep neural
networks", Interspeech 2018), each with a rectifier and a scaled bypass around it; one output every third frame.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Matrix = npt.NDArray[np.float32]

SUBSAMPLING = 3
"""Frames for one output."""
BYPASS = 0.66


@dataclass(frozen=True)
class Layer:
    """`rectifier(weight @ frames + bias) + BYPASS x input`, the frames being `offsets` away, one after another.

    With a `narrow` matrix: narrow @ (frames -offset and 0), then weight @ (those of 0 and +offset) + bias.
    """

    offsets: tuple[int, ...]
    """In frames of 10 ms. With a narrow matrix (-offset, 0, +offset)."""
    weight: Matrix
    bias: Matrix
    narrow: Matrix | None = None
    bypass: bool = False

    @property
    def reach(self) -> int:
        """How far it looks, frames."""
        return max(self.offsets)

    @property
    def stride(self) -> int:
        """It gives one output for so many inputs."""
        return SUBSAMPLING if self.narrow is not None and self.reach < SUBSAMPLING else 1

    def given(self, frames: Matrix, step: int) -> Matrix:
        """What the first matrix (the narrow one, if any) is given, where inputs are `step` frames apart."""
        if self.narrow is None:
            return spliced(frames, [o // step for o in self.offsets], 1)
        return spliced(frames, [0, self.reach // step], 1)

    def given_inside(self, given: Matrix, step: int) -> Matrix:
        """What the second matrix is given by the narrow one."""
        assert self.narrow is not None
        return spliced(given @ self.narrow.T, [0, self.reach // step], self.stride)

    def outputs(self, frames: Matrix, step: int) -> Matrix:
        """What the next layer is given, its inputs being `step` x `stride` frames apart."""
        given = self.given(frames, step)
        if self.narrow is not None:
            given = self.given_inside(given, step)
        out = np.asarray(np.maximum(given @ self.weight.T + self.bias, 0.0), np.float32)
        if self.bypass:
            out += BYPASS * frames[self.reach // step :][: len(out) * self.stride : self.stride]
        return out


@dataclass(frozen=True)
class Network:
    """Layers from cepstra to scores, (frames, BINS) -> (frames / SUBSAMPLING, STATES)."""

    layers: tuple[Layer, ...]
    output_weight: Matrix
    output_bias: Matrix

    @property
    def context(self) -> int:
        """Frames that are looked at on each side."""
        return sum(max(layer.offsets) for layer in self.layers)

    @property
    def parameters(self) -> int:
        """Numbers in all matrices."""
        count = self.output_weight.size + self.output_bias.size
        for layer in self.layers:
            count += layer.weight.size + layer.bias.size + (0 if layer.narrow is None else layer.narrow.size)
        return count

    def scores(self, features: Matrix) -> Matrix:
        """Scores (log likelihoods up to a constant) of every third frame, (ceil(frames / 3), STATES)."""
        hidden = self.hidden(features)
        return np.asarray(hidden @ self.output_weight.T + self.output_bias, np.float32)

    def hidden(self, features: Matrix) -> Matrix:
        """What the output layer is given, (ceil(frames / 3), width); the clip's ends are repeated as context."""
        frames = self.padded(features)
        step = 1
        for layer in self.layers:
            frames = layer.outputs(frames, step)
            step *= layer.stride
        return frames[: -(-len(features) // SUBSAMPLING)]

    def padded(self, features: Matrix) -> Matrix:
        """The clip with its ends repeated as context."""
        context = self.context
        extra = (-len(features)) % SUBSAMPLING - SUBSAMPLING + 1  # of the last output's own place, never positive
        return np.pad(features, ((context, context + max(0, extra)), (0, 0)), mode="edge")

    def with_output(self, weight: Matrix, bias: Matrix) -> Network:
        """The same network with another output layer."""
        return replace(self, output_weight=weight, output_bias=bias)


def spliced(frames: Matrix, offsets: list[int], stride: int) -> Matrix:
    """Frames beside each other, those at the offsets (in rows), for every `stride`-th place that has them all."""
    low, high = min(offsets), max(offsets)
    count = len(frames) - (high - low)
    return np.concatenate([frames[o - low : o - low + count : stride] for o in offsets], axis=1)
