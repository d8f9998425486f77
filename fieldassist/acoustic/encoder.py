"""Trains the encoder of `phrases.encoder`: large ones learn from the examples, and a small one from them.

The large ones go on from a sentence encoder (W. Wang et al., "MiniLM", NeurIPS 2020, or K. Song et al., "MPNet",
NeurIPS 2020, trained for sentences as in N. Reimers, I. Gurevych, "Sentence-BERT", EMNLP 2019). The small one,
with some of MiniLM's layers, half their inner width and shorter vectors of pieces, learns what they make together
of the examples, of sentences drawn like them, and of examples at a procedure where nobody said them (G. Hinton, O.
Vinyals, J. Dean, "Distilling the Knowledge in a Neural Network", arXiv:1503.02531, 2015). Both also see other
talk, its words taken for hearable ones that sound alike, as an engine hears it.
"""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor, nn
from torch.nn import functional
from torch.utils.data import DataLoader, Dataset

from fieldassist.acoustic.beginning import read_encoder
from fieldassist.acoustic.choosing import Choosing, Readings, wrongly_chosen
from fieldassist.errors import UserError
from fieldassist.phrases.encoder import (
    BEGIN,
    BETWEEN,
    HEADS,
    HIDDEN,
    MATRICES,
    Encoder,
    Layer,
    Rounded,
    laid_out,
    rounded,
)
from fieldassist.phrases.file_rows import BROKEN
from fieldassist.phrases.hashing import find, hashed
from fieldassist.phrases.search import Floats
from fieldassist.phrases.wordings import TALK

Material = Mapping[str, npt.NDArray[Any]]
"""What `acoustic.utterances.prepare` returns."""
Places = npt.NDArray[np.integer]
"""The number of the procedure of each sentence of a list."""


@dataclass(frozen=True)
class Plan:
    """How it is trained."""

    teachers: int = 6
    rounds: int = 5
    """Over the examples, of each teacher."""
    rate: float = 1.2e-4
    """Of a teacher as wide as the student; the wider one is, the less."""
    layers: tuple[int, ...] = (0, 1, 2, 4)
    """Of the teachers', that the student begins with."""
    inner: int = 768
    vector: int = 128
    seconds: float = 300.0
    """Of the student."""
    student_rate: float = 3e-4
    batch: int = 128
    """Of a teacher; a student's are twice as large."""
    talk: float = 0.3
    """Stretches of other talk for each example of a teacher's batch."""
    heard: float = 0.5
    """The same of examples as they were heard."""


_STUDENT_TALK, _STUDENT_EXAMPLES, _STUDENT_HEARD = 0.15, 0.5, 0.2
"""Share of the student's batches that are other talk; among the rest, of the examples as they are, and as they
were heard."""
_ASIDE = 0.5
"""How often other talk is taken as it was heard."""
_TOLD = 0.3
"""How much the student goes by what an example means, and not by what the teachers make of it."""
_VARIED, _LEFT_OUT, _DOUBTED, _MISHEARD = 0.6, 0.03, 0.1, 0.05
"""Share of sentences whose words are varied; there of words left out, doubted, taken for others like them."""
_TALK_MISHEARD, _TALK_DOUBTED, _LEAST_SURE = 0.3, 0.5, 0.3
_DROP, _STUDENT_DROP = 0.1, 0.05
_SMOOTH, _DECAY, _STEEPEST = 0.02, 0.01, 1.0
_FIT_DROP, _FIT_FASTER = 0.1, 10.0
"""What tells readings apart begins from nothing and learns so much faster than the rest."""
_ABLE: Mapping[str, Any] = torch.cpu.get_capabilities() if hasattr(torch.cpu, "get_capabilities") else {}
_HALVES = bool(_ABLE.get("avx512_bf16"))
"""The processor multiplies numbers of two bytes, and a batch takes less than half the time."""
_AT_LEAST = 0.1
"""What is added to how unlikely an example is held, for how often it is drawn when an encoder goes on."""
_SWAPPED = 9
"""Seed of the procedures that examples are put to."""
_GOING_ON = 2 / 3
"""Part of a student's rate for one that was trained before; half of that again where it is its own teacher."""
_MAKERS, _MAKERS_ALONE = 2, 10
"""Processes that make the batches of a large one on a GPU, and of the small one."""
_FARTHEST = 128
"""Pieces apart, of which MPNet tells no more."""


class _Layer(nn.Module):  # type: ignore[misc]
    def __init__(self, base: Mapping[str, Tensor], inner: int) -> None:
        """inner: how many of the inner units to keep, those with the largest weights."""
        super().__init__()
        units = base["inner"].norm(dim=1) * base["outer"].norm(dim=0)
        kept = units.topk(inner).indices.sort().values
        self.asked = _linear(base["asked"], base["asked_bias"])
        self.joined = _linear(base["joined"], base["joined_bias"])
        self.inner = _linear(base["inner"][kept], base["inner_bias"][kept])
        self.outer = _linear(base["outer"][:, kept], base["outer_bias"])
        self.norm_one = _norm(base["norm_one"], base["norm_one_bias"])
        self.norm_two = _norm(base["norm_two"], base["norm_two_bias"])

    def forward(self, state: Tensor, there: Tensor, drop: float) -> Tensor:
        """there: (batch, 1, 1 or length, length) which pieces are looked at, or what is added for each."""
        count, length, width = state.shape
        parts = self.asked(state).view(count, length, 3, HEADS, width // HEADS).permute(2, 0, 3, 1, 4)
        mask = there if there.dtype == torch.bool else there.to(parts.dtype)
        seen = functional.scaled_dot_product_attention(*parts, attn_mask=mask, dropout_p=drop)
        seen = self.joined(seen.transpose(1, 2).reshape(count, length, width))
        state = self.norm_one(state + functional.dropout(seen, drop, self.training))
        inner = self.outer(functional.gelu(self.inner(state), approximate="tanh"))
        out = self.norm_two(state + functional.dropout(inner, drop, self.training))
        assert isinstance(out, Tensor)
        return out


class _Network(nn.Module):  # type: ignore[misc]
    """The encoder, for training."""

    def __init__(self, base: Mapping[str, Tensor], hidden: int, meanings: int, plan: Plan | None) -> None:
        """hidden: row of the piece that stands for none; plan: None for a teacher."""
        super().__init__()
        count = len({name.split(".")[0] for name in base if "." in name})
        width = base["words"].shape[1]
        self.hidden, self.drop = hidden, _DROP if plan is None else _STUDENT_DROP
        if plan is None:
            self.vectors, self.widen = nn.Embedding.from_pretrained(base["words"], freeze=False), None
        else:  # principal components
            middle = base["words"].mean(0)
            main = torch.linalg.svd(base["words"] - middle, full_matrices=False)[2][: plan.vector]
            self.vectors = nn.Embedding.from_pretrained((base["words"] - middle) @ main.T, freeze=False)
            self.widen = _linear(main.T, middle)
        self.positions = nn.Parameter(base["positions"].clone())
        self.apart = nn.Parameter(base["apart"].clone()) if "apart" in base and plan is None else None
        self.norm = _norm(base["gain"], base["shift"])
        chosen = tuple(range(count)) if plan is None else plan.layers
        parts = [{k.partition(".")[2]: v for k, v in base.items() if k.startswith(f"{at}.")} for at in chosen]
        inner = [len(part["inner"]) if plan is None else plan.inner for part in parts]
        self.layers = nn.ModuleList(_Layer(part, size) for part, size in zip(parts, inner, strict=True))
        self.out = nn.Linear(width, meanings)
        self.fit = nn.Linear(width, 1)
        nn.init.zeros_(self.fit.weight)
        nn.init.zeros_(self.fit.bias)

    def forward(self, rows: Tensor, sure: Tensor) -> Tensor:
        """The score of each meaning, (batch, meanings)."""
        state, there = self.read(rows, sure)
        mean = (state * there[..., None]).sum(1) / there.sum(1, keepdim=True)
        scores = self.out(functional.dropout(mean, self.drop if self.training else 0.0, self.training).float())
        assert isinstance(scores, Tensor)
        return scores

    def likeness(self, rows: Tensor, sure: Tensor) -> Tensor:
        """How likely each reading is what was said, in nats up to a constant, (batch,)."""
        state, there = self.read(rows, sure)
        dropped = functional.dropout(state.float(), _FIT_DROP if self.training else 0.0, self.training)
        told = (self.fit(dropped)[..., 0] * there).sum(1)
        assert isinstance(told, Tensor)
        return told

    def read(self, rows: Tensor, sure: Tensor) -> tuple[Tensor, Tensor]:
        """The state of each piece, (batch, length, width), and which there are, (batch, length)."""
        drop = self.drop if self.training else 0.0
        there = rows >= 0
        given, share = self.vectors(rows.clamp_min(0)), sure[..., None]
        state = share * given + (1 - share) * self.vectors.weight[self.hidden]
        if self.widen is not None:
            state = self.widen(state)
        state = functional.dropout(self.norm(state + self.positions[: rows.shape[1]]), drop, self.training)
        looked_at = there[:, None, None, :]
        if self.apart is not None:
            looked_at = torch.where(looked_at, self._by_distance(rows.shape[1]), float("-inf"))
        for layer in self.layers:
            state = layer(state, looked_at, drop)
        return state, there

    def _by_distance(self, length: int) -> Tensor:
        """What each head adds for the distance between two pieces, (1, HEADS, length, length).

        Distances fall into classes, exact ones first and then ever wider ones, before and behind: C. Raffel et
        al., "Exploring the Limits of Transfer Learning", JMLR 21, 2020, section 2.1.
        """
        assert self.apart is not None
        at = torch.arange(length, device=self.apart.device)
        apart = at[None, :] - at[:, None]
        half = len(self.apart) // 2
        exact = half // 2
        far = torch.log(apart.abs().clamp_min(1) / exact) / math.log(_FARTHEST / exact) * (half - exact)
        wide = (exact + far.long()).clamp_max(half - 1)
        number = torch.where(apart.abs() < exact, apart.abs(), wide) + half * (apart > 0)
        return self.apart[number].permute(2, 0, 1)[None]


class _Sentences:
    """One of the material's lists, laid out in batches."""

    def __init__(self, material: Material, name: str) -> None:
        self.words, self.begins = material[name], material[f"{name}_begins"].astype(np.int64)
        self.talk = name == "talk"
        self.sure = material.get(f"{name}_sure")
        spelt, begins = material["spelt"].tolist(), material["spelt_begins"]
        self.spelt = [spelt[one:other] for one, other in pairwise(begins)]
        self.alike, self.known = material["alike"].tolist(), material["known"].tolist()
        pieces = {str(piece): row for row, piece in enumerate(material["pieces"])}
        self.between = pieces[BETWEEN]
        places = material["procedure_begins"]
        named = [material["procedure"][one:other] for one, other in pairwise(places)]
        self.leads = [
            [pieces[BEGIN], *(piece for word in words for piece in self.spelt[word]), self.between]
            for words in named
        ]
        self.at = material.get(f"{name}_at")
        self.lengths = np.array([
            sum(len(self.spelt[word]) for word in self.words[one:other])
            for one, other in pairwise(self.begins)
        ])  # fmt: skip

    def __len__(self) -> int:
        return len(self.begins) - 1

    def batch(
        self, numbers: npt.NDArray[np.int64], random: np.random.Generator | None, at: Places | None
    ) -> tuple[Tensor, Tensor]:
        """Pieces and how surely each was heard, (numbers, longest); -1 is none. `random`: varied by it; `at`: the
        procedure of each sentence of the list, drawn where there is none."""
        lines = []
        for number in numbers:
            if at is not None:
                lead = self.leads[int(at[number])]
            else:
                assert random is not None
                lead = self.leads[int(random.integers(len(self.leads)))]
            line = [(piece, 1.0) for piece in lead]
            varied = random is not None and (self.talk or random.random() < _VARIED) and self.sure is None
            for place in range(self.begins[number], self.begins[number + 1]):
                word = int(self.words[place])
                sure = 1.0 if self.sure is None else int(self.sure[place]) / 100
                if varied:
                    assert random is not None
                    heard = self._misheard(word, random)
                    if heard is None:
                        continue
                    word, sure = heard
                line += [(piece, sure) for piece in self.spelt[word]]
            lines.append(line)
        rows, sures = laid_out(lines, self.between)
        return torch.from_numpy(rows), torch.from_numpy(sures)

    def _misheard(self, word: int, random: np.random.Generator) -> tuple[int, float] | None:
        """A word as an engine might hear it and how surely, None if not at all."""
        chance, doubted = random.random(), _LEAST_SURE + (1 - _LEAST_SURE) * random.random()
        other = self.alike[word][int(random.integers(len(self.alike[word])))]
        if self.talk:
            if not self.known[word] or chance < _TALK_MISHEARD:
                return other, doubted
            return word, doubted if random.random() < _TALK_DOUBTED else 1.0
        if chance < _LEFT_OUT:
            return None
        if chance < _LEFT_OUT + _DOUBTED:
            return word, random.random()
        return (other, doubted) if chance < _LEFT_OUT + _DOUBTED + _MISHEARD else (word, 1.0)


_Lists = Sequence[tuple[_Sentences, Places | None]]
"""Lists, and the procedure of each of their sentences."""


@dataclass(frozen=True)
class _Lesson:
    """Sentences whose meanings are known."""

    sentences: _Sentences
    right: Tensor


@dataclass(frozen=True)
class _Talk:
    """Other talk: by rule, and as it was heard."""

    ruled: _Sentences
    heard: _Sentences

    def batch(self, count: int, random: np.random.Generator) -> tuple[Tensor, Tensor]:
        """So many sentences, drawn, at procedures that are drawn."""
        drawn = self.heard if len(self.heard) and random.random() < _ASIDE else self.ruled
        return drawn.batch(random.integers(0, len(drawn), count), random, None)


@dataclass(frozen=True)
class _Course:
    """A material as it is learned from."""

    meanings: tuple[str, ...]
    pieces: tuple[str, ...]
    base: Mapping[str, Tensor]
    """What the student begins with."""
    large: Mapping[str, Tensor]
    """What the teachers do."""
    lessons: list[_Lesson]
    """The examples, and how they were heard."""
    drawn: _Sentences
    talk: _Talk
    material: Material

    def choosing(self, size: int, seed: int) -> Choosing | None:
        """Return batches of about so many readings to choose between, where the material has such."""
        if not len(self.material.get("readings_of", ())):
            return None
        sentences = self.drawn
        return Choosing(self.material, sentences.spelt, sentences.leads, sentences.between, size, seed)

    @property
    def none(self) -> int:
        """The meaning of other talk."""
        return self.meanings.index(TALK)


def _course(material: Material, large: Path | None = None) -> _Course:
    examples, drawn, heard, talk, aside = (
        _Sentences(material, name) for name in ("examples", "drawn", "heard", "talk", "aside")
    )
    lessons = [
        _Lesson(each, torch.from_numpy(material[f"{name}_mean"].astype(np.int64)))
        for name, each in (("examples", examples), ("heard", heard))
    ]
    base = _as_tensors(material)
    meanings, pieces = (tuple(map(str, material[name])) for name in ("meanings", "pieces"))
    wide = base
    if large is not None:
        matrices, vocabulary = read_encoder(large)
        if unknown := [piece for piece in pieces if piece not in vocabulary]:
            raise UserError(f"{large}: expected the pieces of words of BERT; {unknown[0]!r} is not among them")
        matrices["words"] = matrices["words"][[vocabulary[piece] for piece in pieces]]
        wide = _as_tensors(matrices)
    return _Course(meanings, pieces, base, wide, lessons, drawn, _Talk(talk, aside), material)


def _as_tensors(arrays: Material) -> dict[str, Tensor]:
    """Those of weights, which are halves."""
    chosen = {name: array for name, array in arrays.items() if array.dtype == np.float16}
    return {name: torch.from_numpy(array.astype(np.float32)) for name, array in chosen.items()}


def train(
    material: Material, plan: Plan, device: str, seed: int = 0, before: Encoder | None = None,
    large: Path | None = None,
) -> Encoder:  # fmt: skip
    """Train the teachers, on GPUs side by side, and then the student; return it in bytes.

    before: what the student goes on from, and not from layers of the encoder in the material; large: folder of a
    sentence encoder that the teachers go on from, and not from that. Raises UserError where these do not fit the
    material.
    """
    course = _course(material, large)
    torch.manual_seed(seed)
    student = _begun(course, plan) if before is None else _restored(before, course)
    examples, heard = (lesson.sentences for lesson in course.lessons)
    swapped = np.random.default_rng(_SWAPPED).integers(0, len(examples.leads), len(examples))
    lists = ((examples, examples.at), (heard, heard.at), (course.drawn, course.drawn.at), (examples, swapped))
    sums: list[Floats] = [np.zeros((len(each), len(course.meanings)), np.float32) for each, _ in lists]
    for told in _teachers(course, lists, plan, device, seed):
        for found, scores in zip(sums, told, strict=True):
            found += scores.astype(np.float32) / plan.teachers
    practice = _Practice(course, [(*each, found) for each, found in zip(lists, sums, strict=True)], plan, seed)
    rate = plan.student_rate * (1.0 if before is None else _GOING_ON)
    _study(student.to(device), practice, plan, rate, device)
    return _plain(student, course.meanings, course.pieces)


def go_on(material: Material, before: Encoder, plan: Plan, device: str, seed: int = 0) -> Encoder:
    """Train an encoder on with examples that it may not have seen; of the others it keeps what it made of them.

    It is its own teacher (Z. Li, D. Hoiem, "Learning without Forgetting", ECCV 2016), but where it is wrong about
    an example; the less it holds one likely for what it means, the more often it sees it. Half an hour on a
    processor. Raises UserError where it does not fit the material.
    """
    course = _course(material)
    torch.manual_seed(seed)
    teacher, student = (_restored(before, course).to(device) for _ in range(2))
    teacher.eval()
    lists = [*(lesson.sentences for lesson in course.lessons), course.drawn]
    practice = _Practice(course, [(each, each.at, None) for each in lists], plan, seed)
    practice.often = _unlikely(teacher, course.lessons[0], device)
    _study(student, practice, plan, plan.student_rate * _GOING_ON / 2, device, teacher)
    return _plain(student, course.meanings, course.pieces)


def _teachers(
    course: _Course, lists: _Lists, plan: Plan, device: str, seed: int
) -> Iterator[list[npt.NDArray[np.float16]]]:
    """What each teacher, once it is trained, makes of the lists."""
    numbers = range(plan.teachers)
    if not device.startswith("cuda"):
        yield from (_taught(course, lists, plan, device, seed, number) for number in numbers)
        return
    with ProcessPoolExecutor(plan.teachers, get_context("spawn")) as pool:
        yield from pool.map(_taught, *zip(*((course, lists, plan, device, seed, n) for n in numbers), strict=True))


def _taught(
    course: _Course, lists: _Lists, plan: Plan, device: str, seed: int, number: int
) -> list[npt.NDArray[np.float16]]:
    """Train one teacher and return its scores of the lists."""
    if device == "cuda":
        device = f"cuda:{number % torch.cuda.device_count()}"
    torch.manual_seed(seed + number)
    net = _begun(course, None, course.large).to(device)
    _teach(net, _Lectures(course, plan, seed + number), plan, device, f"large one {number + 1}")
    return [_told(net, each, at, device).astype(np.float16) for each, at in lists]


def _begun(course: _Course, plan: Plan | None, base: Mapping[str, Tensor] | None = None) -> _Network:
    """The network that a teacher, or the student of a plan, begins with."""
    return _Network(base or course.base, course.pieces.index(HIDDEN), len(course.meanings), plan)


def _unlikely(teacher: _Network, lesson: _Lesson, device: str) -> npt.NDArray[np.float64]:
    """How often to draw each example, in sum 1: by how unlikely it holds what it means."""
    told = torch.from_numpy(_told(teacher, lesson.sentences, lesson.sentences.at, device))
    likely = functional.softmax(told, 1).gather(1, lesson.right[:, None])[:, 0]
    often = _AT_LEAST + 1.0 - likely.double().numpy()
    return np.asarray(often / often.sum(), np.float64)


def _restored(before: Encoder, course: _Course) -> _Network:
    """The network of an encoder, with the material's pieces: one that is new has the vector nearest to its own.

    Raises UserError where it does not fit the material."""
    if course.meanings != before.meanings:
        raise UserError("encoder: the material has other meanings than the encoder to go on from; train a new one")
    widen, widen_bias = _floats(before.widen), torch.from_numpy(before.widen_bias)
    vectors = (course.base["words"] - widen_bias) @ torch.linalg.pinv(widen).T
    rows = find(before.pieces, list(course.pieces))
    vectors[rows >= 0] = _floats(before.vectors)[rows[rows >= 0]]
    net = _begun(course, None)
    net.drop, net.widen = _STUDENT_DROP, _linear(widen, widen_bias)
    net.vectors = nn.Embedding.from_pretrained(vectors, freeze=False)
    net.positions = nn.Parameter(torch.from_numpy(before.positions))
    net.norm = _norm(torch.from_numpy(before.gain), torch.from_numpy(before.shift))
    net.layers = nn.ModuleList(_Layer(_tensors(layer), len(layer.inner.numbers)) for layer in before.layers)
    net.out = _linear(torch.from_numpy(before.out), torch.from_numpy(before.out_bias))
    net.fit = _linear(torch.from_numpy(before.fit[None]), torch.from_numpy(before.fit_bias))
    return net


def _tensors(layer: Layer) -> dict[str, Tensor]:
    """A layer by the names of those that are begun from."""
    out = {name: _floats(getattr(layer, name)) for name in MATRICES}
    out |= {f"{name}_bias": torch.from_numpy(getattr(layer, f"{name}_bias")) for name in MATRICES}
    for name, gain, shift in zip(("norm_one", "norm_two"), layer.gains, layer.shifts, strict=True):
        out |= {name: torch.from_numpy(gain), f"{name}_bias": torch.from_numpy(shift)}
    return out


def load_material(path: Path) -> Material:
    """Read what the stage `utterances` wrote. Raises UserError for another file."""
    try:
        with np.load(path, allow_pickle=False) as file:
            found = {name: file[name] for name in file.files}
    except BROKEN as error:
        raise UserError(f"{path}: cannot be read ({error})") from None
    if "examples_mean" not in found:
        raise UserError(f"{path}: expected a file of the stage utterances")
    return found


@dataclass(frozen=True)
class _Lot:
    """A batch of sentences, and what of them is to be learned."""

    rows: Tensor
    sure: Tensor
    right: Tensor | None
    """The meaning of each, None where nobody knows."""
    told: Tensor | None = None
    """The scores of teachers, (sentences, meanings)."""
    weight: float = 1.0
    other_talk: bool = False

    def on(self, device: str) -> _Lot:
        right, told = (None if each is None else each.to(device) for each in (self.right, self.told))
        return replace(self, rows=self.rows.to(device), sure=self.sure.to(device), right=right, told=told)


_Part = TypeVar("_Part", _Lot, Readings)


class _Lectures(Dataset[list[_Lot]]):  # type: ignore[misc, unused-ignore]
    """What a teacher learns from, step by step: examples, as many rounds as planned, with other talk and with
    examples as they were heard. A step is the same whoever makes it."""

    def __init__(self, course: _Course, plan: Plan, seed: int) -> None:
        self.course, self.plan, self.seed = course, plan, seed
        random = np.random.default_rng(seed)
        lengths = course.lessons[0].sentences.lengths
        self.batches = [batch for _ in range(plan.rounds) for batch in _batches(lengths, plan.batch, random)]

    def __len__(self) -> int:
        return len(self.batches)

    def __getitem__(self, step: int) -> list[_Lot]:
        random, chosen, plan = np.random.default_rng((self.seed, step)), self.batches[step], self.plan
        (examples, right), (heard, meant) = ((each.sentences, each.right) for each in self.course.lessons)
        out = [_Lot(*examples.batch(chosen, random, examples.at), right[chosen])]
        out.append(_other_talk(self.course, max(1, int(plan.talk * len(chosen))), random, plan.talk))
        if len(heard):
            some = random.integers(0, len(heard), max(1, int(plan.heard * len(chosen))))
            out.append(_Lot(*heard.batch(some, random, heard.at), meant[some], weight=plan.heard))
        return out


class _Practice(Dataset[list[_Lot]]):  # type: ignore[misc, unused-ignore]
    """What a student learns from, as long as there is time: sentences, those of the lessons first, with what
    teachers made of them, and other talk now and then."""

    often: npt.NDArray[np.float64] | None = None
    """How often to draw each example, in sum 1."""

    def __init__(
        self, course: _Course, lists: Sequence[tuple[_Sentences, Places | None, Floats | None]], plan: Plan,
        seed: int,
    ) -> None:  # fmt: skip
        self.course, self.lists, self.plan, self.seed = course, lists, plan, seed
        sizes = np.array([len(each) for each, _, _ in lists], float)
        rest = 1 - _STUDENT_EXAMPLES - _STUDENT_HEARD
        for known, share in enumerate((_STUDENT_EXAMPLES, _STUDENT_HEARD)):
            if sizes[known]:
                sizes[known] = share / rest * sizes[len(course.lessons) :].sum()
        self.shares = sizes / sizes.sum()

    def __len__(self) -> int:
        return 1 << 40

    def __getitem__(self, step: int) -> list[_Lot]:
        random = np.random.default_rng((self.seed, step))
        if random.random() < _STUDENT_TALK:
            return [_other_talk(self.course, 2 * self.plan.batch, random)]
        number = int(random.choice(len(self.lists), p=self.shares))
        sentences, at, scores = self.lists[number]
        chosen = _of_like_length(sentences, self.plan, random, self.often if number == 0 else None)
        right = self.course.lessons[number].right[chosen] if number < len(self.course.lessons) else None
        told = None if scores is None else torch.from_numpy(scores[chosen])
        return [_Lot(*sentences.batch(chosen, random, at), right, told)]


def _other_talk(course: _Course, count: int, random: np.random.Generator, weight: float = 1.0) -> _Lot:
    return _Lot(*course.talk.batch(count, random), torch.full((count,), course.none), None, weight, True)


def _ahead(lots: Dataset[list[_Part]], device: str, makers: int) -> Iterator[list[_Part]]:
    """The lots, or readings, in their order; for a GPU made by processes of their own, for which it would wait."""
    makers = min(makers, os.cpu_count() or 1) if device.startswith("cuda") else 0
    ahead = {"prefetch_factor": 8, "multiprocessing_context": "fork"} if makers else {}
    for lot in DataLoader(lots, batch_size=None, num_workers=makers, collate_fn=_as_it_is, **ahead):
        yield [part.on(device) for part in lot]


def _as_it_is(lots: list[_Part]) -> list[_Part]:
    return lots


def _teach(net: _Network, lectures: _Lectures, plan: Plan, device: str, name: str) -> None:
    """Learn the examples, other talk, and how examples were heard."""
    optimizer, steps = _optimizer(net), len(lectures)
    rate = plan.rate * lectures.course.base["words"].shape[1] / net.positions.shape[1]
    lost = torch.zeros((), device=device)
    a_round = steps // plan.rounds
    for step, parts in enumerate(_ahead(lectures, device, _MAKERS)):
        _set_rate(optimizer, rate, step / steps)
        losses = [part.weight * _missed(_scores(net, part), part.right) for part in parts]
        loss = torch.stack(losses).sum()
        _step(net, optimizer, loss)
        lost += loss.detach()
        if (step + 1) % a_round == 0:
            print(f"{name}: {step + 1} of {steps} batches, {float(lost) / a_round:.3f} nats", flush=True)
            lost.zero_()


def _study(
    net: _Network, practice: _Practice, plan: Plan, rate: float, device: str, teacher: _Network | None = None
) -> None:
    """Learn for as long as the plan says, and to choose between readings where the material has such. teacher:
    tells where the practice does not, and is right but where an example says otherwise."""
    optimizer, began, count = _optimizer(net), time.monotonic(), 0
    choosing = practice.course.choosing(2 * plan.batch, practice.seed)
    choices: Iterator[list[Readings]] | None = None
    if choosing is not None:
        choices = _ahead(choosing, device, _MAKERS_ALONE)
    for (lot,) in _ahead(practice, device, _MAKERS_ALONE):
        progress = (time.monotonic() - began) / plan.seconds
        if progress >= 1:
            break
        _set_rate(optimizer, rate, progress)
        loss = _off(_scores(net, lot), lot, teacher)
        if choices is not None:
            (readings,) = next(choices)
            loss = loss + wrongly_chosen(_likeness(net, readings), readings)
        _step(net, optimizer, loss)
        count += 1
    print(f"small one: {count} batches", flush=True)


def _off(scores: Tensor, lot: _Lot, teacher: _Network | None) -> Tensor:
    """How far a student's scores are from what it is told, and from what is right where that is known."""
    if lot.other_talk:
        return _missed(scores, lot.right)
    told = functional.softmax(_unmoved(teacher, lot) if lot.told is None else lot.told, 1)
    each = functional.cross_entropy(scores, told, reduction="none")
    if lot.right is not None:
        hard = functional.cross_entropy(scores, lot.right, reduction="none", label_smoothing=_SMOOTH)
        trusted = torch.ones_like(each, dtype=torch.bool) if teacher is None else told.argmax(1) == lot.right
        share = torch.where(trusted, _TOLD, 1.0)
        each = (1 - share) * each + share * hard
    return each.mean()


def _missed(scores: Tensor, right: Tensor) -> Tensor:
    return functional.cross_entropy(scores, right, label_smoothing=_SMOOTH)


def _of_like_length(
    sentences: _Sentences, plan: Plan, random: np.random.Generator,
    often: npt.NDArray[np.float64] | None = None,
) -> npt.NDArray[np.int64]:  # fmt: skip
    """Draw a student's batch of sentences of a like length, so that little is padding; `often`: how often each."""
    size = 2 * plan.batch
    some = random.choice(len(sentences), 8 * size, p=often)
    part = int(random.integers(8))
    return np.asarray(some[np.argsort(sentences.lengths[some])][part * size : (part + 1) * size])


@torch.no_grad()  # type: ignore[untyped-decorator, unused-ignore]
def _unmoved(net: _Network, lot: _Lot) -> Tensor:
    return _run(net, lot.rows, lot.sure)


@torch.no_grad()  # type: ignore[untyped-decorator, unused-ignore]
def _told(net: _Network, sentences: _Sentences, at: Places | None, device: str) -> Floats:
    """The scores of all sentences, (sentences, meanings)."""
    net.eval()
    out = np.zeros((len(sentences), net.out.out_features), np.float32)
    order = np.argsort(sentences.lengths)
    for begin in range(0, len(order), 1024):
        chosen = order[begin : begin + 1024]
        rows, sure = (part.to(device) for part in sentences.batch(chosen, None, at))
        out[chosen] = _run(net, rows, sure).cpu().numpy()
    return out


def _likeness(net: _Network, readings: Readings) -> Tensor:
    net.train()
    return _run(net.likeness, readings.rows, readings.sure)


def _scores(net: _Network, lot: _Lot) -> Tensor:
    net.train()
    return _run(net, lot.rows, lot.sure)


def _run(told: Callable[[Tensor, Tensor], Tensor], rows: Tensor, sure: Tensor) -> Tensor:
    """What a network, or its likeness, tells of pieces, in numbers of two bytes where these are faster."""
    kind = rows.device.type
    with torch.autocast(kind, torch.bfloat16, enabled=kind == "cuda" or _HALVES):
        scores = told(rows, sure)
    return scores.float()


def _batches(
    lengths: npt.NDArray[np.int64], size: int, random: np.random.Generator
) -> list[npt.NDArray[np.int64]]:
    """One round over the sentences, those of like length together."""
    order = random.permutation(len(lengths))
    pools = np.array_split(order, max(1, len(order) // (16 * size)))
    sorted_ = [pool[np.argsort(lengths[pool])] for pool in pools]
    found = [pool[at : at + size] for pool in sorted_ for at in range(0, len(pool), size)]
    return [found[at] for at in random.permutation(len(found))]


def _optimizer(net: nn.Module) -> torch.optim.Optimizer:
    fit = [weight for name, weight in net.named_parameters() if name.startswith("fit.")]
    others = [weight for name, weight in net.named_parameters() if not name.startswith("fit.")]
    matrices = [weight for weight in others if weight.dim() > 1]
    rest = [weight for weight in others if weight.dim() < 2]
    return torch.optim.AdamW([
        {"params": matrices, "weight_decay": _DECAY}, {"params": rest, "weight_decay": 0.0},
        {"params": fit, "weight_decay": 0.0, "faster": _FIT_FASTER},
    ])  # fmt: skip


def _set_rate(optimizer: torch.optim.Optimizer, rate: float, progress: float) -> None:
    """A short rise, then evenly down to nothing."""
    for group in optimizer.param_groups:
        group["lr"] = rate * group.get("faster", 1.0) * min(1.0, progress / 0.05) * (1 - progress)


def _step(net: nn.Module, optimizer: torch.optim.Optimizer, loss: Tensor) -> None:
    optimizer.zero_grad()
    loss.backward()
    nn.utils.clip_grad_norm_(net.parameters(), _STEEPEST)
    optimizer.step()


def _linear(weight: Tensor, bias: Tensor) -> nn.Linear:
    layer = nn.Linear(weight.shape[1], weight.shape[0])
    layer.weight.data, layer.bias.data = weight.clone().contiguous(), bias.clone()
    return layer


def _norm(gain: Tensor, shift: Tensor) -> nn.LayerNorm:
    norm = nn.LayerNorm(len(gain), eps=1e-12)
    norm.weight.data, norm.bias.data = gain.clone(), shift.clone()
    return norm


def _plain(net: _Network, meanings: tuple[str, ...], pieces: tuple[str, ...]) -> Encoder:
    """The student as it is shipped."""
    assert net.widen is not None
    layers = []
    for layer in net.layers:
        assert isinstance(layer, _Layer)
        norms = (layer.norm_one, layer.norm_two)
        parts: dict[str, Any] = {}
        for name in MATRICES:
            linear = getattr(layer, name)
            parts |= {name: rounded(_numbers(linear.weight)), f"{name}_bias": _numbers(linear.bias)}
        gains, shifts = ([_numbers(getattr(norm, part)) for norm in norms] for part in ("weight", "bias"))
        layers.append(Layer(**parts, gains=np.stack(gains), shifts=np.stack(shifts)))
    return Encoder(
        meanings, hashed(pieces), rounded(_numbers(net.vectors.weight)), rounded(_numbers(net.widen.weight)),
        _numbers(net.widen.bias), _numbers(net.positions), _numbers(net.norm.weight), _numbers(net.norm.bias),
        tuple(layers), _numbers(net.out.weight), _numbers(net.out.bias), _numbers(net.fit.weight)[0],
        _numbers(net.fit.bias),
    )  # fmt: skip


def _floats(matrix: Rounded) -> Tensor:
    return torch.from_numpy(matrix.numbers.astype(np.float32) * matrix.steps[:, None])


def _numbers(tensor: object) -> Floats:
    assert isinstance(tensor, Tensor)
    return np.asarray(tensor.detach().float().cpu().numpy(), np.float32)
