"""Weights on the few values that the model file can hold, so that the network's scores change least.

Columns are rounded one after another, and what each loses is made up for by those still to come, as far as the
layer's inputs go together (Frantar et al., "GPTQ: accurate post-training quantization for generative pre-trained
transformers", ICLR 2023). The layers follow each other, each given what the rounded ones before it make of speech.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from fieldassist.acoustic.corpus import Speech
from fieldassist.acoustic.features import RATE, cepstra
from fieldassist.acoustic.layers import Matrix, Network
from fieldassist.acoustic.nnet3 import compressed, expanded

_DAMPING = 0.01
"""Of the mean power of the inputs: keeps the inverse tame where inputs hardly vary."""
_ROOM = 1.05
"""What is made up for can take a weight beyond the range that it had."""


_CLIPS, _SECONDS = 40, 8


def varied(speech: Speech, seed: int = 0) -> list[Matrix]:
    """Cepstra (frames, BINS) of the first clips, at drawn levels, every second in white noise 0 to 20 dB below."""
    rng = np.random.default_rng(seed)
    out = []
    for number in range(min(_CLIPS, len(speech))):
        begin = int(speech.begins[number])
        end = min(int(speech.begins[number + 1]), begin + _SECONDS * RATE)
        clip = speech.samples[begin:end].astype(np.float64)
        if number % 2:
            clip += rng.standard_normal(len(clip)) * clip.std() * 10 ** (-rng.uniform(0, 20) / 20)
        clip *= 10 ** rng.uniform(-1, 0)
        out.append(cepstra(np.clip(np.rint(clip), -32768, 32767).astype(np.int16)))
    return out


def rounded(network: Network, speech: Sequence[Matrix]) -> Network:
    """The network with rounded weights; `speech`: cepstra (frames, BINS) of clips like those that it will hear."""
    layers = []
    clips = [network.padded(features) for features in speech]
    step = 1
    for layer in network.layers:
        given = [layer.given(frames, step) for frames in clips]
        if layer.narrow is not None:
            layer = replace(layer, narrow=_rounded(layer.narrow, given))
            given = [layer.given_inside(frames, step) for frames in given]
        layer = replace(layer, weight=_rounded(layer.weight, given))
        layers.append(layer)
        clips = [layer.outputs(frames, step) for frames in clips]
        step *= layer.stride
    return Network(tuple(layers), _rounded(network.output_weight, clips), network.output_bias)


def _rounded(weights: Matrix, given: Sequence[Matrix]) -> Matrix:
    """Weights (outputs, inputs) that take what is given (frames, inputs) to nearly the same outputs."""
    power = np.zeros((weights.shape[1], weights.shape[1]))
    for frames in given:
        wide = frames.astype(np.float64)
        power += wide.T @ wide
    power += np.eye(len(power)) * max(_DAMPING * float(np.diag(power).mean()), 1e-9)
    onward = np.linalg.cholesky(np.linalg.inv(power)).T  # row c: how those from c on make up for c
    left = weights.astype(np.float64)
    low, high = float(left.min()) * _ROOM, float(left.max()) * _ROOM
    out = np.empty_like(weights)
    for column in range(len(power)):
        marks, numbers = compressed(left[:, column : column + 1], low, high - low)
        out[:, column] = expanded(marks, numbers, low, high - low)[:, 0]
        lost = (left[:, column] - out[:, column]) / onward[column, column]
        left[:, column:] -= np.outer(lost, onward[column, column:])
    return out
