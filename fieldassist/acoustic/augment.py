"""Variation of training speech, on the training device: speed, room, microphone, noise, babble, level, clipping.

Works on batches (clips, samples) of full scale 1. What is drawn is common practice in training for noise; the
signal-to-noise ratios go below what a car at speed gives, where shouting starts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from fieldassist.acoustic.corpus import Speech
from fieldassist.acoustic.features import BINS, EMPHASIS, FFT, FLOOR, FRAME, RATE, SHIFT, filters, window

WARPS: tuple[float, ...] = (0.88, 0.91, 0.94, 0.97, 1.0, 1.03, 1.06, 1.09, 1.12)
"""Warps of the frequency axis, for longer and shorter vocal tracts."""


@dataclass(frozen=True)
class Strength:
    """How much is varied; shares are 0..1."""

    clean: float = 0.12
    """Share of clips without added noise."""
    lowest_snr: float = -4.0
    highest_snr: float = 26.0
    babble: float = 0.2
    """Share of clips with other people talking behind."""
    room: float = 0.5
    microphone: float = 0.7
    speed: float = 0.12
    masks: int = 2
    """Stretches of time and of frequency that are blotted out."""


class Augmenter:
    """Draws a new variation of every clip each time it is asked."""

    def __init__(
        self, noise: Tensor, device: torch.device, strength: Strength | None = None, seed: int = 0
    ) -> None:
        """noise: one long recording of all noises, (samples,), full scale 1."""
        self.device = device
        self.strength = strength or Strength()
        self.noise = noise.to(device)
        self.random = torch.Generator(device=device)
        self.random.manual_seed(seed)
        self.turns = np.random.default_rng(seed)
        self.rooms = _rooms(256, self.random, device)
        self.window = torch.from_numpy(window()).to(device)
        banks = [torch.from_numpy(filters(warp)) for warp in WARPS]
        self.filters = torch.stack(banks).to(device)

    def uniform(self, count: int, low: float = 0.0, high: float = 1.0) -> Tensor:
        return torch.rand(count, generator=self.random, device=self.device) * (high - low) + low

    def chosen(self, count: int, share: float) -> Tensor:
        return self.uniform(count) < share

    def speeds(self, count: int) -> Tensor:
        """Factors of speed (and pitch)."""
        return self.uniform(count, 1 - self.strength.speed, 1 + self.strength.speed)

    def vary(self, clips: Tensor, lengths: Tensor) -> Tensor:
        """clips: (clips, samples), zero behind each clip's length; returns the same shape."""
        s, count = self.strength, clips.shape[0]
        behind = torch.arange(clips.shape[1], device=self.device)[None, :] < lengths[:, None]
        clips = torch.where(self.chosen(count, s.room)[:, None], self._in_room(clips), clips)
        level = _speech_level(clips, lengths)
        noisy = clips + self._noise(clips.shape, level)
        clips = torch.where(self.chosen(count, s.clean)[:, None], clips, noisy)
        clips = torch.where(self.chosen(count, s.babble)[:, None], clips + self._babble(clips, level), clips)
        clips = torch.where(self.chosen(count, s.microphone)[:, None], self._microphone(clips), clips)
        peak = clips.abs().amax(1, keepdim=True).clamp_min(1e-4)
        target = 10 ** (self.uniform(count, -32.0, 0.0) / 20)[:, None]
        clips = clips / peak * target
        hard = self.chosen(count, 0.08)[:, None]
        clips = torch.where(hard, (clips * 3.0 / target.clamp_min(1e-3)).clamp(-1, 1) * 0.7, clips)
        hiss = 10 ** (self.uniform(count, -90.0, -65.0) / 20)[:, None]
        clips = clips + hiss * torch.randn(clips.shape, generator=self.random, device=self.device)
        return torch.where(behind, clips, torch.zeros_like(clips))

    def energies(self, clips: Tensor, warp: bool = True) -> Tensor:
        """Log mel energies (clips, frames, BINS), as `features.log_energies` computes them."""
        frames = (clips * 32768.0).unfold(1, FRAME, SHIFT)
        frames = frames - frames.mean(2, keepdim=True)
        before = torch.cat([frames[:, :, :1], frames[:, :, :-1]], 2)
        spectrum = torch.fft.rfft((frames - EMPHASIS * before) * self.window, FFT)
        power = spectrum.real.square() + spectrum.imag.square()
        if warp:
            which = torch.randint(len(WARPS), (len(clips),), generator=self.random, device=self.device)
            banks = self.filters[which]
        else:
            banks = self.filters[WARPS.index(1.0)].expand(len(clips), -1, -1)
        return torch.bmm(power, banks).clamp_min(FLOOR).log()

    def examples(self, speech: Speech, count: int = 200, seconds: int = 6) -> list[Tensor]:
        """Log energies (clips, frames, BINS) of the beginnings of so many clips at most, varied, by twenties."""
        clips = torch.zeros(min(count, len(speech)), seconds * RATE, device=self.device)
        for row in range(len(clips)):
            begin, end = int(speech.begins[row]), int(speech.begins[row + 1])
            clip = torch.from_numpy(speech.samples[begin : min(end, begin + seconds * RATE)])
            clips[row, : len(clip)] = clip.to(self.device).float() / 32768.0
        whole = torch.full((20,), seconds * RATE, device=self.device)
        return [self.energies(self.vary(batch, whole[: len(batch)])) for batch in clips.split(20)]

    def masked(self, energies: Tensor, mean: Tensor) -> Tensor:
        """Blot out stretches of time (up to 0.15 s) and of frequency (up to 6 bins) with the mean."""
        clips, frames, _ = energies.shape
        hidden = torch.zeros(clips, frames, BINS, dtype=torch.bool, device=self.device)
        time = torch.arange(frames, device=self.device)[None, :]
        tone = torch.arange(BINS, device=self.device)[None, :]
        for _ in range(self.strength.masks):
            begin, width = self.uniform(clips, 0, frames), self.uniform(clips, 0, 15)
            hidden |= ((time >= begin[:, None]) & (time < (begin + width)[:, None]))[:, :, None]
            begin, width = self.uniform(clips, 0, BINS), self.uniform(clips, 0, 6)
            hidden |= ((tone >= begin[:, None]) & (tone < (begin + width)[:, None]))[:, None, :]
        return torch.where(hidden, mean, energies)

    def _noise(self, shape: torch.Size, level: Tensor) -> Tensor:
        """One or two recordings, each filtered at random, at a drawn ratio to the speech."""
        count, size = shape
        total = torch.zeros(shape, device=self.device)
        for share in (1.0, 0.3):
            begin = (self.uniform(count) * (len(self.noise) - size)).long()
            piece = self.noise[begin[:, None] + torch.arange(size, device=self.device)[None, :]]
            piece = torch.where(self.chosen(count, 0.3)[:, None], self._microphone(piece), piece)
            piece = piece / piece.square().mean(1, keepdim=True).sqrt().clamp_min(1e-6)
            total = total + piece * self.chosen(count, share)[:, None]
        total = total / total.square().mean(1, keepdim=True).sqrt().clamp_min(1e-6)
        ratio = self.uniform(count, self.strength.lowest_snr, self.strength.highest_snr)
        return total * (level * 10 ** (-ratio / 20))[:, None]

    def _babble(self, clips: Tensor, level: Tensor) -> Tensor:
        """One to six other clips of the batch, well below the speech."""
        count = clips.shape[0]
        total = torch.zeros_like(clips)
        for number in range(6):
            other = torch.randperm(count, generator=self.random, device=self.device)
            turn = int(self.turns.integers(clips.shape[1]))
            voice = clips[other].roll(turn, 1)
            total = total + voice * self.chosen(count, 1.0 if number == 0 else 0.5)[:, None]
        total = total / total.square().mean(1, keepdim=True).sqrt().clamp_min(1e-6)
        return total * (level * 10 ** (-self.uniform(count, 6.0, 22.0) / 20))[:, None]

    def _in_room(self, clips: Tensor) -> Tensor:
        which = torch.randint(len(self.rooms), (clips.shape[0],), generator=self.random, device=self.device)
        return _convolved(clips, self.rooms[which])

    def _microphone(self, clips: Tensor) -> Tensor:
        """A smooth random response within +-9 dB, with a high-pass and a low-pass drawn."""
        count = clips.shape[0]
        bins = 257
        hertz = torch.linspace(0, RATE / 2, bins, device=self.device)[None, :]
        knots = torch.randn(count, 1, 10, generator=self.random, device=self.device) * 4.0
        curve = torch.nn.functional.interpolate(knots, bins, mode="linear", align_corners=True)[:, 0].clamp(-9, 9)
        low = self.uniform(count, 20, 350)[:, None]
        high = torch.where(
            self.chosen(count, 0.3), self.uniform(count, 3200, 7000), self.uniform(count, 7000, 8200)
        )
        gain = 10 ** (curve / 20) / (1 + (low / hertz.clamp_min(1.0)) ** 4).sqrt()
        gain = gain / (1 + (hertz / high[:, None]) ** 12).sqrt()
        answer = torch.fft.irfft(gain.to(torch.complex64), 512).roll(256, 1) * torch.hann_window(
            512, device=self.device
        )
        return _convolved(clips, answer, 256)


def resampled(clips: Tensor, speeds: Tensor, size: int) -> Tensor:
    """Play clips (clips, samples) faster or slower, by cubic interpolation, into so many samples."""
    place = torch.arange(size, device=clips.device)[None, :] * speeds[:, None].double()
    base = place.floor().long()
    share = (place - base).float()
    points = [clips.gather(1, (base + k).clamp(0, clips.shape[1] - 1)) for k in (-1, 0, 1, 2)]
    a, b, c, d = points
    out = b + 0.5 * share * (c - a + share * (2 * a - 5 * b + 4 * c - d + share * (3 * (b - c) + d - a)))
    return torch.where(base < clips.shape[1] - 2, out, torch.zeros_like(out))


def _speech_level(clips: Tensor, lengths: Tensor) -> Tensor:
    """RMS of the louder frames of a clip, near its active level: those within 15 dB of its loudest 5 %."""
    frame = 512
    power = clips[:, : clips.shape[1] // frame * frame].reshape(len(clips), -1, frame).square().mean(2)
    loud = torch.quantile(power, 0.95, dim=1, keepdim=True)
    active = (power > loud * 10**-1.5).float()
    return ((power * active).sum(1) / active.sum(1).clamp_min(1)).sqrt().clamp_min(1e-5)


def _convolved(clips: Tensor, answers: Tensor, delay: int = 0) -> Tensor:
    """Each clip through its impulse response; `delay` samples of the response are taken back."""
    size = clips.shape[1]
    length = 1 << math.ceil(math.log2(size + answers.shape[1]))
    spectrum = torch.fft.rfft(clips, length) * torch.fft.rfft(answers, length)
    return torch.fft.irfft(spectrum, length)[:, delay : delay + size]


def _rooms(count: int, random: torch.Generator, device: torch.device) -> Tensor:
    """Impulse responses: the direct sound, a few early reflections, a tail of noise that dies away.

    Half are as dry as a car (reverberation time 0.04 to 0.12 s), half rooms of 0.15 to 0.6 s.
    """
    size = 6400
    time = torch.arange(size, device=device)[None, :] / RATE
    draw = torch.rand(count, 4, generator=random, device=device)
    t60 = torch.where(draw[:, 0] < 0.5, 0.04 + 0.08 * draw[:, 1], 0.15 + 0.45 * draw[:, 1])[:, None]
    tail = torch.randn(count, size, generator=random, device=device) * torch.exp(-6.9 * time / t60)
    start = 0.002 + 0.008 * draw[:, 2:3]
    tail = tail * (time > start)
    tail = tail / tail.square().sum(1, keepdim=True).sqrt()
    early = torch.zeros(count, size, device=device)
    for _ in range(6):
        place = (torch.rand(count, generator=random, device=device) * 0.012 * RATE).long() + 8
        size_of = torch.randn(count, generator=random, device=device) * 0.25
        early.scatter_add_(1, place[:, None], size_of[:, None])
    direct = torch.zeros(count, size, device=device)
    direct[:, 0] = 1.0
    ratio = 10 ** (-(2 + 16 * draw[:, 3:4]) / 20)
    return direct + early * ratio * 2 + tail * ratio
