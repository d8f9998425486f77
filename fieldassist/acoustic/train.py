"""Training of the acoustic model: first the state of every frame, then whole sentences against each other.

The first part is cross-entropy on the states that an earlier model finds in the clean clips; the second is
lattice-free maximum mutual information from there. Every clip is varied anew each time it is used.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import torch
from torch import Tensor

from fieldassist.acoustic.align import Aligner
from fieldassist.acoustic.augment import Augmenter, Strength, resampled
from fieldassist.acoustic.corpus import Speech, joined, load_pack
from fieldassist.acoustic.features import BINS, FRAME, RATE, SHIFT, cepstrum
from fieldassist.acoustic.hmm import PhoneModel, Sentence, aligned, anything, phone_model, said, sentence, stacked
from fieldassist.acoustic.layers import SUBSAMPLING
from fieldassist.acoustic.network import Shape, Trainee
from fieldassist.phrases.phonemes import pronunciations
from fieldassist.words.phones import STATES, phone_index

_LEAD, _TRAIL = 0.4, 0.5
"""Seconds of further noise before and after a clip, at most."""


@dataclass(frozen=True)
class Plan:
    """How long and how the network is trained."""

    updates: int = 8000
    minutes: float = math.inf
    """Stop, with the same schedule compressed, after so much time."""
    states: float = 0.5
    """Share of the training before whole sentences are trained."""
    batch_seconds: float = 400.0
    whole_batches: float = 3.0
    """How much larger the batches of whole sentences are: their cost is in the frames, not in the clips."""
    rate: float = 2e-3
    final_rate: float = 2e-5
    decay: float = 1e-2
    drop: float = 0.15
    smooth: float = 1e-5
    """Weight of the squared scores: keeps them from growing."""
    states_weight: float = 0.1
    """Weight of the first part's objective in the second part."""
    average: float = 0.998
    """How slowly the kept weights follow the trained ones."""
    weights: tuple[tuple[str, float], ...] = ()
    """Group -> how many times each of its clips is used in one round (default 1)."""
    held_out: tuple[str, ...] = ()
    """Speakers (or files) that are only listened to."""
    shape: Shape = field(default_factory=Shape)
    strength: Strength = field(default_factory=Strength)
    seed: int = 1


class Trainer:
    """Material and network on one device."""

    def __init__(
        self,
        packs: Sequence[Path],
        noise: np.ndarray,
        plan: Plan,
        device: str,
        aligner: Path,
        begin: Path | None = None,
    ) -> None:
        """packs: pack files or folders of them, looked through again for new ones while training goes on.

        begin: weights to start from; with `plan.states` 0 the second part goes on from there.
        """
        self.plan = plan
        self.device = torch.device(device)
        self.places = tuple(packs)
        self.seen: set[Path] = set()
        self.random = np.random.default_rng(plan.seed)
        torch.manual_seed(plan.seed)
        self.augmenter = Augmenter(torch.from_numpy(noise), self.device, plan.strength, plan.seed)
        self.samples = torch.zeros(0, dtype=torch.int16, device=self.device)
        self.where: list[tuple[int, int]] = []
        self.states: list[Tensor] = []
        self.aligner = Aligner(aligner, self.device)
        self.sentences: list[Sentence] = []
        self.words: list[tuple[str, ...]] = []
        self.use: list[float] = []
        self.listened: list[int] = []
        self.look_for_packs()
        self.moved: tuple[Tensor, Tensor] = (torch.zeros(0), torch.zeros(0))
        self.trainee = Trainee(plan.shape).to(self.device)
        self.phones = self._phone_model()
        if begin is not None:
            self.trainee.load_state_dict(torch.load(begin, map_location=self.device))
        else:
            self._set_scale()
        self.kept = {name: value.clone() for name, value in self.trainee.state_dict().items()}

    def look_for_packs(self) -> bool:
        """Load packs that were not there before; True when there were any."""
        found: list[Path] = []
        for place in self.places:
            found += sorted(place.glob("*.npz")) if place.is_dir() else [place]
        fresh = [path for path in found if path not in self.seen]
        if not fresh:
            return False
        self.seen.update(fresh)
        self._add(joined([load_pack(path) for path in fresh]))
        return True

    def _add(self, speech: Speech) -> None:
        before = len(self.samples)
        self.samples = torch.cat([self.samples, torch.from_numpy(speech.samples).to(self.device)])
        usage = dict(self.plan.weights)
        known: dict[tuple[str, ...], Sentence] = {}
        for clip, words in enumerate(speech.words):
            begin, end = int(speech.begins[clip]), int(speech.begins[clip + 1])
            if words not in known:
                known[words] = sentence(words)
            phones = [phone_index(phone) for word in words for phone in pronunciations(word)[0]]
            if (end - begin) / SHIFT / SUBSAMPLING < 1.2 * len(phones) or end - begin > 20 * RATE:
                continue
            listened = speech.speakers[clip] in self.plan.held_out
            if listened:
                self.listened.append(len(self.where))
            self.where.append((before + begin, before + end))
            self.sentences.append(known[words])
            self.words.append(words)
            self.use.append(0.0 if listened else usage.get(speech.groups[clip], 1.0))
        with torch.no_grad():
            self._align(list(range(len(self.states), len(self.where))))

    def _align(self, fresh: list[int]) -> None:
        """Find the state of each output of the clean clips; a clip that does not fit is used no more."""
        order = sorted(fresh, key=lambda clip: self.where[clip][1] - self.where[clip][0])
        self.states += [torch.zeros(0, dtype=torch.long)] * len(fresh)
        transform = torch.from_numpy(cepstrum()).to(self.device)
        for first in range(0, len(order), 64):
            batch = order[first : first + 64]
            clips, lengths = self._audio(batch, still=True)
            energies = self.augmenter.energies(clips, warp=False)
            frames = 1 + (lengths - FRAME).clamp_min(0) // SHIFT
            outputs = -(-frames // SUBSAMPLING)
            scores = torch.zeros(len(batch), int(outputs.max()), STATES, device=self.device)
            for row, count in enumerate(frames.tolist()):
                found = self.aligner.scores(energies[row, :count] @ transform)[::SUBSAMPLING]
                scores[row, : len(found)] = found
            likelihood, states = aligned(
                scores, outputs, stacked([self.sentences[c] for c in batch]).to(self.device)
            )
            for row, clip in enumerate(batch):
                self.states[clip] = states[row, : int(outputs[row])].clone()
                if not math.isfinite(float(likelihood[row])):
                    self.use[clip] = 0.0

    def _targets(self, batch: list[int], lead: Tensor, speeds: Tensor, size: int) -> Tensor:
        """The network's output that is right for each varied frame, (clips, size)."""
        longest = max(len(self.states[clip]) for clip in batch)
        states = torch.zeros(len(batch), longest, dtype=torch.long, device=self.device)
        counts = torch.tensor([len(self.states[clip]) for clip in batch], device=self.device)
        for row, clip in enumerate(batch):
            states[row, : len(self.states[clip])] = self.states[clip]
        time = torch.arange(size, device=self.device)[None, :] * (SUBSAMPLING * SHIFT) - lead[:, None]
        place = (time * speeds[:, None] / (SUBSAMPLING * SHIFT)).round().long()
        inside = (place >= 0) & (place < counts[:, None])
        index = states.gather(1, place.clamp_min(0).minimum(counts[:, None] - 1))
        phone = stacked([self.sentences[clip] for clip in batch]).phone.to(self.device).gather(1, index)
        phone = torch.where(inside, phone, torch.zeros_like(phone))
        index = torch.where(inside, index, torch.full_like(index, -1))
        further = torch.zeros_like(index)
        further[:, 1:] = (index[:, 1:] == index[:, :-1]) | ((phone[:, 1:] == 0) & (phone[:, :-1] == 0))
        return 2 * phone + further

    def _phone_model(self) -> PhoneModel:
        words = [words for words, use in zip(self.words, self.use, strict=True) if use > 0]
        return phone_model(words, self.plan.seed).to(self.device)

    def _set_scale(self) -> None:
        """Mean and spread of the energies over a few varied batches."""
        found = []
        for number, batch in enumerate(self._batches(self.plan.batch_seconds)):
            energies, frames = self._energies(batch)
            valid = torch.arange(energies.shape[1], device=self.device)[None, :] < frames[:, None]
            found.append(energies[valid])
            if number == 3:
                break
        every = torch.cat(found)
        self.trainee.mean.copy_(every.mean(0))
        self.trainee.scale.copy_(1.0 / every.std(0).clamp_min(0.5))

    def _batches(self, seconds: float) -> Iterator[list[int]]:
        """One round over the material, clips of like length together, so many seconds in a batch."""
        use = np.array(self.use)
        times = np.floor(use + self.random.random(len(use))).astype(int)
        order = np.repeat(np.arange(len(use)), times)
        length = np.array([end - begin for begin, end in self.where]) / RATE + _LEAD + _TRAIL
        order = order[np.argsort(length[order] * self.random.uniform(0.85, 1.15, len(order)))]
        batches: list[list[int]] = [[]]
        longest = 0.0
        for clip in order:
            longest = max(longest, length[clip] * 1.15)
            if batches[-1] and longest * (len(batches[-1]) + 1) > seconds:
                batches.append([])
                longest = length[clip] * 1.15
            batches[-1].append(int(clip))
        self.random.shuffle(batches)
        yield from batches

    def _audio(self, batch: list[int], still: bool = False) -> tuple[Tensor, Tensor]:
        """Clips of full scale 1 with some quiet around, at a drawn speed (clips, samples), and their lengths."""
        places = torch.tensor([self.where[clip] for clip in batch], device=self.device)
        lengths = places[:, 1] - places[:, 0]
        steps = torch.arange(int(lengths.max()) + 8, device=self.device)[None, :]
        raw = self.samples[(places[:, :1] + steps).clamp_max(len(self.samples) - 1)].float() / 32768.0
        raw = torch.where(steps < lengths[:, None], raw, torch.zeros_like(raw))
        if still:
            return raw, lengths
        speeds = self.augmenter.speeds(len(batch))
        played = (lengths / speeds).long()
        lead = (self.augmenter.uniform(len(batch), 0, _LEAD) * RATE).long()
        trail = (self.augmenter.uniform(len(batch), 0, _TRAIL) * RATE).long()
        total = lead + played + trail
        out = resampled(raw, speeds, int(played.max()))
        place = torch.arange(int(total.max()), device=self.device)[None, :] - lead[:, None]
        inside = (place >= 0) & (place < played[:, None])
        moved = out.gather(1, place.clamp(0, out.shape[1] - 1))
        self.moved = lead, speeds
        return torch.where(inside, moved, torch.zeros_like(moved)), total

    def _energies(self, batch: list[int], still: bool = False) -> tuple[Tensor, Tensor]:
        """Log energies (clips, frames, BINS) of varied clips, and the number of frames of each."""
        clips, lengths = self._audio(batch, still)
        clips = self.augmenter.vary(clips, lengths)
        frames = 1 + (lengths - FRAME).clamp_min(0) // SHIFT
        return self.augmenter.energies(clips, warp=not still), frames

    def _input(self, energies: Tensor, frames: Tensor) -> tuple[Tensor, Tensor]:
        """Padded by the context with each clip's own first and last frame; and the outputs of each clip."""
        context = self.plan.shape.context
        outputs = -(-frames // SUBSAMPLING)
        need = int(outputs.max()) * SUBSAMPLING - SUBSAMPLING + 1 + 2 * context
        place = torch.arange(need, device=self.device)[None, :] - context
        place = torch.minimum(place.clamp_min(0), frames[:, None] - 1)
        return energies.gather(1, place[:, :, None].expand(-1, -1, BINS)), outputs

    def train(self, out: Path, say: bool = True) -> None:
        """Train, and write the kept weights to `out` at the end and now and then on the way."""
        plan = self.plan
        began = time.monotonic()
        optimizer = torch.optim.AdamW(self.trainee.parameters(), lr=plan.rate, weight_decay=plan.decay)
        update, turned = 0, False
        sums: dict[str, float] = {}
        batches = self._batches(plan.batch_seconds)
        while True:
            progress = max(update / plan.updates, (time.monotonic() - began) / 60 / plan.minutes)
            if progress >= 1:
                break
            batch = next(batches, None)
            if batch is None:
                if self.look_for_packs():
                    self.phones = self._phone_model()
                batches = self._batches(plan.batch_seconds * (plan.whole_batches if turned else 1.0))
                continue
            if progress >= plan.states and not turned:
                turned = True
                if plan.states > 0:
                    self.trainee.begin_states()
                batches = self._batches(plan.batch_seconds * plan.whole_batches)
                continue
            for group in optimizer.param_groups:
                group["lr"] = _rate(progress, plan)
            values = self._update(batch, optimizer, whole=turned)
            update += 1
            for name, value in values.items():
                sums[name] = sums.get(name, 0.0) + value
            follow = min(plan.average, (update + 1) / (update + 10))
            for name, value in self.trainee.state_dict().items():
                kept = self.kept[name]
                if kept.is_floating_point():
                    kept.mul_(follow).add_(value, alpha=1 - follow)
                else:
                    kept.copy_(value)
            if update % 100 == 0:
                line = {
                    name: round(value / sums["updates"], 4) for name, value in sums.items() if name != "updates"
                }
                line |= {"update": update, "progress": round(progress, 3), "hours": round(self.hours, 2),
                         "seconds": round(time.monotonic() - began, 1)}  # fmt: skip
                if say:
                    print(json.dumps(line), flush=True)
                sums = {}
            if update % 1000 == 0:
                torch.save(self.kept, out)
        torch.save(self.kept, out)
        if self.listened:
            with torch.no_grad():
                print(json.dumps({"held out": self.listen()}), flush=True)

    @property
    def hours(self) -> float:
        """Length of the material."""
        return len(self.samples) / RATE / 3600

    def _update(self, batch: list[int], optimizer: torch.optim.Optimizer, whole: bool) -> dict[str, float]:
        plan = self.plan
        self.trainee.train()
        energies, frames = self._energies(batch)
        energies = self.augmenter.masked(energies, self.trainee.mean)
        given, outputs = self._input(energies, frames)
        scores, guesses = self.trainee(given, plan.drop)
        count = float(outputs.sum())
        right = self._targets(batch, *self.moved, int(scores.shape[1]))
        valid = torch.arange(right.shape[1], device=self.device)[None, :] < outputs[:, None]
        losses = torch.nn.functional.cross_entropy(guesses[valid], right[valid], reduction="none")
        loss = losses.mean()
        values = {"states": float(loss.detach()), "updates": 1.0,
                  "right": float((guesses.detach().argmax(2) == right)[valid].float().mean())}  # fmt: skip
        if whole:
            sentences = stacked([self.sentences[clip] for clip in batch]).to(self.device)
            with torch.no_grad():
                likely, target = said(scores.detach(), outputs, sentences)
                possible, other = anything(scores.detach(), outputs, self.phones)
                fits = torch.isfinite(likely)
                other = other * fits[:, None, None]
            loss = plan.states_weight * loss + (scores * (other - target)).sum() / count
            loss = loss + plan.smooth * scores.square().sum(2).mean()
            values["gain"] = float(torch.where(fits, likely - possible.double(), 0.0).sum()) / count
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.trainee.parameters(), 5.0)
        optimizer.step()
        return values

    def listen(self) -> float:
        """Mean gain (sentence against any sentence, nats for an output) of the kept weights on held-out clips."""
        trained = {name: value.clone() for name, value in self.trainee.state_dict().items()}
        self.trainee.load_state_dict(self.kept)
        self.trainee.eval()
        total, count = 0.0, 0.0
        for begin in range(0, len(self.listened), 40):
            batch = self.listened[begin : begin + 40]
            given, outputs = self._input(*self._energies(batch, still=True))
            scores, _ = self.trainee(given)
            likely, _ = said(scores, outputs, stacked([self.sentences[c] for c in batch]).to(self.device))
            possible, _ = anything(scores, outputs, self.phones)
            total += float((likely - possible.double()).sum())
            count += float(outputs.sum())
        self.trainee.load_state_dict(trained)
        return total / count


def _rate(progress: float, plan: Plan) -> float:
    """Learning rate: a short rise, then half a cosine."""
    if progress < 0.03:
        return plan.rate * (0.05 + 0.95 * progress / 0.03)
    share = (progress - 0.03) / 0.97
    return plan.final_rate + (plan.rate - plan.final_rate) * 0.5 * (1 + math.cos(math.pi * share))


def load_trainee(path: Path, shape: Shape) -> Trainee:
    """The network with weights that `Trainer.train` wrote, ready to be made plain."""
    trainee = Trainee(shape)
    trainee.load_state_dict(torch.load(path, map_location="cpu"))
    trainee.eval()
    return trainee
