"""The model of free wordings: its probabilities, by the books; its automaton, by the model."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldassist.errors import DataFileError
from fieldassist.phrases import PhraseSet, load_phrases, ngram
from fieldassist.phrases import phrase_set as phrase_set_module
from fieldassist.phrases.automaton import Automaton, automaton_of
from fieldassist.phrases.ngram import (
    BEGIN,
    CLASSES,
    END,
    LEAST_WORTH,
    MOST_WORDS,
    NGram,
    automaton_of_ngram,
    beside,
    learn,
    split,
    words_of,
)
from fieldassist.resources import shipped

SAM = ["I am Sam", "Sam I am", "I do not like green eggs and ham"]
"""The miniature corpus of D. Jurafsky and J. H. Martin, "Speech and Language Processing", 3rd ed., section 3.1."""
SHOP = [
    "it slips at forty five", "the two three slips, uh, bad", "nice and firm", "slips like a bar of soap",
    "this one slips", "it went at fourteen hundred", "it does not slip", "sixty psi", "no slip at all",
]  # fmt: skip


def model_of(texts: list[str], more: tuple[str, ...] = ()) -> NGram:
    return learn(texts, [*(word for text in texts for word in words_of(text)), *more])


def cheapest(automaton: Automaton, sentence: str) -> float:
    """Nats of the likeliest way through a sentence, in the tropical semiring."""

    def spread(costs: dict[int, float]) -> dict[int, float]:
        queue = list(costs)
        while queue:
            state = queue.pop()
            for arc in automaton.leaving[state]:
                if arc.word is None and costs[state] + arc.weight < costs.get(arc.target, math.inf) - 1e-12:
                    costs[arc.target] = costs[state] + arc.weight
                    queue.append(arc.target)
        return costs

    costs = spread({automaton.start: 0.0})
    for word in sentence.split():
        following: dict[int, float] = {}
        for state, cost in costs.items():
            for arc in automaton.leaving[state]:
                if arc.word == word:
                    following[arc.target] = min(following.get(arc.target, math.inf), cost + arc.weight)
        costs = spread(following)
    ends = automaton.finals
    return min((cost + ends[state].weight for state, cost in costs.items() if state in ends), default=math.inf)


def nats(model: NGram, sentence: str) -> float:
    """What a sentence costs by the model: each word after those before it, and the end; classes divide evenly."""
    tokens = (BEGIN, *split(sentence), END)
    total = 0.0
    for at in range(1, len(tokens)):
        before = tokens[max(0, at + 1 - MOST_WORDS) : at]
        total += math.log(len(CLASSES.get(tokens[at], ("itself",)))) - math.log(model.chance(tokens[at], before))
    return total


def test_what_follows_what_is_counted_as_in_the_book() -> None:
    model = model_of(SAM)
    # Section 3.1 there: P(I|<s>) = 2/3, P(Sam|<s>) = 1/3, P(am|I) = 2/3, P(do|I) = 1/3, P(Sam|am) = 1/2,
    # P(</s>|Sam) = 1/2 before smoothing, which takes the same from each count.
    counted = {
        (BEGIN,): {"i": 2, "sam": 1}, ("i",): {"am": 2, "do": 1}, ("am",): {"sam": 1, END: 1},
        ("sam",): {"i": 1, END: 1},
    }  # fmt: skip
    taken = 2 - 3 * model.shares[(BEGIN,)]["i"]
    assert 0 < taken < 1
    for history, counts in counted.items():
        whole = sum(counts.values())
        assert model.shares[history] == pytest.approx({w: (n - taken) / whole for w, n in counts.items()})
        assert model.spared[history] == pytest.approx(len(counts) * taken / whole)


def test_the_smoothed_probability_of_an_example_worked_by_hand() -> None:
    # Chen and Goodman (1998), equation (20): max(c - D, 0) / sum c + D N1+ / sum c * p(shorter), and equation (17)
    # for the shortest: of the 15 different pairs of words above, two end in "I".
    # Section 2.6: D = n1 / (n1 + 2 n2). Eight words come after one other word only and two ("I", "Sam") after two;
    # of the pairs 13 are single and two are double.
    model = model_of(SAM)
    short, long = 8 / (8 + 2 * 2), 13 / (13 + 2 * 2)
    single = (2 - short) / 15 + short * 11 / 15 / 11  # eleven words: ten different ones and the end
    assert len(model.vocabulary) == 11
    assert model.chance("i", ()) == pytest.approx(single)
    assert model.chance("i", (BEGIN,)) == pytest.approx((2 - long) / 3 + long * 2 / 3 * single)


def test_a_word_that_follows_only_one_other_is_unlikely_elsewhere_however_often_it_was_said() -> None:
    # The example that the method is known by: "Francisco" is common, but only after "San" (Chen and Goodman,
    # section 2.7; Jurafsky and Martin, section 3.6: "I can't see without my reading ...").
    texts = ["san francisco"] * 9 + ["my glasses", "your glasses", "the glasses", "reading aloud", "some aloud"]
    model = model_of(texts)
    assert model.chance("glasses", ("reading",)) > model.chance("francisco", ("reading",))
    assert model.chance("francisco", (BEGIN, "san")) > 0.6


def test_after_two_words_only_what_is_worth_its_place_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    others = ["it is fine", "it was fine", "let go", "is it late", "was it late", "it slipped"]
    texts = ["let it slip"] * 12 + others * 3
    pruned = model_of(texts)
    monkeypatch.setattr(ngram, "LEAST_WORTH", 0.0)
    full = model_of(texts)

    def seen(*words: str) -> int:
        said = [(BEGIN, *text.split(), END) for text in texts]
        return sum(each[at : at + 3] == words for each in said for at in range(len(each)))

    kept = {(history, word) for history in pruned.shares if len(history) == 2 for word in pruned.shares[history]}
    every = {(history, word) for history in full.shares if len(history) == 2 for word in full.shares[history]}
    worth = {}
    for history, word in every:
        # The weighted difference of Seymore and Rosenfeld (1996): N(w, h) [ln P(w|h) - ln P'(w|h)].
        without = full.spared[history] * full.chance(word, history[1:])
        worth[history, word] = seen(*history, word) * math.log(full.chance(word, history) / without)
    assert kept == {each for each in every if worth[each] >= LEAST_WORTH}
    assert (("let", "it"), "slip") in kept and 0 < len(kept) < len(every)
    for history in pruned.shares:
        assert sum(pruned.chance(word, history) for word in pruned.vocabulary) == pytest.approx(1.0)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.lists(st.sampled_from(["a", "b", "one", "two", "ten"]), max_size=6).map(" ".join), max_size=8))
def test_the_probabilities_after_every_history_sum_to_one(texts: list[str]) -> None:
    model = model_of(texts, ("never",))
    for history in (*model.shares, ("never",)):
        assert sum(model.chance(word, history) for word in model.vocabulary) == pytest.approx(1.0)
        assert model.chance("never", history) > 0


def test_the_likeliest_way_through_the_automaton_has_the_models_probability() -> None:
    model = model_of(SHOP, ("never", "said"))
    automaton = automaton_of_ngram(model)
    for sentence in (*SHOP, "slips at all", "never said", "soap soap firm", "psi", "at two three"):
        plain = " ".join(words_of(sentence))
        assert cheapest(automaton, plain) == pytest.approx(nats(model, plain)), sentence
    assert cheapest(automaton, "one two three") <= nats(model, "one two three")  # "one" may be no number here
    assert not automaton.accepts("") and not automaton.accepts("it slides")


def test_any_number_fits_where_one_was_said() -> None:
    automaton = automaton_of_ngram(model_of(SHOP))
    forty_five = cheapest(automaton, "it slips at forty five")
    assert cheapest(automaton, "it slips at seventy two") == pytest.approx(forty_five)
    two_three = cheapest(automaton, "the two three slips uh bad")
    assert cheapest(automaton, "the three four slips uh bad") == pytest.approx(two_three)
    assert cheapest(automaton, "this seven slips") > cheapest(automaton, "this one slips") + 1  # it was no number


def test_figures_are_read_as_words() -> None:
    assert words_of("2-3 at 45, isn't it?") == ("two", "three", "at", "forty", "five", "isn't", "it")


def test_nothing_is_learnt_across_a_word_that_cannot_be_heard() -> None:
    model = learn(["it frobnicates badly"], ["it", "badly", "slips"])
    assert "frobnicates" not in model.vocabulary and "slips" in model.vocabulary
    assert all("frobnicates" not in history for history in model.shares)
    assert ("it",) not in model.shares


def test_another_automaton_stands_beside_a_grammar_at_a_cost() -> None:
    grammar, other = automaton_of(["it slips", "firm"]), automaton_of(["who knows"])
    both = beside(grammar, other, 4.0)
    assert cheapest(both, "it slips") == pytest.approx(cheapest(grammar, "it slips"))
    assert cheapest(both, "who knows") == pytest.approx(4.0)
    assert not both.accepts("it knows")


@pytest.fixture
def small(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of grammars whose sentences and examples are few; the shop's home is beside it."""
    grammars = tmp_path / "grammars"
    shutil.copytree(shipped("grammars"), grammars)
    monkeypatch.setattr(phrase_set_module, "home", lambda: tmp_path / "home")
    (grammars / "sentence.gram").write_text(
        '#JSGF V1.0;\ngrammar sentence;\npublic <sentence> = (slips | "slips bad") {kind=slip};\n'
    )
    (grammars / "wordings.toml").write_text(
        'wording = [\n  { at = "hold", means = "slip", said = "it runs away from me" },\n'
        '  { at = "hold", means = "talk", said = "somebody ate my lunch" },\n]\n'
    )
    return grammars


def test_an_engine_that_weighs_talk_hears_words_of_ones_own(small: Path) -> None:
    listening = PhraseSet(small).listening(3)
    assert listening.accepts("slips bad") and listening.accepts("runs away from me") and listening.accepts("away")
    assert "lunch" not in listening.words
    strictly = PhraseSet(small).listening(3, weighs_talk=False)
    assert strictly.accepts("slips bad") and not strictly.accepts("runs away from me")
    (small / "wordings.toml").unlink()
    assert not PhraseSet(small).listening(3).accepts("runs away from me")


def test_a_change_of_the_examples_and_a_shops_own_are_heard(small: Path, tmp_path: Path) -> None:
    own = tmp_path / "own"
    assert not PhraseSet(small, own).listening(3).accepts("spins its wheels")
    own.mkdir()
    (own / "wordings.toml").write_text(
        'wording = [{ at = "hold", means = "slip", said = "spins its wheels" }]\n'
    )
    both = PhraseSet(small, own).listening(3)
    assert both.accepts("spins its wheels") and both.accepts("it runs away from me")
    (own / "wordings.toml").write_text("wording = [{ at = 3 }]\n")
    with pytest.raises(DataFileError, match=r"wordings\.toml"):
        PhraseSet(small, own).listening(3)


def test_shipped_examples_can_be_heard() -> None:
    listening = load_phrases().listening(3)
    for sentence in ("it's about half a quart low on the stick", "feels like somebody pulled the plug"):
        assert listening.accepts(sentence), sentence
