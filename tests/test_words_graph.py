"""The decoding graph against its grammar: read back from the file and walked by a search of our own."""

from __future__ import annotations

import heapq
import math
import os
import struct
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest

from fieldassist.phrases.automaton import Automaton, compile_grammar
from fieldassist.phrases.jsgf import parse_grammar
from fieldassist.phrases.phonemes import pronunciations
from fieldassist.words.graph import (
    COUNTED_THINGS,
    NUMBER_WORDS,
    SILENCE_COST,
    Filler,
    build_graph,
    common_words,
    model_for_grammar,
    promised,
    search_settings,
)
from fieldassist.words.phones import PHONES, PLACES

GRAMMAR = """#JSGF V1.0; grammar g;
public <s> = /3/ two three flare | /1/ two three flares | /2/ (/2/ shift | /5/ shifts) at (fifteen | fifty)
    | /0.5/ to [three] slip | /1/ two* slips;"""


class Walk:
    """The arcs of a graph file: the least cost of saying words with given phones."""

    def __init__(self, folder: Path) -> None:
        data = (folder / "HCLG.fst").read_bytes()
        at = 4
        for _ in range(2):
            (size,) = struct.unpack_from("<i", data, at)
            at += 4 + size
        _, _, _, self.start, states, arcs = struct.unpack_from("<iiQqqq", data, at)
        at += 40
        table = np.frombuffer(data, [("final", "<f4"), ("rest", "<u4", 4)], states, at)
        edges = np.frombuffer(
            data, [("in", "<i4"), ("out", "<i4"), ("cost", "<f4"), ("to", "<i4")], arcs, at + 20 * states
        )
        self.final = table["final"]
        self.leaving = defaultdict(list)
        for source, edge in zip(np.repeat(np.arange(states), table["rest"][:, 1]), edges, strict=True):
            self.leaving[int(source)].append(tuple(edge.tolist()))
        self.numbers = {}
        for line in (folder / "words.txt").read_text().splitlines():
            word, number = line.split()
            self.numbers[word] = int(number)

    def cost(self, words: list[str], phones: list[str]) -> float:
        """Least cost of these words said with these phones, loops and silences between them free to be taken."""
        wanted = [self.numbers[word] for word in words]
        queue = [(0.0, self.start, 0, 0)]
        done = set()
        while queue:
            cost, state, said, sounded = heapq.heappop(queue)
            if state < 0:
                return cost
            if (state, said, sounded) in done:
                continue
            done.add((state, said, sounded))
            if said == len(wanted) and sounded == len(phones) and np.isfinite(self.final[state]):
                heapq.heappush(queue, (cost + float(self.final[state]), -1, said, sounded))
            for label, word, weight, target in self.leaving[state]:
                if target == state or (word and (said == len(wanted) or wanted[said] != word)):
                    continue
                phone = _phone(label)
                if phone not in (None, "SIL") and (sounded == len(phones) or phones[sounded] != phone):
                    continue
                further = phone not in (None, "SIL")
                heapq.heappush(queue, (cost + weight, target, said + bool(word), sounded + further))
        return math.inf


def _phone(transition: int) -> str | None:
    if transition == 0:
        return None
    placed = (transition + 1) // 2
    return "SIL" if placed == 1 else PHONES[(placed - 2) // len(PLACES)]


def _weight(automaton: Automaton, words: list[str]) -> float:
    best = {automaton.start: 0.0}
    for word in words:
        ahead: dict[int, float] = {}
        for state, cost in best.items():
            for arc in automaton.leaving[state]:
                if arc.word == word:
                    ahead[arc.target] = min(ahead.get(arc.target, math.inf), cost + arc.weight)
        best = ahead
    ends = [cost + automaton.finals[state].weight for state, cost in best.items() if state in automaton.finals]
    return min(ends, default=math.inf)


@pytest.fixture(scope="module")
def automaton() -> Automaton:
    return compile_grammar(parse_grammar(GRAMMAR)).without_tags()


@pytest.mark.parametrize(
    "sentence",
    ["two three flare", "two three flares", "shift at fifteen", "shifts at fifty", "to slip", "to three slip",
     "slips", "two two slips"],
)  # fmt: skip
def test_every_sentence_costs_what_the_grammar_says_in_every_pronunciation(tmp_path, automaton, sentence):
    build_graph(automaton, tmp_path)
    walk = Walk(tmp_path)
    words = sentence.split()
    ways: list[list[str]] = [[]]
    for word in words:
        ways = [[*way, *phones] for way in ways for phones in pronunciations(word)]
    silences = (len(words) + 1) * SILENCE_COST
    for way in ways:
        assert walk.cost(words, way) == pytest.approx(_weight(automaton, words) + silences, abs=1e-4)


@pytest.mark.parametrize("sentence", ["two three", "flare", "shift fifteen", "to three flare", "two slip"])
def test_what_the_grammar_does_not_hold_cannot_be_said(tmp_path, automaton, sentence):
    build_graph(automaton, tmp_path)
    words = sentence.split()
    assert Walk(tmp_path).cost(words, [p for word in words for p in pronunciations(word)[0]]) == math.inf


def test_other_talk_costs_what_its_words_weigh_in_english(tmp_path, automaton):
    filler = Filler(cost=3.0, word_cost=0.5)
    build_graph(automaton, tmp_path, filler)
    walk = Walk(tmp_path)
    shares = dict(common_words())
    assert sum(math.exp(-cost) for cost in shares.values()) == pytest.approx(1.0)
    words = ["where", "were", "you"]
    phones = [phone for word in words for phone in pronunciations(word)[0]]
    expected = 3.0 + sum(shares[word] + 0.5 for word in words) + 4 * SILENCE_COST
    assert walk.cost(["[unk]"] * 3, phones) == pytest.approx(expected, abs=1e-3)
    strange = ["Z", "UW", "ZH", "IH", "K"]  # no English word
    assert walk.cost(["[unk]"], strange) == pytest.approx(
        3.0 + filler.strange_cost + len(strange) * filler.phone_cost + 2 * SILENCE_COST, abs=1e-3
    )
    assert walk.cost(["two", "[unk]"], phones) == math.inf


def test_numbers_are_likelier_in_other_talk_after_what_is_counted_and_after_numbers(tmp_path, automaton):
    filler = Filler(cost=3.0, word_cost=0.5)
    build_graph(automaton, tmp_path, filler)
    walk = Walk(tmp_path)
    shares = dict(common_words())
    assert {*NUMBER_WORDS, *COUNTED_THINGS} <= set(shares)

    def cost(*words: str) -> float:
        return walk.cost(["[unk]"] * len(words), [p for word in words for p in pronunciations(word)[0]])

    # A number follows a counted thing one time in two and a number's word three times in ten (a guess, no source).
    counted, counting = filler.number_cost - math.log(0.5), filler.number_cost - math.log(0.3)
    no_more = -math.log(0.7)
    chapter = 3.0 + shares["chapter"] + 0.5 + 4 * SILENCE_COST
    assert cost("chapter", "twenty", "three") == pytest.approx(chapter + counted + counting + no_more, abs=1e-3)
    plain = 3.0 + shares["maybe"] + 0.5 + shares["twenty"] + 0.5 + no_more + 3 * SILENCE_COST
    assert cost("maybe", "twenty") == pytest.approx(plain, abs=1e-3)
    assert cost("chapter", "twenty") < plain - 1.0


def test_the_oldest_graphs_are_forgotten(tmp_path, automaton, monkeypatch):
    monkeypatch.setattr("fieldassist.words.graph._MOST_KEPT", 2)
    model = tmp_path / "model"
    (model / "am").mkdir(parents=True)
    (model / "am" / "final.mdl").write_bytes(b"\0B")
    (model / "conf").mkdir()
    (model / "conf" / "model.conf").write_text("--beam=13.0\n--max-active=3000\n")
    grammar, cache = promised(automaton), tmp_path / "cache"
    others = [cache / name for name in ("one.part", "other.part", "left.part")]  # that other processes make
    for folder in others:
        folder.mkdir(parents=True)
    os.utime(others[-1], (0, 0))
    folders = [model_for_grammar(model, grammar, cache, Filler(cost=cost)) for cost in (1, 2, 3)]
    assert sum(folder.exists() for folder in folders) == 2
    assert folders[-1].exists()
    assert [folder.exists() for folder in others] == [True, True, False]


def test_the_decoder_is_set_for_our_graphs():
    text = search_settings("--beam=13.0\n--max-active=3000\n--endpoint.silence-phones=1\n")
    lines = text.splitlines()
    assert lines[0] == "--endpoint.silence-phones=1"
    for name in ("--beam=", "--max-active="):
        assert sum(line.startswith(name) for line in lines) == 1
    assert "--phone-determinize=false" in lines
