"""The first network: it learns each frame's phone from synthetic speech that knows it, and aligns all the rest.

Small and of short sight, so that it has to go by what is heard at a frame and not by where in a sentence the
frame lies. It is used for nothing but to say where the phones are in the other clips.
"""

from __future__ import annotations

import numpy as np
import torch
from torch import Tensor

from fieldassist.acoustic.augment import Augmenter
from fieldassist.acoustic.corpus import Speech
from fieldassist.acoustic.features import BINS, FRAME, RATE, SHIFT
from fieldassist.acoustic.layers import SUBSAMPLING
from fieldassist.acoustic.network import Shape, Trainee
from fieldassist.errors import UserError
from fieldassist.words.phones import STATES

SHAPE = Shape(width=384, narrow=96, reaches=(1, 3, 3, 3))
_RATE, _LAST_RATE = 2e-3, 1e-4
_CLEAN = 0.3
"""Share of batches that are left as they were spoken."""
_OTHER = -100
"""Target of an output that does not count."""


class Aligner:
    """Trained when it is made; then gives scores of states."""

    def __init__(
        self, speech: Speech, augmenter: Augmenter, updates: int = 1500, batch_seconds: float = 300.0
    ) -> None:
        """speech: clips with `phones`; others in it are left out. Raises UserError where none has them."""
        self.augmenter = augmenter
        self.device = augmenter.device
        known = [number for number, phones in enumerate(speech.phones) if len(phones)]
        if not known:
            raise UserError("training: no clip says where its phones are; add packs of the stage render")
        counts = np.array([len(speech.phones[number]) for number in known])
        begins, ends = speech.begins[known], speech.begins[np.array(known) + 1]
        self.samples = torch.from_numpy(speech.samples).to(self.device)
        self.phones = torch.from_numpy(np.concatenate([speech.phones[number] for number in known])).to(self.device)
        self.begins, self.lengths, self.counts, self.phone_begins = (
            torch.from_numpy(values).to(self.device)
            for values in (begins, ends - begins, counts, np.cumsum(counts) - counts)
        )
        self.trainee = Trainee(SHAPE).to(self.device)
        self.prior = torch.ones(STATES, device=self.device)
        optimizer = torch.optim.AdamW(self.trainee.parameters(), lr=_RATE, weight_decay=1e-2)
        schedule = torch.optim.lr_scheduler.CosineAnnealingLR(optimizer, updates, _LAST_RATE)
        batch = max(1, int(batch_seconds * RATE / float(self.lengths.float().mean())))
        for update in range(updates):
            chosen = torch.randint(len(known), (batch,), device=self.device)
            energies, frames, targets = self._drawn(chosen)
            if update == 0:
                every = energies[torch.arange(energies.shape[1], device=self.device)[None, :] < frames[:, None]]
                self.trainee.mean.copy_(every.mean(0))
                self.trainee.scale.copy_(1.0 / every.std(0).clamp_min(0.5))
            self.trainee.train()
            with torch.autocast(self.device.type, torch.bfloat16, enabled=self.device.type == "cuda"):
                scores = self.trainee(_padded(energies, frames), 0.1)[1]
            scores = scores.float()[:, : targets.shape[1]]
            loss = torch.nn.functional.cross_entropy(scores.transpose(1, 2), targets, ignore_index=_OTHER)
            optimizer.zero_grad(set_to_none=True)
            loss.backward()
            torch.nn.utils.clip_grad_norm_(self.trainee.parameters(), 5.0)
            optimizer.step()
            schedule.step()
            self.prior += torch.bincount(targets[targets != _OTHER], minlength=STATES)
            if update % 10 == 0 or update == updates - 1:  # waiting for the device each time would take longer
                self.loss = float(loss.detach())
        self.trainee.eval()
        del self.samples, self.phones
        self.prior = (self.prior / self.prior.sum()).log()

    @torch.no_grad()  # type: ignore[untyped-decorator, unused-ignore]
    def scores(self, energies: Tensor, frames: Tensor) -> Tensor:
        """(clips, frames, BINS) log energies to (clips, outputs, STATES) log likelihoods up to a constant.

        frames: how many each clip has; beyond a clip's ends its end frames count.
        """
        found = self.trainee(_padded(energies, frames))[1].log_softmax(2) - self.prior
        return found[:, : -(-energies.shape[1] // SUBSAMPLING)]

    def _drawn(self, chosen: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Energies of clips, some as they are and some varied, frames of each, and the right outputs."""
        length = self.lengths[chosen]
        size = int(length.max())
        outputs = -(-(1 + (size - FRAME) // SHIFT) // SUBSAMPLING)
        clips = self._rows(self.samples, self.begins[chosen], length, size, 0).float() / 32768.0
        counts = self.counts[chosen]
        phones = self._rows(self.phones, self.phone_begins[chosen], counts, outputs, _OTHER).long()
        if float(torch.rand(1)) > _CLEAN:
            clips = self.augmenter.vary(clips, length)
        further = torch.zeros_like(phones)
        further[:, 1:] = (phones[:, 1:] == phones[:, :-1]).long()
        targets = torch.where(phones == _OTHER, _OTHER, 2 * phones + further)
        return self.augmenter.energies(clips), 1 + (length - FRAME).clamp_min(0) // SHIFT, targets

    def _rows(self, values: Tensor, begins: Tensor, lengths: Tensor, size: int, filler: int) -> Tensor:
        """Stretches of one long row, (stretches, size), filled up behind."""
        steps = torch.arange(size, device=self.device)[None, :]
        rows = values[(begins[:, None] + steps).clamp_max(len(values) - 1)]
        return torch.where(steps < lengths[:, None], rows, torch.full_like(rows, filler))


def _padded(energies: Tensor, frames: Tensor) -> Tensor:
    """With each clip's own first and last frame on both sides, as much as the network looks away."""
    outputs = -(-energies.shape[1] // SUBSAMPLING)
    need = outputs * SUBSAMPLING - SUBSAMPLING + 1 + 2 * SHAPE.context
    place = torch.arange(need, device=energies.device)[None, :] - SHAPE.context
    place = torch.minimum(place.clamp_min(0), frames[:, None] - 1)
    return energies.gather(1, place[:, :, None].expand(-1, -1, BINS))
