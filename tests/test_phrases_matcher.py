"""The matcher: shop talk to findings, talk to nothing. The corpora under tests/data are sentences of our own;
`phrases_tuning.tsv` was looked at while the grammars and thresholds were made; the others were measured before
they were looked at: of the observations in `phrases_held_out.tsv` 92.8 % were right then, in `phrases_blind.tsv`
90.8 %, with 50 of 57 and 24 of 24 sentences of other talk left alone. What they lacked has been added since."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldassist.deduce import load_unit, steps_for
from fieldassist.deduce.step import Step
from fieldassist.finding import Finding
from fieldassist.phrases import Match, Matcher, load_phrases
from fieldassist.phrases.card import card
from fieldassist.words.recognizer import Hypothesis, Word

DATA = Path(__file__).parent / "data"


@pytest.fixture(scope="module")
def matcher() -> Matcher:
    return Matcher(load_phrases())


STEPS = {step.id: step for step in steps_for(load_unit("three_speed_simpson"))}


def said(match: Match) -> dict[str, Any] | None:
    """The finding without its confidence."""
    if match.finding is None:
        return None
    out = match.finding.to_json()
    out.pop("confidence", None)
    return out


def heard(text: str, confidence: float, *alternatives: tuple[str, float]) -> Hypothesis:
    words = tuple(Word(word, i * 0.3, i * 0.3 + 0.3, confidence) for i, word in enumerate(text.split()))
    return Hypothesis(text, words, confidence, alternatives)


def verdict(match: Match, want: dict[str, Any] | None) -> str:
    """right, asked (the right thing, or talk, is asked back), missed, wrong, or false (talk taken)."""
    if want is None:
        return {"ignore": "right", "ask": "asked", "accept": "false"}[match.decision]
    if match.decision == "ignore":
        return "missed"
    if "finding" in want:
        right = said(match) == want["finding"]
    else:
        changes = {key: value for key, value in match.changes.items() if key != "unit"}
        right = match.command == want["command"] and changes == want.get("changes", {})
    return "wrong" if not right else "asked" if match.decision == "ask" else "right"


LEAST_RIGHT = {"phrases_tuning": 0.97, "phrases_held_out": 0.95, "phrases_blind": 0.85}


@pytest.mark.parametrize(("name", "least"), LEAST_RIGHT.items())
def test_corpus(matcher: Matcher, name: str, least: float) -> None:
    rows = [line.split("\t") for line in (DATA / f"{name}.tsv").read_text().splitlines()]
    meant: Counter[str] = Counter()
    talk: Counter[str] = Counter()
    for text, want in rows:
        expected = json.loads(want)
        (talk if expected is None else meant)[verdict(matcher.match(text), expected)] += 1
    print(name, dict(meant), dict(talk))
    assert meant["right"] / meant.total() >= least
    assert meant["wrong"] / meant.total() <= 0.04
    assert talk["right"] / talk.total() >= 0.95


@pytest.mark.parametrize(
    ("text", "finding"),
    [
        ("shutter at forty five", {"kind": "shudder", "value": 45.0, "unit": "mph", "present": True}),
        ("flair on the too three", {"kind": "flare", "shift": "2-3", "present": True}),
        ("harsh won two", {"kind": "harsh", "shift": "1-2", "present": True}),
        ("slips in rivers", {"kind": "slip", "range": "R", "present": True}),
        ("wine in first", {"kind": "noise", "where": "whine", "gear": "1", "present": True}),
        ("steps off in second", {"kind": "wrong_gear_start", "gear": "2", "present": True}),
    ],
)
def test_what_sounds_alike_is_understood(matcher: Matcher, text: str, finding: dict[str, Any]) -> None:
    assert said(matcher.match(text)) == finding


def test_impossible_value_is_asked_back(matcher: Matcher) -> None:
    match = matcher.match("one two at two hundred fourteen")
    assert match.decision == "ask" and match.finding is not None and match.finding.value == 214
    assert match.say == "shift, one two, two hundred fourteen miles an hour, right?"
    assert matcher.match("two three at forty").decision == "accept"
    assert matcher.match("stall speed nine thousand").decision == "ask"


def test_near_readings_are_asked_back_in_few_words(matcher: Matcher) -> None:
    match = matcher.match(heard("flares one two", 0.8, ("flares two three", 0.8)))
    assert match.decision == "ask" and match.margin < 0.25
    assert match.say == "one two, or two three?"
    assert match.alternatives[0].shift == "2-3"
    match = matcher.match(heard("one two at fourteen", 0.8, ("one two at forty", 0.75)))
    assert match.say == "fourteen, or forty?"
    assert matcher.match(heard("flares one two", 0.95, ("flares two three", 0.05))).decision == "accept"


def test_doubtful_words_make_a_doubtful_finding(matcher: Matcher) -> None:
    sure = matcher.match(heard("flares on the two three", 1.0))
    unsure = matcher.match(heard("flares on the two three", 0.4))
    assert sure.finding is not None and unsure.finding is not None
    assert sure.finding.confidence > unsure.finding.confidence and sure.decision == "accept"


def test_alternatives_of_the_engine_are_used(matcher: Matcher) -> None:
    match = matcher.match(heard("[unk] on the two three", 0.85, ("flares on the two three", 0.8)))
    assert said(match) == {"kind": "flare", "shift": "2-3", "present": True}


def test_unknown_stretch_alone_is_nothing(matcher: Matcher) -> None:
    assert matcher.match(heard("[unk]", 1.0)).decision == "ignore"
    assert matcher.match(heard("[unk] [unk] the", 1.0)).decision == "ignore"
    assert matcher.match("").decision == "ignore"


def test_step_fills_in_its_conditions_but_is_no_cage(matcher: Matcher) -> None:
    step = STEPS["upshift_2_3_light"]
    bare = matcher.match("flares", step)
    assert said(bare) == {"kind": "flare", "shift": "2-3", "range": "D", "throttle": "light", "present": True}
    assert set(bare.assumed) == {"shift", "range", "throttle"}
    assert said(matcher.match("slips in reverse", step)) == {"kind": "slip", "range": "R", "present": True}
    other = matcher.match("one two was late", step)
    assert other.decision == "accept" and said(other) == {"kind": "late", "shift": "1-2", "present": True}


@pytest.mark.parametrize(
    ("text", "step", "kind", "value", "unit"),
    [
        ("twenty six", "upshift_2_3_light", "shift_speed", 26, "mph"),
        ("at twenty one", "upshift_1_2_medium", "shift_speed", 21, "mph"),
        ("one point five", "engage_reverse", "engagement_time", 1.5, "s"),
        ("two seconds", "engage_drive", "engagement_time", 2, "s"),
        ("twenty two hundred", "stall_D", "stall_speed", 2200, "rpm"),
        ("eighteen fifty", "hold_3", "engine_speed", 1850, "rpm"),
        ("sixty two", "pressure_line_D_closed", "pressure", 62, "psi"),
    ],
)
def test_bare_number_means_what_the_step_measures(
    matcher: Matcher, text: str, step: str, kind: str, value: float, unit: str
) -> None:
    found = STEPS.get(step) or next(s for s in STEPS.values() if s.procedure == step.partition("_")[0])
    finding = matcher.match(text, found).finding
    assert finding is not None
    assert (finding.kind, finding.value, finding.unit) == (kind, value, unit)
    assert matcher.match(text).decision == "ignore" or kind == "engagement_time"


def test_correction_changes_the_finding_before(matcher: Matcher) -> None:
    before = Finding("flare", shift="1-2", throttle="light")
    match = matcher.match("no make that two three", previous=before)
    assert match.decision == "accept" and match.command == "no"
    assert match.finding is not None
    assert (match.finding.kind, match.finding.shift, match.finding.throttle) == ("flare", "2-3", "light")
    answer = matcher.match("two three", previous=before)
    assert answer.finding is not None and answer.finding.shift == "2-3" and answer.command is None


@pytest.mark.parametrize(
    ("step", "text", "kind", "command"),
    [
        # Common practice, no source: what is taken back first speaks of what was read back before ...
        ("upshift_2_3_light", "um sorry, it was harsh", "harsh", "no"),
        ("upshift_2_3_light", "tell a lie, it flares", "flare", "no"),
        # ... and later of what was said just now, even where that was no finding yet.
        ("hold_2", "pulling, pulling, wait, no, that was wind, it's all good in this gear", "normal", None),
        ("hold_2", "is that, let me see, tell a lie, it slips", "slip", None),
        ("pull_away_R", "was that it, no, sorry, it shudders", "shudder", None),
        ("engage_drive", "rather mushy, i want to feel it go in", "soft", None),
        ("pressure_forward", "ninety, no, hang about, eighty eight", "pressure", None),
    ],
)
def test_only_what_begins_with_a_correction_changes_the_entry_before(
    matcher: Matcher, step: str, text: str, kind: str, command: str | None
) -> None:
    match = matcher.match(text, STEPS[step])
    assert match.decision == "accept" and match.finding is not None
    assert (match.finding.kind, match.command) == (kind, command)


@pytest.mark.parametrize(
    ("text", "step", "kind", "where", "value", "present"),
    [
        ("uh not harsh no just normal", "engage_drive", "normal", None, None, True),
        ("no it's er not harsh it's firm that's fine", "upshift_2_3_medium", "normal", None, None, True),
        ("slip no more of a um flare really", "upshift_1_2_medium", "flare", None, None, True),
        ("no more slip", "upshift_1_2_medium", "slip", None, None, False),
        ("eighty eight nope misread it seventy eight", "pressure_forward", "pressure", "forward", 78, True),
        ("about half what it should be", "pressure_low_reverse", "pressure", "low", None, True),
        ("twice what it ought to be", "pressure_low_reverse", "pressure", "high", None, True),
        ("cable's not giving full travel", "throttle_linkage", "linkage", "throttle", None, True),
    ],
)
def test_what_is_said_last_or_of_all_of_it_counts(
    matcher: Matcher, text: str, step: str, kind: str, where: str | None, value: float | None, present: bool
) -> None:
    """Common practice, no source."""
    match = matcher.match(text, STEPS[step])
    assert match.decision == "accept" and match.finding is not None and match.more == ()
    finding = match.finding
    assert (finding.kind, finding.where, finding.value, finding.present) == (kind, where, value, present)


def test_a_number_is_not_put_together_over_other_words(matcher: Matcher) -> None:
    """Neither 7,050 turns nor 7,050 of anything else was said; hesitations may be inside of a number."""
    match = matcher.match("the engine thinks we're doing seventy the road says fifty", STEPS["hold_3"])
    assert match.finding is None or match.finding.value in (None, 50, 70)
    steady = matcher.match("line is one um forty five", STEPS["pressure_line"]).finding
    assert steady is not None and steady.value == 145


@pytest.mark.parametrize(
    ("text", "step"),
    [  # the first is what was made of a clip of read speech (LibriSpeech, at 10 dB): a date
        ("made ten eighteen fifty one", "pressure_line"),
        ("thirty seventy", "pressure_line"),
    ],
)
def test_of_two_numbers_none_is_taken_unasked(matcher: Matcher, text: str, step: str) -> None:
    assert matcher.match(text, STEPS[step]).decision != "accept"


@pytest.mark.parametrize(
    ("text", "decision"),
    [  # the first is what was made of a clip of read speech (LibriSpeech, at 10 dB): a year
        ("an sixteen sixty five", "ask"), ("sixteen fifty", "accept"), ("sixteen sixty five rpm", "accept"),
        ("the revs are sixteen sixty five", "accept"),
    ],
)  # fmt: skip
def test_a_bare_number_that_no_pointer_shows_is_asked_back(matcher: Matcher, text: str, decision: str) -> None:
    match = matcher.match(text, STEPS["hold_2"])
    assert match.decision == decision and match.finding is not None
    assert (match.finding.kind, match.finding.unit) == ("engine_speed", "rpm")


@pytest.mark.parametrize("text", ["thirty no seventy", "one forty, one forty five", "seventy psi"])
def test_one_number_said_twice_or_taken_back_is_one(matcher: Matcher, text: str) -> None:
    """Common practice, no source."""
    match = matcher.match(text, STEPS["pressure_line"])
    assert match.decision == "accept" and match.finding is not None
    assert match.finding.value in (70, 145)


@pytest.mark.parametrize(
    ("text", "step", "value"),
    [
        ("it isn't sixty like last time, seventy two now", "pressure_line", 72),
        ("a hundred and ten, not the hundred and twenty i called out", "pressure_low_reverse", 110),
        ("not fifteen, fifty", "upshift_2_3_full", 50),
        ("fifteen, no, fifty, five oh", "upshift_2_3_full", 50),
        ("thirteen, one three", "upshift_1_2_light", 13),
    ],
)
def test_a_number_that_is_denied_or_spelt_again_is_not_another(
    matcher: Matcher, text: str, step: str, value: float
) -> None:
    """Common practice, no source."""
    match = matcher.match(text, STEPS[step])
    assert match.decision == "accept" and match.finding is not None and match.finding.value == value


@pytest.mark.parametrize("text", ["half a mild right", "half a mile right"])
def test_half_a_mile_is_no_speed(matcher: Matcher, text: str) -> None:
    """What is left of "in half a mile keep right at the fork" by the navigation voice of the recorded drive."""
    match = matcher.match(text, STEPS["upshift_2_3_light"])
    assert match.finding is None or match.finding.value is None


def test_an_endless_utterance_is_nothing_in_words_of_ones_own(matcher: Matcher) -> None:
    """What the shipped model made of a clip of read speech (LibriSpeech, at 10 dB)."""
    text = (
        "it seems at speed an to we're at um are of are i've was comes in with quite a park's in the d two "
        "huge other it are more it completely under one heavy"
    )
    assert matcher.match(heard(text, 0.99), STEPS["pull_away_D"]).decision != "accept"


def test_two_findings_in_one_breath(matcher: Matcher) -> None:
    match = matcher.match("one two at fourteen two three at twenty six")
    assert match.finding is not None and (match.finding.shift, match.finding.value) == ("1-2", 14)
    assert [(f.shift, f.value) for f in match.more] == [("2-3", 26)]


def test_the_card_says_what_is_understood(matcher: Matcher) -> None:
    kinds = {"What you feel, hear or see", "What you read off"}
    for step in (None, STEPS["upshift_2_3_light"], STEPS["engage_reverse"]):
        for section in card(matcher.phrases, step):
            for line in section.lines:
                for text in line.examples:
                    match = matcher.match(text, step)
                    if section.title in kinds:
                        assert match.finding is not None, text
                    elif section.title.startswith("Commands"):
                        assert match.command is not None, text


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=80), st.sampled_from([None, *list(STEPS.values())[:6]]))
def test_any_text_gives_a_match(text: str, step: Step | None) -> None:
    match = SHARED.match(text, step)
    assert match.decision in ("accept", "ask", "ignore")
    assert match.decision != "ask" or match.say.endswith("?")


WORDS = st.sampled_from(
    ["one", "two", "three", "flare", "slips", "no", "at", "forty", "in", "reverse", "light", "throttle", "[unk]",
     "late", "point", "hundred", "psi", "line", "pressure", "make", "that", "into", "second", "hold", "note"]
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(WORDS, st.floats(0, 1)), max_size=12), st.lists(st.lists(WORDS, max_size=8), max_size=3),
    st.one_of(st.none(), st.floats(0, 1)), st.sampled_from([None, *list(STEPS.values())[:6]]),
)  # fmt: skip
def test_any_hypothesis_gives_a_match(
    words: list[tuple[str, float]], others: list[list[str]], other_talk: float | None, step: Step | None
) -> None:
    text = " ".join(word for word, _ in words)
    given_words = tuple(Word(word, 0.0, 0.1, conf) for word, conf in words)
    alternatives = tuple((" ".join(other), 0.5) for other in others)
    match = SHARED.match(Hypothesis(text, given_words, 0.5, alternatives, other_talk), step)
    assert match.decision in ("accept", "ask", "ignore") and 0 <= match.score <= 1


SHARED = Matcher(load_phrases())


def test_an_engine_that_is_sure_of_nothing_is_no_division_by_zero(matcher: Matcher) -> None:
    assert matcher.match(Hypothesis("", (), 0.0, (("two", 0.0),))).decision != "accept"


def weighed(other_talk: float, *readings: tuple[str, float]) -> Hypothesis:
    """What an engine that weighs other talk heard: its readings with their shares, each word as sure as the share
    of those that hold it."""
    (text, confidence), *others = readings
    words = tuple(
        Word(word, i * 0.3, i * 0.3 + 0.3, sum(share for reading, share in readings if word in reading.split()))
        for i, word in enumerate(text.split())
    )
    return Hypothesis(text, words, confidence, tuple(others), other_talk)


@pytest.mark.parametrize(
    ("step", "readings", "kind"),
    [  # as the engine heard sentences of ours: doubt about the words is none about what they mean
        ("engine_braking_D", (("freewheels", 0.65), ("free wheels", 0.35)), "no_engine_braking"),
        ("upshift_2_3_medium", (("late thirty eight", 0.6), ("eight thirty eight", 0.4)), "late"),
        ("noise_stopped", (("quiet both", 0.6), ("quite both", 0.2), ("quiet boat", 0.2)), "noise"),
    ],
)
def test_readings_that_mean_the_same_count_together(
    matcher: Matcher, step: str, readings: tuple[tuple[str, float], ...], kind: str
) -> None:
    match = matcher.match(weighed(0.0, *readings), STEPS[step])
    assert match.decision == "accept" and match.finding is not None and match.finding.kind == kind


def test_what_readings_mean_together_has_to_be_surer_than_that_it_was_other_talk(matcher: Matcher) -> None:
    readings = (("freewheels", 0.65), ("free wheels", 0.35))
    taken = [
        matcher.match(weighed(talk, *readings), STEPS["engine_braking_D"]).decision for talk in (0.0, 0.3, 0.99)
    ]
    assert taken == ["accept", "accept", "ignore"]


def test_a_reading_stands_for_itself_where_none_of_the_others_means_the_same(matcher: Matcher) -> None:
    heard = weighed(0.0, ("floored it zip", 0.3), ("let it roll a bit", 0.4), ("call it a day", 0.3))
    match = matcher.match(heard, STEPS["kickdown_2_1"])
    assert match.decision != "accept"
    assert matcher.match("floored it zip", STEPS["kickdown_2_1"]).decision == "accept"


@pytest.mark.parametrize(
    ("text", "command"),
    [
        ("okay i'm back let's go on", "resume"),  # some words name "back", all of them do not
        ("ready when you are fire away with the next one", "next"),
        ("back one please", "back"),
        ("skip this one, the road's wet", "skip"),
        ("strike that last one, i spoke too soon", "strike"),
        ("sorry, say that again, would you", "again"),
        ("hold up a second, there's an ambulance coming through", "hold"),
        ("next please, before this traffic bunches up", "next"),
        ("no point going further, finish now", "finish"),
        ("hang on, back to the previous step please", "back"),
    ],
)
def test_a_command_may_give_its_reason(matcher: Matcher, text: str, command: str) -> None:
    match = matcher.match(text, STEPS["upshift_1_2_light"])
    assert (match.decision, match.command, match.finding) == ("accept", command, None)


@pytest.mark.parametrize(
    ("step", "text", "expected"),
    [
        ("kickdown_2_1", "yep, twenty six", {"kind": "shift_speed", "shift": "2-1", "value": 26.0, "unit": "mph"}),
        ("kickdown_3_2", "it did it at fifty, sorry, fifty two", {"kind": "shift_speed", "value": 52.0}),
        ("kickdown_3_2", "it dropped at forty, forty two i'd say", {"kind": "shift_speed", "value": 42.0}),
        ("coast_down_2_1", "at about ten, eleven", {"kind": "shift_speed", "value": 11.0}),
        ("pressure_forward", "thirty, nope, thirteen", {"kind": "pressure", "value": 13.0}),
        ("pressure_low_reverse", "one eighty, dead on spec", {"kind": "pressure", "value": 180.0}),
        ("upshift_1_2_full", "i saw forty four hundred on the tachometer as it changed",
         {"kind": "engine_speed", "value": 4400.0, "unit": "rpm"}),
        ("upshift_2_3_medium", "thirty five to thirty seven", {"kind": "shift_speed", "value": 37.0}),
        ("stall_D", "two and a half grand, too high", {"kind": "stall_speed", "value": 2500.0}),
        ("engage_drive", "half a sec", {"kind": "engagement_time", "value": 0.5}),
        ("engage_reverse", "won't go", {"kind": "no_reverse"}),
        ("selector_linkage", "adjusted right", {"kind": "linkage", "where": "selector", "present": False}),
        ("throttle_linkage", "adjusted right", {"kind": "linkage", "where": "throttle", "present": False}),
        ("cruise", "whining, um, not whining, it's more like a shudder", {"kind": "shudder"}),
        # a count or a gear is no reading, a rise of engine speed none either
        ("engage_drive", "did it three times for luck and all three were lovely", {"kind": "normal"}),
        ("upshift_1_2_light", "good, all three", {"kind": "normal"}),
        ("upshift_2_3_medium", "couldn't fault that one, did just what it ought to", {"kind": "normal"}),
        ("cruise", "r p m creeping up four hundred while the speedo stays put", {"kind": "slip"}),
        ("stall_D", "topped out at nineteen", {"kind": "stall_speed", "value": 1900.0}),
        ("hold_3", "tacho says two four fifty", {"kind": "engine_speed", "value": 2450.0}),
        ("upshift_2_3_full", "needle was just under seventy, say sixty eight, when third came in",
         {"kind": "shift_speed", "value": 68.0, "unit": "mph"}),
        # what is denied takes nothing back, what passes a test passes over nothing
        ("selector_linkage", "no slop in the rod, clicks where it should", {"kind": "linkage", "present": False}),
        ("engage_reverse", "yeah that's a pass", {"kind": "normal"}),
        ("pressure_forward", "smack in the middle of the range", {"kind": "pressure", "where": "normal"}),
        ("upshift_1_2_light", "there she goes at thirty eight, felt good",
         {"kind": "shift_speed", "shift": "1-2", "value": 38.0}),
        ("upshift_2_3_medium", "couldn't fault that one and it held", {"kind": "normal"}),
        ("acceleration", "i'm ready to race and it won't move off the spot, nothing pulling forward at all",
         {"kind": "no_drive"}),
        ("stall_R", "line pressure at stall, hundred and eighty five",
         {"kind": "pressure", "value": 185.0, "where": "line"}),
        ("engage_drive", "took a good one and a half seconds", {"kind": "engagement_time", "value": 1.5}),
        ("stall_D", "that's not right, it revs well past the stall figure",
         {"kind": "stall_speed", "where": "high"}),
        ("pressure_governor", "zero at thirty", {"kind": "pressure", "value": 0.0}),
        ("pressure_servo", "five bar", {"kind": "pressure", "value": 500.0, "unit": "kPa"}),
    ],
)  # fmt: skip
def test_said_at_a_step(matcher: Matcher, step: str, text: str, expected: dict[str, object]) -> None:
    """What such answers mean at the step: common practice, no source."""
    match = matcher.match(text, STEPS[step])
    assert match.decision == "accept" and match.finding is not None and match.command is None
    assert {key: match.finding.to_json().get(key) for key in expected} == expected
    assert match.finding.kind != "linkage" or match.finding.where in step


@pytest.mark.parametrize(
    ("step", "text"),
    [("pressure_line", "the doctor says my blood pressure's too high"),
     ("upshift_1_2_medium", "you are listening to the morning show, it's twenty past eight")],
)  # fmt: skip
def test_a_number_in_other_talk_is_no_entry(matcher: Matcher, step: str, text: str) -> None:
    assert matcher.match(text, STEPS[step]).decision == "ignore"


def test_what_a_fault_lies_beside_is_no_finding(matcher: Matcher) -> None:
    found = matcher.match("there's not a shudder, a whine")
    assert found.finding is not None and found.finding.kind == "noise" and found.more == ()


@pytest.mark.parametrize(
    ("text", "decision"), [("one pound out if that", "ask"), ("two pounds shy of perfect i'd leave it", "ask"),
                           ("sixty two pounds", "accept"), ("zero pounds", "accept")],
)  # fmt: skip
def test_a_pound_or_two_is_asked_back(matcher: Matcher, text: str, decision: str) -> None:
    """It may say how near a reading is. Common practice, no source."""
    match = matcher.match(text, STEPS["pressure_forward"])
    assert match.finding is not None and match.finding.kind == "pressure" and match.decision == decision


def test_two_readings_are_kept_beside_praise(matcher: Matcher) -> None:
    match = matcher.match("one two at fourteen, two three at twenty six, lovely", STEPS["upshift_1_2_light"])
    assert [(f.shift, f.value) for f in (match.finding, *match.more) if f] == [("1-2", 14.0), ("2-3", 26.0)]


@pytest.mark.parametrize(
    ("text", "command"),
    [("pass on that", "skip"), ("skip this one, the road's wet and there's a queue of cars behind us", "skip"),
     ("leave that song on, it was the last one they played at our wedding", None)],
)  # fmt: skip
def test_a_command_named_in_talk_is_none_and_one_with_a_long_reason_is(
    matcher: Matcher, text: str, command: str | None
) -> None:
    match = matcher.match(text, STEPS["upshift_1_2_light"])
    assert match.command == command and match.finding is None


def test_a_road_speed_is_no_engine_speed(matcher: Matcher) -> None:
    match = matcher.match("forty miles an hour", STEPS["hold_3"])
    assert match.decision != "accept" or (match.finding is not None and match.finding.unit == "mph")
    assert match.finding is None or match.finding.kind != "engine_speed"
