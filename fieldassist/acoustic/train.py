"""Training of the acoustic model: first the state of every frame, then whole sentences against each other.

A small network learns from synthetic speech that knows its phones, and finds the states in all clean clips. The
first part of training is cross-entropy on these states; the second is lattice-free maximum mutual information from
there. Every clip is varied anew each time it is used. Batches have a few fixed sizes, so that a GPU can replay
what it has done before.
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

from fieldassist.acoustic.augment import Augmenter, Strength, resampled
from fieldassist.acoustic.captured import Captured
from fieldassist.acoustic.corpus import Speech, joined, load_pack, packs_in
from fieldassist.acoustic.features import BINS, FRAME, RATE, SHIFT
from fieldassist.acoustic.first import Aligner
from fieldassist.acoustic.hmm import (
    PhoneModel,
    Sentence,
    Sentences,
    aligned,
    anything,
    phone_model,
    said,
    sentence,
    stacked,
)
from fieldassist.acoustic.layers import SUBSAMPLING
from fieldassist.acoustic.network import Shape, Trainee, load_weights, widened
from fieldassist.phrases.phonemes import pronunciations
from fieldassist.words.phones import phone_index

_LEAD, _TRAIL = 1.5, 1.5
"""Seconds of further noise before and after a clip, at most. With 0.4 and 0.5 the network took noise for words."""
_OUTPUT = SUBSAMPLING * SHIFT
"""Samples for one output."""
_SIZES = (48, 64, 80, 96, 120, 144, 176, 216, 264, 336, 420)
"""Outputs of a batch's clips, padded to one of these."""
_LONGEST = 8.0
"""Seconds; longer clips are cut at pauses."""
_PIECE = 2.5
"""Seconds after which a long clip may be cut."""
_PAUSE = 4
"""Outputs of silence that a cut needs."""


@dataclass(frozen=True)
class Plan:
    """How long and how the network is trained."""

    updates: int = 8000
    minutes: float = math.inf
    """Stop, with the same schedule compressed, after so much time."""
    states: float = 0.5
    """Share of the training before whole sentences are trained."""
    batch_seconds: float = 800.0
    rate: float = 2e-3
    final_rate: float = 2e-5
    decay: float = 1e-2
    drop: float = 0.2
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


@dataclass(frozen=True)
class _Batch:
    clips: list[int]
    size: int
    """Outputs of each, with what is only padding."""


class Trainer:
    """Material and network on one device."""

    def __init__(
        self,
        packs: Sequence[Path],
        noise: np.ndarray,
        plan: Plan,
        device: str,
        begin: Path | None = None,
    ) -> None:
        """packs: pack files or folders of them, looked through again for new ones while training goes on.

        begin: weights to start from, of this or a narrower network; with `plan.states` 0 the second part goes on
        from there.
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
        self.sentences: list[Sentence] = []
        self.words: list[tuple[str, ...]] = []
        self.use: list[float] = []
        self.listened: list[int] = []
        self.states = torch.zeros(0, dtype=torch.int16, device=self.device)
        """State of its sentence at each output of each clip, one clip after another; and the phone there."""
        self.state_phones = torch.zeros(0, dtype=torch.int16, device=self.device)
        self.state_begins: list[int] = [0]
        self.aligner: Aligner | None = None
        self.known: dict[tuple[str, ...], Sentence] = {}
        self.said = Captured(_said)
        self.anything = Captured(_anything)
        self.look_for_packs()
        self.trainee = Trainee(plan.shape).to(self.device)
        if begin is not None:
            weights = load_weights(begin, self.device)
            self.trainee.load_state_dict(widened(weights, self.trainee.state_dict()))
        else:
            self._set_scale()
        self.kept = {name: value.clone() for name, value in self.trainee.state_dict().items()}

    def look_for_packs(self) -> bool:
        """Load packs that were not there before; True when there were any."""
        fresh = [path for path in packs_in(self.places) if path not in self.seen]
        if not fresh:
            return False
        self.seen.update(fresh)
        speech = joined([load_pack(path) for path in fresh])
        self.aligner = self.aligner or Aligner(speech, self.augmenter)
        self._add(speech)
        return True

    @property
    def hours(self) -> float:
        """Length of the material."""
        return len(self.samples) / RATE / 3600

    def _add(self, speech: Speech) -> None:
        before = len(self.samples)
        self.samples = torch.cat([self.samples, torch.from_numpy(speech.samples).to(self.device)])
        usage = dict(self.plan.weights)
        fresh: list[int] = []
        long: list[tuple[int, int, tuple[str, ...], float]] = []
        for number, words in enumerate(speech.words):
            begin, end = int(speech.begins[number]), int(speech.begins[number + 1])
            phones = [phone_index(phone) for word in words for phone in pronunciations(word)[0]]
            if (end - begin) / _OUTPUT < 1.2 * len(phones):
                continue
            listened = speech.speakers[number] in self.plan.held_out
            use = 0.0 if listened else usage.get(speech.groups[number], 1.0)
            if end - begin <= _LONGEST * RATE:
                if listened:
                    self.listened.append(len(self.where))
                fresh.append(self._clip(before + begin, before + end, words, use))
            elif not listened:
                long.append((before + begin, before + end, words, use))
        long.sort(key=lambda clip: clip[1] - clip[0])
        for at in range(0, len(long), 48):
            fresh += [self._clip(*piece) for piece in self._cut(long[at : at + 48])]
        self._align(fresh)

    def _clip(self, begin: int, end: int, words: tuple[str, ...], use: float) -> int:
        if words not in self.known:
            self.known[words] = sentence(words)
        self.where.append((begin, end))
        self.sentences.append(self.known[words])
        self.words.append(words)
        self.use.append(use)
        return len(self.where) - 1

    @torch.no_grad()  # type: ignore[untyped-decorator, unused-ignore]
    def _cut(
        self, clips: list[tuple[int, int, tuple[str, ...], float]]
    ) -> Iterator[tuple[int, int, tuple[str, ...], float]]:
        """Pieces of long clips (begin, end, words, use), cut in the middle of their pauses."""
        lengths = [end - begin for begin, end, _, _ in clips]
        sound = torch.zeros(len(clips), max(lengths), device=self.device)
        for row, (begin, end, _, _) in enumerate(clips):
            sound[row, : end - begin] = self.samples[begin:end].float() / 32768.0
        items = [sentence(words) for _, _, words, _ in clips]
        likelihood, states = self._heard(sound, lengths, items)
        for row, (begin, end, words, use) in enumerate(clips):
            if math.isfinite(float(likelihood[row])):
                count = -(-(1 + (end - begin - FRAME) // SHIFT) // SUBSAMPLING)
                for first, last, part in _pieces(states[row, :count].cpu().numpy(), items[row]):
                    stop = end if last == count else begin + last * _OUTPUT
                    yield begin + first * _OUTPUT, stop, words[part], use

    def _heard(self, clips: Tensor, lengths: list[int], items: list[Sentence]) -> tuple[Tensor, Tensor]:
        """Log likelihoods and states (clips, outputs) that the first network finds in clean clips."""
        assert self.aligner is not None
        energies = self.augmenter.energies(clips, warp=False)
        frames = torch.tensor([1 + max(0, length - FRAME) // SHIFT for length in lengths], device=self.device)
        scores = self.aligner.scores(energies, frames)
        return aligned(scores, -(-frames // SUBSAMPLING), stacked(items).to(self.device))

    @torch.no_grad()  # type: ignore[untyped-decorator, unused-ignore]
    def _align(self, fresh: list[int]) -> None:
        """Find the state of each output of the clean clips; a clip that does not fit is used no more."""
        order = sorted(fresh, key=lambda clip: self.where[clip][1] - self.where[clip][0])
        found: dict[int, Tensor] = {}
        fits: dict[int, Tensor] = {}
        for first in range(0, len(order), 128):
            batch = order[first : first + 128]
            lengths = [self.where[clip][1] - self.where[clip][0] for clip in batch]
            likelihood, states = self._heard(
                self._raw(batch, max(lengths)), lengths, [self.sentences[c] for c in batch]
            )
            for row, clip in enumerate(batch):
                count = -(-(1 + max(0, lengths[row] - FRAME) // SHIFT) // SUBSAMPLING)
                found[clip] = states[row, :count].to(torch.int16)
            fits |= dict(zip(batch, torch.isfinite(likelihood).tolist(), strict=True))
        pieces = [self.states]
        phones = [self.state_phones]
        for clip in fresh:
            pieces.append(found[clip])
            own = torch.from_numpy(self.sentences[clip].phone).to(self.device, torch.int16)
            phones.append(own[found[clip].long()])
            self.state_begins.append(self.state_begins[-1] + len(found[clip]))
            if not fits[clip]:
                self.use[clip] = 0.0
        self.states, self.state_phones = torch.cat(pieces), torch.cat(phones)

    def _targets(self, batch: _Batch, lead: Tensor, speeds: Tensor) -> Tensor:
        """The network's output that is right for each varied frame, (clips, outputs)."""
        begins = torch.tensor([self.state_begins[clip] for clip in batch.clips], device=self.device)
        ends = torch.tensor([self.state_begins[clip + 1] for clip in batch.clips], device=self.device)
        counts = (ends - begins)[:, None]
        place = torch.arange(batch.size, device=self.device)[None, :] * _OUTPUT - lead[:, None]
        place = (place * speeds[:, None] / _OUTPUT).round().long()
        inside = (place >= 0) & (place < counts)
        place = begins[:, None] + place.clamp_min(0).minimum(counts - 1)
        phone = torch.where(inside, self.state_phones[place].long(), 0)
        state = torch.where(inside, self.states[place].long(), -1)
        further = torch.zeros_like(state)
        further[:, 1:] = (state[:, 1:] == state[:, :-1]) | ((phone[:, 1:] == 0) & (phone[:, :-1] == 0))
        return 2 * phone + further

    def _set_scale(self) -> None:
        """Mean and spread of the energies over a few varied batches."""
        found = []
        for number, batch in enumerate(self._batches()):
            energies, frames, _, _ = self._energies(batch)
            valid = torch.arange(energies.shape[1], device=self.device)[None, :] < frames[:, None]
            found.append(energies[valid])
            if number == 5:
                break
        every = torch.cat(found)
        self.trainee.mean.copy_(every.mean(0))
        self.trainee.scale.copy_(1.0 / every.std(0).clamp_min(0.5))

    def _clips_of(self, size: int) -> int:
        """Clips in a full batch of this size."""
        return max(1, int(self.plan.batch_seconds * RATE / (size * _OUTPUT)))

    def _batches(self) -> Iterator[_Batch]:
        """One round over the material, clips of like length together."""
        use = np.array(self.use)
        times = np.floor(use + self.random.random(len(use))).astype(int)
        order = np.repeat(np.arange(len(use)), times)
        self.random.shuffle(order)
        length = np.array([end - begin for begin, end in self.where])[order]
        slowest = 1 - self.plan.strength.speed
        outputs = (length / slowest + (_LEAD + _TRAIL) * RATE) / _OUTPUT + 2
        kind = np.searchsorted(np.array(_SIZES), outputs)
        batches = []
        for number, size in enumerate(_SIZES):
            clips = order[kind == number].tolist()
            step = self._clips_of(size)
            batches += [_Batch(clips[at : at + step], size) for at in range(0, len(clips), step)]
        for choice in self.random.permutation(len(batches)):
            yield batches[choice]

    def _raw(self, clips: list[int], size: int) -> Tensor:
        """Clips as they are, of full scale 1, (clips, size) with zeros behind each."""
        places = torch.tensor([self.where[clip] for clip in clips], device=self.device)
        lengths = places[:, 1] - places[:, 0]
        steps = torch.arange(size, device=self.device)[None, :]
        raw = self.samples[(places[:, :1] + steps).clamp_max(len(self.samples) - 1)].float() / 32768.0
        return torch.where(steps < lengths[:, None], raw, torch.zeros_like(raw))

    def _energies(self, batch: _Batch) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """Log energies (clips, frames, BINS) of clips varied anew, and of each: frames, lead (samples), speed."""
        lengths = [self.where[clip][1] - self.where[clip][0] for clip in batch.clips]
        count = len(lengths)
        raw = self._raw(batch.clips, max(lengths) + 8)
        speeds = self.augmenter.speeds(count)
        played = (torch.tensor(lengths, device=self.device) / speeds).long()
        lead = (self.augmenter.uniform(count, 0, _LEAD) * RATE).long()
        total = lead + played + (self.augmenter.uniform(count, 0, _TRAIL) * RATE).long()
        size = batch.size * _OUTPUT + FRAME
        out = resampled(raw, speeds, size)
        place = torch.arange(size, device=self.device)[None, :] - lead[:, None]
        inside = (place >= 0) & (place < played[:, None])
        clips = torch.where(inside, out.gather(1, place.clamp(0, size - 1)), torch.zeros_like(out))
        frames = 1 + (total - FRAME).clamp_min(0) // SHIFT
        return self.augmenter.energies(self.augmenter.vary(clips, total)), frames, lead, speeds

    def _input(self, energies: Tensor, frames: Tensor, size: int) -> tuple[Tensor, Tensor]:
        """Padded by the context with each clip's own first and last frame; and the outputs of each clip."""
        context = self.plan.shape.context
        need = size * SUBSAMPLING - SUBSAMPLING + 1 + 2 * context
        place = torch.arange(need, device=self.device)[None, :] - context
        place = torch.minimum(place.clamp_min(0), frames[:, None] - 1)
        return energies.gather(1, place[:, :, None].expand(-1, -1, BINS)), -(-frames // SUBSAMPLING)

    def train(self, out: Path, say: bool = True) -> None:
        """Train, and write the kept weights to `out` at the end and now and then on the way."""
        plan = self.plan
        began = time.monotonic()
        optimizer = torch.optim.AdamW(self.trainee.parameters(), lr=plan.rate, weight_decay=plan.decay)
        update, since, turned = 0, 0, False
        sums: dict[str, Tensor] = {}
        phones: PhoneModel | None = None
        batches = self._batches()
        while True:
            progress = max(update / plan.updates, (time.monotonic() - began) / 60 / plan.minutes)
            if progress >= 1:
                break
            batch = next(batches, None)
            if batch is None:
                if self.look_for_packs():
                    phones = None
                batches = self._batches()
                continue
            if progress >= plan.states and not turned:
                turned = True
                if plan.states > 0:
                    self.trainee.begin_states()
            if turned and phones is None:
                words = [words for words, use in zip(self.words, self.use, strict=True) if use > 0]
                phones = phone_model(words, plan.seed).to(self.device)
            for group in optimizer.param_groups:
                group["lr"] = _rate(progress, plan)
            values = self._update(batch, optimizer, phones if turned else None)
            update += 1
            since += 1
            for name, value in values.items():
                sums[name] = sums[name] + value if name in sums else value
            self._follow(min(plan.average, (update + 1) / (update + 10)))
            if update % 100 == 0:
                line = {name: round(float(value) / since, 4) for name, value in sums.items()}
                line |= {"update": update, "progress": round(progress, 3), "hours": round(self.hours, 2),
                         "seconds": round(time.monotonic() - began, 1)}  # fmt: skip
                if say:
                    print(json.dumps(line), flush=True)
                sums, since = {}, 0
            if update % 1000 == 0:
                self._save(out)
        self._save(out)
        if self.listened:
            print(json.dumps({"held out": self.listen()}), flush=True)

    def _follow(self, share: float) -> None:
        """Move the kept weights towards the trained ones."""
        current = self.trainee.state_dict()
        names = [name for name, value in current.items() if value.is_floating_point()]
        kept, trained = [self.kept[name] for name in names], [current[name] for name in names]
        torch._foreach_mul_(kept, share)
        torch._foreach_add_(kept, trained, alpha=1 - share)

    def _save(self, out: Path) -> None:
        scratch = out.with_suffix(".part")
        torch.save(self.kept, scratch)
        scratch.rename(out)

    def _update(
        self, batch: _Batch, optimizer: torch.optim.Optimizer, phones: PhoneModel | None
    ) -> dict[str, Tensor]:
        """One step; with the model of phones also towards the whole sentences."""
        plan = self.plan
        self.trainee.train()
        energies, frames, lead, speeds = self._energies(batch)
        energies = self.augmenter.masked(energies, self.trainee.mean)
        given, outputs = self._input(energies, frames, batch.size)
        with torch.autocast(self.device.type, torch.bfloat16, enabled=self.device.type == "cuda"):
            scores, guesses = self.trainee(given, plan.drop)
        scores, guesses = scores.float(), guesses.float()
        count = outputs.sum()
        valid = torch.arange(batch.size, device=self.device)[None, :] < outputs[:, None]
        right = torch.where(valid, self._targets(batch, lead, speeds), -100)
        loss = torch.nn.functional.cross_entropy(guesses.transpose(1, 2), right, ignore_index=-100)
        values = {"states": loss.detach(), "right": (guesses.detach().argmax(2) == right).sum() / count}
        if phones is not None:
            likely, target, possible, other = self._compared(batch, scores.detach(), outputs, phones)
            fits = torch.isfinite(likely)
            other = other * fits[:, None, None]
            loss = plan.states_weight * loss + (scores * (other - target)).sum() / count
            loss = loss + plan.smooth * (scores.square().sum(2) * valid).sum() / count
            values["gain"] = torch.where(fits, likely - possible.double(), 0.0).sum() / count
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.trainee.parameters(), 5.0)
        optimizer.step()
        return values

    def _compared(
        self, batch: _Batch, scores: Tensor, outputs: Tensor, phones: PhoneModel
    ) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """Likelihood and occupancies given the sentence, and given any; computed at the batch's full size."""
        count, full = len(batch.clips), self._clips_of(batch.size)
        items = [self.sentences[clip] for clip in batch.clips]
        states = -(-max(len(item.phone) for item in items) // 64) * 64
        rows = stacked(items, full, states).to(self.device)
        scores = torch.nn.functional.pad(scores, (0, 0, 0, 0, 0, full - count))
        outputs = torch.nn.functional.pad(outputs, (0, full - count), value=1)
        likely, target = self.said(scores, outputs, *rows.tensors)
        possible, other = self.anything(scores, outputs, *phones.tensors)
        return likely[:count], target[:count], possible[:count], other[:count]

    @torch.no_grad()  # type: ignore[untyped-decorator, unused-ignore]
    def listen(self) -> float:
        """Share of right states of the kept weights on the held-out clips as they are."""
        trained = {name: value.clone() for name, value in self.trainee.state_dict().items()}
        self.trainee.load_state_dict(self.kept)
        self.trainee.eval()
        hits, count = 0.0, 0.0
        for clip in self.listened:
            begin, end = self.where[clip]
            energies = self.augmenter.energies(self._raw([clip], end - begin), warp=False)
            frames = torch.tensor([energies.shape[1]], device=self.device)
            size = self.state_begins[clip + 1] - self.state_begins[clip]
            given, _ = self._input(energies, frames, size)
            nothing = torch.zeros(1, device=self.device)
            right = self._targets(_Batch([clip], size), nothing.long(), nothing + 1.0)
            hits += float((self.trainee(given)[1].argmax(2) == right).sum())
            count += size
        self.trainee.load_state_dict(trained)
        return hits / count


def _pieces(path: np.ndarray, whole: Sentence) -> Iterator[tuple[int, int, slice]]:
    """Stretches (first and last output, words) between the pauses of a clip; too long ones are left out."""
    silent = whole.phone[path] == 0
    start, first, pause = 0, 0, 0
    for place in range(len(path) + 1):
        over = place == len(path)
        if not over and silent[place]:
            pause += 1
            continue
        middle = place if over else place - pause // 2
        after = int(whole.word.max()) + 1 if over else int(whole.word[path[place]])
        if over or (pause >= _PAUSE and (middle - start) * _OUTPUT >= _PIECE * RATE and after > first):
            if first < after and (middle - start) * _OUTPUT <= _LONGEST * RATE:
                yield start, middle, slice(first, after)
            start, first = middle, after
        pause = 0


def _said(scores: Tensor, lengths: Tensor, *rows: Tensor) -> tuple[Tensor, Tensor]:
    return said(scores, lengths, Sentences(*rows))


def _anything(scores: Tensor, lengths: Tensor, *model: Tensor) -> tuple[Tensor, Tensor]:
    return anything(scores, lengths, PhoneModel(*model))


def _rate(progress: float, plan: Plan) -> float:
    """Learning rate: a short rise, then half a cosine."""
    if progress < 0.03:
        return plan.rate * (0.05 + 0.95 * progress / 0.03)
    share = (progress - 0.03) / 0.97
    return plan.final_rate + (plan.rate - plan.final_rate) * 0.5 * (1 + math.cos(math.pi * share))


def load_trainee(path: Path, shape: Shape) -> Trainee:
    """The network with weights that `Trainer.train` wrote, ready to be made plain."""
    trainee = Trainee(shape)
    trainee.load_state_dict(load_weights(path))
    trainee.eval()
    return trainee
