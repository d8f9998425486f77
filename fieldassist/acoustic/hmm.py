"""State occupancies by forward and backward passes: of the sentence that was said, and of any sentence.

Training needs, for every frame, how likely each state is given the words (numerator) and given only how phones
follow each other (denominator); their difference is the gradient of the maximum mutual information objective,
the numerator alone that of the posteriors (Povey et al., Interspeech 2016; Hadian et al., "End-to-end speech
recognition using lattice-free MMI", Interspeech 2018). All passes run over a batch of clips on one device,
frame by frame, the first in logarithms (far-off states matter there), the second with probabilities scaled to
sum to one at each frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from fieldassist.acoustic.states import FAN
from fieldassist.acoustic.states import Sentence as Sentence
from fieldassist.acoustic.states import sentence as sentence
from fieldassist.phrases.phonemes import pronunciations
from fieldassist.words.phones import PHONES, phone_index

_FLOOR = 1e-30
_NEVER = -1e30
"""Logarithm of nothing, finite so that sums of it stay numbers."""


@dataclass(frozen=True)
class Sentences:
    """Several sentences as tensors, (clips, states, ...); places without a state point to one that is never in."""

    phone: Tensor
    before: Tensor
    after: Tensor
    first: Tensor
    last: Tensor

    @property
    def tensors(self) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor]:
        return self.phone, self.before, self.after, self.first, self.last

    def to(self, device: torch.device) -> Sentences:
        return Sentences(*(tensor.to(device, non_blocking=True) for tensor in self.tensors))


def stacked(items: Sequence[Sentence], clips: int = 0, states: int = 0) -> Sentences:
    """Bring sentences to one size, that of the longest or `states`, filled up to `clips` with empty ones."""
    size = max(states, *(len(item.phone) for item in items))
    shape = max(clips, len(items)), size
    phone, first, last = np.zeros(shape, np.int64), np.zeros(shape), np.zeros(shape)
    before, behind = np.full((*shape, FAN), size), np.full((*shape, FAN), size)
    for number, item in enumerate(items):
        count = len(item.phone)
        phone[number, :count] = item.phone
        first[number, list(item.first)] = 1.0
        last[number, list(item.last)] = 1.0
        for table, places in zip((before, behind), item.ways, strict=True):
            table[number, :count] = np.where(places < 0, size, places)
    return Sentences(*(torch.from_numpy(a) for a in (phone, before, behind, first, last)))


def said(scores: Tensor, lengths: Tensor, sentences: Sentences) -> tuple[Tensor, Tensor]:
    """Log likelihood (clips,) and occupancies (clips, frames, STATES) given the sentences.

    scores: (clips, frames, STATES) log likelihoods; lengths: outputs of each clip. A clip too short for its
    words gets occupancies of zero and a likelihood of -inf.
    """
    likelihood, into, held = _passes(scores, lengths, sentences)
    index = sentences.phone.unsqueeze(1).expand(-1, scores.shape[1], -1)
    out = torch.zeros_like(scores)
    for share, extra in ((into, 0), (held, 1)):
        out.scatter_add_(2, 2 * index + extra, share.transpose(0, 1).to(scores.dtype))
    return likelihood, out


def aligned(scores: Tensor, lengths: Tensor, sentences: Sentences) -> tuple[Tensor, Tensor]:
    """Log likelihood (clips,) and the likeliest state of each sentence at each output (clips, frames)."""
    likelihood, into, held = _passes(scores, lengths, sentences)
    return likelihood, (into + held).argmax(2).transpose(0, 1)


def _passes(scores: Tensor, lengths: Tensor, sentences: Sentences) -> tuple[Tensor, Tensor, Tensor]:
    """Log likelihood, and the shares (frames, clips, states) of entering a state and of staying in it."""
    clips, frames, _ = scores.shape
    index = sentences.phone.unsqueeze(1).expand(-1, frames, -1)
    wide = scores.double()
    enter = wide.gather(2, 2 * index).transpose(0, 1).contiguous()  # (frames, clips, states), logarithms all
    stay = wide.gather(2, 2 * index + 1).transpose(0, 1).contiguous()
    inside = torch.arange(frames, device=scores.device)[:, None, None] < lengths[None, :, None]
    size = sentences.phone.shape[1]
    first, last = ((1.0 - places.double()) * _NEVER for places in (sentences.first, sentences.last))

    def sums(values: Tensor, places: Tensor) -> Tensor:
        padded = torch.nn.functional.pad(values, (0, 1), value=_NEVER)
        return padded.gather(1, places.reshape(clips, -1)).view(clips, size, -1).logsumexp(2)

    entered = torch.empty(frames, clips, size, dtype=torch.float64, device=scores.device)
    being = torch.empty_like(entered)
    entered[0] = first
    now = being[0] = first + enter[0]
    for t in range(1, frames):
        entered[t] = sums(now, sentences.before)
        now = torch.where(inside[t], torch.logaddexp(entered[t] + enter[t], now + stay[t]), now)
        being[t] = now
    likelihood = (now + last).logsumexp(1)

    into = torch.empty_like(entered)
    held = torch.empty_like(entered)
    ahead = last
    for t in range(frames - 1, -1, -1):
        into[t] = enter[t] + ahead
        held[t] = stay[t] + ahead
        if t > 0:
            ahead = torch.where(inside[t], torch.logaddexp(sums(into[t], sentences.after), held[t]), ahead)
    into += entered - likelihood[:, None]
    held[1:] += being[:-1] - likelihood[:, None]
    held[0] = _NEVER
    fits = likelihood > _NEVER / 2
    valid = inside & fits[None, :, None]
    into = torch.where(valid, into.exp(), torch.zeros_like(into))
    held = torch.where(valid, held.exp(), torch.zeros_like(held))
    return torch.where(fits, likelihood, torch.full_like(likelihood, -torch.inf)), into, held


@dataclass(frozen=True)
class PhoneModel:
    """How phones follow each other, two before and one: probabilities (before + start, phone, next)."""

    follow: Tensor
    """(N + 1, N, N): row N of the first axis is the start of the sentence; N phones with silence."""
    begin: Tensor
    """(N,)"""
    end: Tensor
    """(N + 1, N): that the sentence is over."""

    @property
    def tensors(self) -> tuple[Tensor, Tensor, Tensor]:
        return self.follow, self.begin, self.end

    def to(self, device: torch.device) -> PhoneModel:
        return PhoneModel(*(tensor.to(device) for tensor in self.tensors))


def phone_model(
    sentences: Sequence[Sequence[str]], seed: int = 0, pause: float = 0.2, weight: float = 5.0
) -> PhoneModel:
    """Count phones by threes over sentences (words), smoothed by twos and ones with `weight` counts.

    pause: chance of a silence between two words; at both ends silence is nearly certain.
    """
    rng = np.random.default_rng(seed)
    size = len(PHONES) + 1
    threes = np.zeros((size + 1, size + 1, size + 1))  # start and end are both number `size`
    for words in sentences:
        phones = [0] if rng.random() < 0.9 else []
        for number, word in enumerate(words):
            if number and rng.random() < pause:
                phones.append(0)
            ways = pronunciations(word)
            phones += [phone_index(name) for name in ways[rng.integers(len(ways))]]
        if rng.random() < 0.9:
            phones.append(0)
        for a, b, c in zip([size, size, *phones], [size, *phones], [*phones, size], strict=False):
            threes[a, b, c] += 1
    ones = threes.sum((0, 1)) + 1.0
    ones /= ones.sum()
    twos = threes.sum(0) + weight * ones
    twos /= twos.sum(1, keepdims=True)
    chance = threes + weight * twos[None]
    chance /= chance.sum(2, keepdims=True)
    follow = chance[:, :size, :size]
    return PhoneModel(
        torch.from_numpy(follow.copy()).float(), torch.from_numpy(chance[size, size, :size].copy()).float(),
        torch.from_numpy(chance[:, :size, size].copy()).float(),
    )  # fmt: skip


def anything(scores: Tensor, lengths: Tensor, model: PhoneModel) -> tuple[Tensor, Tensor]:
    """Log likelihood (clips,) and occupancies (clips, frames, STATES) given only how phones follow each other."""
    clips, frames, _ = scores.shape
    size = model.begin.shape[0]
    top = scores.max(dim=2, keepdim=True).values
    chances = (scores - top).exp().transpose(0, 1)
    enter, stay = chances[:, :, 0::2].contiguous(), chances[:, :, 1::2].contiguous()  # (frames, clips, N)
    inside = torch.arange(frames, device=scores.device)[:, None] < lengths[None, :]
    ahead_follow = model.follow.permute(1, 0, 2).contiguous()  # (phone, before, next)
    back_follow = model.follow.permute(1, 2, 0).contiguous()  # (phone, next, before)

    # States are (clip, before, phone); a step sums over what was before the phone.
    arrived = torch.empty(frames, clips, size, size, device=scores.device)  # (clip, phone, next), before its score
    being = torch.empty(frames, clips, size + 1, size, device=scores.device)
    norms = torch.empty(frames, clips, device=scores.device)
    now = torch.zeros(clips, size + 1, size, device=scores.device)
    now[:, size] = model.begin * enter[0]
    norms[0] = now.sum((1, 2))
    now = now / norms[0][:, None, None]
    being[0] = now
    for t in range(1, frames):
        step = torch.bmm(now.permute(2, 0, 1), ahead_follow)  # (phone, clip, next)
        arrived[t] = step.transpose(0, 1)
        new = now * stay[t][:, None, :]
        new[:, :size] += arrived[t] * enter[t][:, None, :]
        norm = new.sum((1, 2))
        norms[t] = norm
        now = torch.where(inside[t][:, None, None], new / norm[:, None, None], now)
        being[t] = now
    ended = (now * model.end).sum((1, 2))
    likelihood = ((norms.log() + top.squeeze(2).transpose(0, 1)) * inside).sum(0) + ended.clamp_min(_FLOOR).log()

    ahead = model.end.expand(clips, -1, -1)
    occupied = torch.zeros(frames, clips, size, 2, device=scores.device)
    for t in range(frames - 1, 0, -1):
        into = enter[t][:, None, :] * ahead[:, :size]  # (clip, phone, next)
        held = stay[t][:, None, :] * ahead
        occupied[t, :, :, 0] = (arrived[t] * into).sum(1)
        occupied[t, :, :, 1] = (being[t - 1] * held).sum(1)
        step = torch.bmm(into.transpose(0, 1), back_follow)  # (phone, clip, before)
        new = held + step.permute(1, 2, 0)
        new = new / new.sum((1, 2), keepdim=True)
        ahead = torch.where(inside[t][:, None, None], new, ahead)
    occupied[0, :, :, 0] = being[0, :, size] * ahead[:, size]
    total = occupied.sum((2, 3), keepdim=True).clamp_min(_FLOOR)
    occupied = occupied / total * inside[:, :, None, None]
    return likelihood, occupied.reshape(frames, clips, 2 * size).transpose(0, 1)
