"""Where each phone is in a clip, by an acoustic model that there is already.

Any model file of the same phones will do: an earlier model of this project, or one made elsewhere to the same
layout. Its network is run as its own configuration lines say, on whole clips.
"""

from __future__ import annotations

import re
import struct
from pathlib import Path

import numpy as np
import torch
from torch import Tensor

from fieldassist.acoustic.nnet3 import read_matrix
from fieldassist.errors import UserError

_AROUND = 100
"""Frames of padding at both ends, more than any network of ours looks away."""
_COMPONENT = re.compile(rb"<ComponentName> (\S+) <(\w+)> ")


class Aligner:
    """The network of a model file, on a device, at one output a frame."""

    def __init__(self, path: Path, device: torch.device) -> None:
        """Read affine layers, rectifiers and sums. Raises UserError for a file with anything else."""
        data = path.read_bytes()
        try:
            begin = data.index(b"<Nnet3> ")
            text = data[begin : data.index(b"<NumComponents>", begin)].decode()
            self.nodes = re.findall(r"component-node name=\S+ component=(\S+) input=(.+)", text)
            self.output = re.findall(r"output-node name=output input=(\S+)", text)[0]
            self.parts: dict[str, tuple[Tensor, Tensor] | bool] = {}
            for found in _COMPONENT.finditer(data):
                name, kind = found[1].decode(), found[2].decode()
                if kind != "FixedAffineComponent":
                    self.parts[name] = kind == "RectifiedLinearComponent"
                    continue
                weight, at = read_matrix(data, found.end() + len("<LinearParams> "))
                at += len("<BiasParams> FV \x04")
                (size,) = struct.unpack_from("<i", data, at)
                bias = np.frombuffer(data, "<f4", size, at + 4).copy()
                self.parts[name] = torch.from_numpy(weight.copy()).to(device), torch.from_numpy(bias).to(device)
        except (ValueError, IndexError, struct.error):
            raise UserError(f"{path}: not a model file whose network can be read for alignment") from None

    def scores(self, features: Tensor, frames: Tensor) -> Tensor:
        """(clips, frames, BINS) cepstra to (clips, frames, STATES) scores; frames: how many each clip has.

        Beyond a clip's ends its end frames count.
        """
        place = torch.arange(-_AROUND, features.shape[1] + _AROUND, device=features.device)[None, :]
        place = torch.minimum(place.clamp_min(0), frames[:, None] - 1)
        values = {"input": features.gather(1, place[:, :, None].expand(-1, -1, features.shape[2]))}
        for name, source in self.nodes:
            given = self._source(source, values)
            part = self.parts[name]
            if isinstance(part, tuple):
                values[name] = given @ part[0].T + part[1]
            else:
                values[name] = given.clamp_min(0) if part else given
        return values[self.output][:, _AROUND:-_AROUND]

    def _source(self, text: str, values: dict[str, Tensor]) -> Tensor:
        inside = re.fullmatch(r"(Append|Sum|Scale|Offset)\((.*)\)", text)
        if inside is None:
            return values[text]
        parts = re.findall(r"(?:\w+\([^()]*(?:\([^()]*\)[^()]*)*\)|[^,\s()]+)", inside[2])
        if inside[1] == "Append":
            return torch.cat([self._source(part, values) for part in parts], 2)
        if inside[1] == "Sum":
            return torch.stack([self._source(part, values) for part in parts]).sum(0)
        if inside[1] == "Scale":
            return float(parts[0]) * self._source(parts[1], values)
        frames = self._source(parts[0], values)
        place = torch.arange(frames.shape[1], device=frames.device) + int(parts[1])
        return frames[:, place.clamp(0, frames.shape[1] - 1)]
