"""Which of an engine's readings was said: against SciPy's softmax, and with readings of the recognizer.

SciPy is a general-purpose reference library.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import softmax

from fieldassist.deduce import load_unit, steps_for
from fieldassist.phrases import Matcher, load_phrases
from fieldassist.phrases.likelier import BY_ENGINE, BY_WORDS, LEAST_RIVAL, as_said, reordered, rivals
from fieldassist.phrases.sense import load
from fieldassist.words.recognizer import Hypothesis, Word


def heard(*readings: tuple[str, float]) -> Hypothesis:
    (text, share), *others = readings
    words = tuple(Word(word, 0.1 * at, 0.1 * at + 0.1, 0.9) for at, word in enumerate(text.split()))
    return Hypothesis(text, words, share, tuple(others), other_talk=0.1)


def readings(of: Hypothesis) -> list[tuple[str, float]]:
    return [(of.text, of.confidence), *of.alternatives]


SHARES = st.lists(st.floats(LEAST_RIVAL, 1.0), min_size=1, max_size=6)


@given(SHARES, st.floats(0.0, 0.9), st.randoms(use_true_random=False))
def test_shares_are_a_weighted_softmax_and_keep_their_sum(
    drawn: list[float], least: float, random: object
) -> None:
    drawn.sort(reverse=True)
    shares = np.array(drawn) / (1.2 * sum(drawn))
    likeness = np.array([random.uniform(-9, 9) for _ in shares], np.float32)  # type: ignore[attr-defined]
    unlikely = ("none", least * LEAST_RIVAL * float(shares[0]))
    before = heard(*((f"reading {n}", share) for n, share in enumerate(shares.tolist())), unlikely)
    assert rivals(before) == readings(before)[:-1]
    found = reordered(before, likeness)
    wanted = softmax(BY_ENGINE * np.log(shares) + BY_WORDS * likeness) * shares.sum()
    weighed = [each for each in readings(found) if each != unlikely]
    order = np.argsort(-wanted, kind="stable")
    assert [share for _, share in weighed] == pytest.approx(wanted[order].tolist(), rel=1e-4, abs=1e-9)
    assert {text for text, _ in weighed} == {f"reading {n}" for n in range(len(shares))}
    assert unlikely in readings(found) and [share for _, share in readings(found)] == sorted(
        (share for _, share in readings(found)), reverse=True
    )
    assert found.other_talk == 0.1 and " ".join(word.text for word in found.words) == found.text


def test_an_engine_that_gives_nothing_but_zeros_has_no_rivals() -> None:
    assert rivals(heard(("slips", 0.0), ("ships", 0.0))) == [("slips", 0.0)]


def test_a_word_is_as_sure_as_the_readings_that_have_it_there() -> None:
    # By hand: likeness 0 and shares of 1/2, 1/4, 1/4 to the power of BY_ENGINE, divided by their sum.
    found = reordered(
        heard(("slips in second", 0.5), ("it slips in second", 0.25), ("slips and second", 0.25)), np.zeros(3)
    )
    first, other = 0.5**BY_ENGINE, 0.25**BY_ENGINE
    whole = first + 2 * other
    sure = {word.text: word.confidence for word in found.words}
    assert sure["slips"] == pytest.approx(1.0) and sure["second"] == pytest.approx(1.0)
    assert sure["in"] == pytest.approx((first + other) / whole)


def test_hesitations_and_unknown_words_do_not_count() -> None:
    assert as_said("uh it [unk] slips") == [("it", 1.0), ("slips", 1.0)]


ALL_STEPS = {step.id: step for step in steps_for(load_unit("three_speed_simpson"))}
HEARD = [
    # Of `speech_sentences_hard.toml`: the first reading of the shipped model and what was said.
    ("selector_linkage", "i'll gears yes only backward now", "all gears yes only backward no"),
    ("creep_neutral", "neutral really in neutral on this one", "neutral really is neutral on this one"),
    ("fluid_level", "erase the when you just took down", "erase the one you just took down"),
    ("cruise", "yes put her in", "yes put it in"),
]


@pytest.mark.parametrize(("step", "taken", "said"), HEARD)
def test_what_people_say_is_likelier_than_what_sounds_like_it(step: str, taken: str, said: str) -> None:
    likeness = load().likeness([as_said(taken), as_said(said)], ALL_STEPS[step].procedure)
    assert likeness is not None and likeness[1] > likeness[0] + 1.0


def test_the_matcher_takes_the_reading_whose_words_belong_together() -> None:
    """Of `speech_sentences_hard.toml` too; "didn't not" is for want of a shift."""
    matcher, step = Matcher(load_phrases()), ALL_STEPS["coast_down_2_1"]
    taken, said = (f"rolled down to a stop and it didn't {word} once on the way" for word in ("not", "knock"))
    both = replace(heard((taken, 0.5), (said, 0.4)), other_talk=0.0)
    match, alone = (matcher.match(each, step) for each in (both, replace(both, alternatives=())))
    assert match.decision == "accept" and match.finding is not None and alone.finding is not None
    assert (match.finding.kind, match.finding.present) == ("harsh", False) and alone.finding.kind == "no_shift"
    for unweighed in (replace(both, other_talk=None), taken):
        assert matcher._reordered(unweighed, step) is unweighed  # another engine's, and what was typed
