"""Words of one's own: the examples, what is learned from them, and what the matcher makes of it.

What a phrase of the trade means is common practice, no source.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from fieldassist.cli import main
from fieldassist.deduce import load_unit, steps_for
from fieldassist.deduce.unit import unit_names
from fieldassist.errors import DataFileError
from fieldassist.finding import KINDS, Finding
from fieldassist.phrases import Matcher, load_phrases
from fieldassist.phrases.automaton import Arc, Tag, compile_grammar
from fieldassist.phrases.compose import Composed
from fieldassist.phrases.encoder import Said
from fieldassist.phrases.own_words import agreement, meant, without_strays
from fieldassist.phrases.sense import _DECAY, SenseModel, learn, not_learned
from fieldassist.phrases.wordings import COMMANDS, FILE, Wording, read_wordings
from fieldassist.resources import shipped

STEPS = {step.id: step for step in steps_for(load_unit("three_speed_simpson"))}
SHIPPED = read_wordings(shipped("grammars") / FILE)
GOOD = '{ at = "upshift", means = "slip", said = "runs [away], \\"mate\\" # on me" }'


# --- the file


def test_every_way_to_write_the_list_is_read(tmp_path: Path) -> None:
    wanted = Wording("upshift", "no slip", "it's fine")
    row = '{ at = "upshift", means = " no  slip", said = "it\'s fine" }'
    table = '[[wording]]\nat = "upshift"\nmeans = "no slip"\nsaid = "it\'s fine"\n'
    for text in (f"wording = [\n  {row},\n  {row},\n]\n", f"wording = [{row}, {row}]", table * 2):
        (tmp_path / FILE).write_text(text)
        assert read_wordings(tmp_path / FILE) == (wanted, wanted)
    (tmp_path / FILE).write_text("wording = []")
    assert read_wordings(tmp_path / FILE) == ()


BAD_ROWS = [
    "3", '"slip"', "[]", "{}", '{ at = "upshift", means = "slip" }', '{ at = 1, means = "slip", said = "x" }',
    '{ at = "upshift", means = "slip", said = "" }', '{ at = " ", means = "slip", said = "x" }',
    '{ at = "upshift", means = "slip", said = ["x"] }', '{ at = "upshift", means = "slip", said = "x", gear = 2 }',
    *(
        f'{{ at = "upshift", means = "{means}", said = "x" }}'
        for means in (
            "slips", "no", "no talk", "talk slip", "no normal", "slip second", "fluid_level lwo", "noise hum loud",
            "pressure fine", "command", "command hodl", "command next please", "no command next", "Slip",
        )
    ),
]  # fmt: skip


@pytest.mark.parametrize("bad", BAD_ROWS)
def test_a_bad_row_is_told_with_file_line_and_what_was_expected(bad: str, tmp_path: Path) -> None:
    path = tmp_path / FILE
    for text, line in (
        (f"# ours, [all]\nwording = [\n  {GOOD}, # {{\n\n  {GOOD}, {bad},\n]\n", 5),
        (f"wording = [{bad}]\n", 1),
        (f"wording = [\n\n  {bad}\n  , {GOOD}\n]\n", 3),
    ):
        path.write_text(text)
        with pytest.raises(DataFileError) as told:
            read_wordings(path)
        message = str(told.value)
        assert message.startswith(f"{path}:{line}: ") and "expected { at = " in message and "\n" not in message


def test_the_line_of_a_table_is_told(tmp_path: Path) -> None:
    table = '[[wording]]\nat = "hold"\nmeans = "{}"\nsaid = "x"\n\n'
    (tmp_path / FILE).write_text(table.format("slip") * 2 + table.format("slippy"))
    with pytest.raises(DataFileError, match=r"wordings\.toml:11: means 'slippy': expected"):
        read_wordings(tmp_path / FILE)


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"wording = [ {", "TOML"), (b'a = 1\nb = "\n', "TOML.*line 2"), (b"\xff\xfe", "TOML"),
        (b"wording = 3", "expected one list"), (b"[wording]\nat = 1", "expected one list"),
        (b"", "expected one list"), (b"wordings = []", "expected one list"),
        (b"wording = []\n[more]\n", "expected one list"),
    ],
)  # fmt: skip
def test_a_file_of_another_shape_is_told(data: bytes, told: str, tmp_path: Path) -> None:
    (tmp_path / FILE).write_bytes(data)
    with pytest.raises(DataFileError, match=rf"(?s)wordings\.toml: .*{told}"):
        read_wordings(tmp_path / FILE)


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(DataFileError, match=r"wordings\.toml: cannot be read"):
        read_wordings(tmp_path / FILE)


@settings(max_examples=60, deadline=None)
@given(text=st.text('wording=[]{}",\'#\\ \nat3', max_size=40))
def test_any_text_is_read_or_told(text: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.getbasetemp() / FILE
    path.write_text(f"wording = [{text}", encoding="utf-8")
    try:
        read_wordings(path)
    except DataFileError as error:
        assert str(path) in str(error)


def test_the_shipped_examples_are_of_steps_that_there_are_and_leave_out_no_kind() -> None:
    procedures = {step.procedure for name in unit_names() for step in steps_for(load_unit(name))}
    assert {each.at for each in SHIPPED} <= procedures
    said = {each.means.removeprefix("no ").split()[0] for each in SHIPPED}
    assert set(KINDS) <= said and "talk" in said
    assert {each.means.split()[1] for each in SHIPPED if each.means.startswith("command ")} == set(COMMANDS)


def test_the_commands_are_those_of_the_grammar() -> None:
    tags = {tag for arc in compile_grammar(load_phrases().grammar).arcs for tag in arc.tags}
    assert {tag.value for tag in tags if tag.key == "command"} == set(COMMANDS)


# --- which words speak for what

WORDS = ("bang", "calm", "drop", "grip", "hum")
PLACES = ("hold", "upshift")
TRUTH = {
    "harsh": (2.0, -1.0, 0.5, 0.0, -1.0), "normal": (-1.5, 1.5, 0.0, 1.0, 0.0),
    "slip": (0.0, -1.0, 1.5, -1.0, 0.5),
}  # fmt: skip


def drawn(count: int) -> list[tuple[tuple[str, ...], str, str]]:
    """Examples of two or three words; the meaning is drawn by weights of the words, so that none is certain."""
    random = np.random.default_rng(3)
    out = []
    for _ in range(count):
        chosen = random.choice(len(WORDS), random.integers(2, 4), replace=False)
        powers = np.exp([sum(TRUTH[meaning][word] for word in chosen) for meaning in TRUTH])
        meaning = str(random.choice(list(TRUTH), p=powers / powers.sum()))
        out.append((tuple(WORDS[word] for word in chosen), PLACES[random.integers(2)], meaning))
    return out


def described(words: tuple[str, ...], place: str) -> dict[str, float]:
    """The features as the module states them: words, neighbours, pairs with one between, words at a procedure."""
    return {
        "": 1.0, f"at {place}": 1.0, **dict.fromkeys(words, 1.0), **{f"{place}: {word}": 0.7 for word in words},
        **{f"{one} {other}": 1.0 for one, other in pairwise(("^", *words, "$"))},
        **{f"{one} .{other}": 0.5 for one, other in zip(words, words[2:], strict=False)},
    }  # fmt: skip


def shares_of(model: SenseModel, said: Said, place: str) -> dict[str, float]:
    return model.shares([said], place)[0]


EXAMPLES = drawn(2500)
MODEL = learn(EXAMPLES)
MEAN_APART, MOST_APART = 0.02, 0.1


def test_probabilities_are_near_those_of_the_best_weights() -> None:
    """The optimum of the regularised multinomial logistic regression (T. Hastie, R. Tibshirani, J. Friedman, "The
    Elements of Statistical Learning", 2nd ed., section 4.4, from memory) by L-BFGS. AdaGrad
    (Duchi, Hazan, Singer 2011) comes near it, with a mean regret that falls with the root of the steps taken: the
    tolerances are for ten passes.
    """
    keys = sorted({key for words, place, _ in EXAMPLES for key in described(words, place)})
    table = np.array([[described(words, place).get(key, 0.0) for key in keys] for words, place, _ in EXAMPLES])
    right = np.array([[meaning == each for each in TRUTH] for _, _, meaning in EXAMPLES], float)
    often = (table > 0).sum(axis=0)[:, None]  # a weight decays whenever its feature occurs

    def chances(weights: np.ndarray) -> np.ndarray:
        powers = np.exp(table @ weights)
        return np.asarray(powers / powers.sum(axis=1, keepdims=True))

    def loss(flat: np.ndarray) -> tuple[float, np.ndarray]:
        weights = flat.reshape(len(keys), len(TRUTH))
        found = chances(weights)
        value = -np.sum(right * np.log(found)) + _DECAY / 2 * np.sum(often * weights**2)
        return float(value), (table.T @ (found - right) + _DECAY * often * weights).ravel()

    best = minimize(loss, np.zeros(len(keys) * len(TRUTH)), jac=True, method="L-BFGS-B", options={"maxiter": 2000})
    wanted = chances(best.x.reshape(len(keys), len(TRUTH)))
    shares = [shares_of(MODEL, [(word, 1.0) for word in words], place) for words, place, _ in EXAMPLES]
    found = np.array([[each[meaning] for meaning in TRUTH] for each in shares])
    apart = np.abs(found - wanted)
    assert apart.mean() < MEAN_APART and apart.max() < MOST_APART
    assert np.abs(wanted - right.mean(axis=0)).mean() > 5 * MEAN_APART  # to say the usual of all is not near


def surely(*words: str) -> list[tuple[str, float]]:
    return [(word, 1.0) for word in words]


def test_the_same_examples_give_the_same_model() -> None:
    one, again, other = learn(EXAMPLES[:60]), learn(list(EXAMPLES[:60])), learn(EXAMPLES[:59])
    assert np.array_equal(one.weights, again.weights) and np.array_equal(one.features, again.features)
    assert one.weights.shape != other.weights.shape or not np.array_equal(one.weights, other.weights)


def test_a_model_is_learned_on_and_keeps_what_it_knew() -> None:
    base = learn(EXAMPLES[:600])
    more = [(("grip", "quilt"), "hold", "bind"), (("quilt",), "hold", "bind")]
    both = learn(more, base)
    assert both.meanings == (*base.meanings, "bind")
    assert shares_of(both, surely("quilt"), "hold")["bind"] > 0.6 > base.known(surely("quilt"))
    for words in (("bang", "calm"), ("drop", "hum")):
        before, after = shares_of(base, surely(*words), "upshift"), shares_of(both, surely(*words), "upshift")
        assert max(before, key=lambda each: before[each]) == max(after, key=lambda each: after[each])
    assert not_learned(base, [*EXAMPLES[:600], *more]) == more and not_learned(both, more) == []


@settings(max_examples=50, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from([*WORDS, "zebra", "uh", "[unk]", "forty"]), st.floats(0, 1)), max_size=8),
    st.sampled_from([*PLACES, "elsewhere"]),
)
def test_shares_sum_to_one(said: list[tuple[str, float]], place: str) -> None:
    shares = shares_of(MODEL, said, place)
    assert set(shares) == set(TRUTH) and all(share >= 0 for share in shares.values())
    assert sum(shares.values()) == pytest.approx(1.0, abs=1e-5)
    assert 0.0 <= MODEL.known(said) <= 1.0


def test_words_that_no_example_has_change_nothing() -> None:
    assert shares_of(MODEL, surely("zebra", "quilt"), "hold") == shares_of(MODEL, [], "hold")
    assert shares_of(MODEL, surely("bang", "zebra"), "hold") == shares_of(MODEL, surely("bang", "quilt"), "hold")
    said = surely("bang", "drop")
    assert shares_of(MODEL, surely("uh", "bang", "[unk]", "um", "drop"), "hold") == shares_of(MODEL, said, "hold")
    assert MODEL.known(surely("bang", "zebra", "uh", "[unk]")) == 0.5
    assert MODEL.known([]) == 0.0


def test_an_uncertain_word_counts_less() -> None:
    harsh = [shares_of(MODEL, [("bang", sure)], "hold")["harsh"] for sure in (0.0, 0.3, 0.6, 1.0)]
    assert harsh == sorted(harsh) and harsh[-1] > harsh[0] + 0.2
    assert harsh[0] == pytest.approx(shares_of(MODEL, surely("zebra"), "hold")["harsh"])


def test_endings_and_numbers_make_no_difference() -> None:
    examples = [(("slipped", "at", "forty", "five"), "hold", "slip"), (("fine", "at", "ten"), "hold", "normal")]
    model = learn(examples * 3)
    wanted = shares_of(model, surely("slipped", "at", "forty", "five"), "hold")
    for other in (("slipping", "at", "nine"), ("slips", "at", "two", "thousand")):
        assert shares_of(model, surely(*other), "hold") == wanted
    assert wanted["slip"] > 0.5 > shares_of(model, surely("fine", "at", "sixty"), "hold")["slip"]


# --- what the words speak for, against the grammars


def composed(*findings: Finding) -> Composed:
    return Composed(findings=findings)


@pytest.mark.parametrize(
    ("finding", "meaning", "agrees"),
    [
        (Finding("slip", present=False), "normal", True), (Finding("normal"), "no slip", True),
        (Finding("normal"), "pressure normal", True), (Finding("fluid_condition", where="clear"), "normal", True),
        (Finding("no_engine_braking", present=False), "no no_engine_braking", True),
        (Finding("slip", present=False), "slip", False), (Finding("slip"), "no slip", False),
        (Finding("slip"), "normal", False), (Finding("slip"), "flare", True), (Finding("slip"), "harsh", False),
        (Finding("no_engine_braking"), "no no_engine_braking", False), (Finding("slip"), "talk", False),
        (Finding("fluid_level", where="low"), "fluid_level low", True),
        (Finding("fluid_level", where="low"), "fluid_level high", False),
        (Finding("pressure", where="line low"), "pressure low", True),
        (Finding("pressure", where="line low"), "pressure high", False),
    ],
)  # fmt: skip
def test_what_agrees(finding: Finding, meaning: str, agrees: bool) -> None:
    """That no fault is good, and that an engine running away is called a slip: common practice, no source."""
    shares = {meaning: 0.7, "bind": 0.3}
    assert agreement(composed(finding), shares) == (0.7 if agrees else 0.0)


def test_agreement_of_commands_numbers_and_nothing() -> None:
    assert agreement(Composed(command="next"), {"command next": 0.8, "talk": 0.2}) == 0.8
    assert agreement(Composed(command="next"), {"talk": 1.0}) == 0.0
    assert agreement(Composed(), {"talk": 0.9, "slip": 0.1}) == pytest.approx(0.1)
    told = Finding("shift_speed", shift="1-2", value=14.0, unit="mph")  # the number speaks for itself
    assert agreement(composed(told), {"slip": 0.8, "talk": 0.2}) == pytest.approx(0.4)
    assert agreement(composed(told), {"talk": 1.0}) == 0.0
    assert agreement(composed(told), {"shift_speed": 0.9, "talk": 0.1}) == 0.9
    parts = {"slip": 0.7, "flare": 0.3, "bind": 1e-7}
    assert agreement(composed(Finding("slip")), parts) == pytest.approx(1.0) and agreement(composed(), {}) == 1.0


def test_a_stray_finding_is_left_out() -> None:
    slip, bind = Finding("slip"), Finding("bind")
    speed = Finding("shift_speed", shift="1-2", value=14.0, unit="mph")
    shares, said = {"slip": 0.95, "bind": 0.05}, ("slips", "at", "fourteen")
    assert without_strays(composed(slip, bind), shares, said).findings == (slip,)
    assert without_strays(Composed((bind, slip), assumed=("gear",)), shares, said) == composed(slip)
    assert without_strays(Composed((slip, bind), assumed=("gear",)), shares, said).assumed == ("gear",)
    for kept, told in (
        (composed(slip, bind), {"slip": 0.6, "bind": 0.4}), (composed(slip, speed), shares),
        (composed(bind), shares), (composed(slip, bind), {}), (composed(slip, bind), {"talk": 1.0}),
    ):  # fmt: skip
        assert without_strays(kept, told, said) == kept
    # "nearly had me through the windscreen" tells no three
    assert without_strays(composed(slip, speed), shares, ("slips", "through")) == composed(slip)


def test_a_look_of_another_kind_does_not_come_into_the_finding() -> None:
    """ "Tired" is a look of fluid, in "pump must be tired, reading's under"."""
    tired = Arc(0, 1, "tired", tags=(Tag("kind", "fluid_condition"), Tag("where", "dark")))
    found = meant({"pressure low": 0.9, "talk": 0.1}, (tired,), STEPS["pressure_line"])
    assert found is not None and found[0].findings[0].where == "low"
    same = meant({"fluid_condition": 0.9, "talk": 0.1}, (tired,), STEPS["fluid_condition"])
    assert same is not None and same[0].findings[0].where == "dark"


SHIFT = Arc(0, 1, "three", tags=(Tag("shift", "2-3"), Tag("kind", "harsh")))
SPEED = (
    Arc(1, 2, "thirty", tags=(Tag("value", None),), slots=("value",)),
    Arc(2, 3, "mph", tags=(Tag("unit", "mph"),)),
)  # fmt: skip


def test_shift_and_number_that_the_grammar_found_come_into_the_finding() -> None:
    found = meant({"slip": 0.9, "harsh": 0.1}, (SHIFT, *SPEED), None)
    assert found is not None
    assert found[0].findings == (Finding("slip", shift="2-3", value=30.0, unit="mph"),) and found[1] == 0.9
    found = meant({"no slip": 0.5, "normal": 0.3, "talk": 0.2}, (SHIFT,), None)
    assert found is not None and found[0].findings == (Finding("slip", shift="2-3", present=False),)
    assert found[1] == pytest.approx(0.8)  # that it is normal says the same
    found = meant({"shift_speed": 0.9, "talk": 0.1}, SPEED, STEPS["upshift_2_3_light"])
    assert found is not None
    speed = found[0].findings[0]
    assert (speed.kind, speed.shift, speed.throttle, speed.value) == ("shift_speed", "2-3", "light", 30.0)


@pytest.mark.parametrize(
    ("meaning", "kind", "where"),
    [
        ("fluid_level low", "fluid_level", "low"), ("pressure high", "pressure", "high"),
        ("leak pan", "leak", "pan"), ("noise whine", "noise", "whine"),
        ("linkage selector", "linkage", "selector"), ("no no_kickdown", "no_kickdown", None),
    ],
)  # fmt: skip
def test_place_or_look_comes_into_the_finding(meaning: str, kind: str, where: str | None) -> None:
    found = meant({meaning: 1.0}, (), None)
    assert found is not None and found[1] == 1.0
    assert found[0].findings == (Finding(kind, where=where, present=not meaning.startswith("no ")),)


def test_commands_talk_and_numbers_not_found() -> None:
    assert meant({"command next": 0.8, "talk": 0.2}, (SHIFT,), None) == (Composed(command="next"), 0.8)
    assert meant({"talk": 0.6, "slip": 0.4}, (SHIFT,), None) is None


def test_a_bare_number_is_none_where_nothing_is_measured_unless_the_words_are_clear() -> None:
    shares = {"shift_speed": 0.8, "talk": 0.2}
    assert meant(shares, SPEED[:1], STEPS["pan_inspection"]) is None
    assert meant({"shift_speed": 0.95, "talk": 0.05}, SPEED[:1], STEPS["pan_inspection"]) is not None
    assert meant(shares, SPEED[:1], STEPS["upshift_1_2_light"]) is not None
    assert meant(shares, (SHIFT, *SPEED), STEPS["pan_inspection"]) is not None  # who says so much means it


# --- a shop's own


def write_own(home: Path, text: str) -> None:
    (home / "grammars").mkdir(exist_ok=True)
    (home / "grammars" / FILE).write_text(text)


def test_a_shops_own_wording_is_understood(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FIELDASSIST_HOME", str(tmp_path))
    text, step = "yodelled at me", STEPS["upshift_2_3_light"]
    assert Matcher(load_phrases()).match(text, step).finding is None
    write_own(
        tmp_path,
        """wording = [
  { at = "upshift", means = "flare", said = "yodelling on me" },
  { at = "upshift", means = "flare", said = "she is yodelling" },
  { at = "upshift", means = "flare", said = "yodels between gears" },
]
""",
    )
    matcher = Matcher(load_phrases())
    match = matcher.match(text, step)
    assert match.decision == "accept" and match.finding is not None
    assert (match.finding.kind, match.finding.shift, match.finding.present) == ("flare", "2-3", True)
    assert match.finding.confidence < 1.0
    assert matcher.match("did you see the game last night", step).finding is None


@pytest.mark.parametrize("command", ["match", "hear"])
def test_a_broken_row_is_one_line_and_exit_code_2(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("FIELDASSIST_HOME", str(tmp_path))
    write_own(tmp_path, f'wording = [\n  {GOOD},\n  {{ at = "upshift", means = "slips", said = "x" }},\n]\n')
    given = "slips" if command == "match" else str(next(shipped("audio_fixtures").rglob("*.flac")))
    assert main([command, given]) == 2
    told = capsys.readouterr()
    assert told.err.count("\n") == 1 and f"{FILE}:3: means 'slips': expected" in told.err and told.out == ""


@pytest.mark.parametrize(
    ("text", "talk", "decision"),
    [
        ("kind of rubber banding", 0.1, "accept"), ("kind of rubber banding", 0.3, "ask"),
        ("slips in second", 0.3, "accept"), ("slips in second", 0.99, "ignore"),
    ],
)  # fmt: skip
def test_what_is_perhaps_talk_is_asked_back_unless_the_grammar_has_it(
    text: str, talk: float, decision: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Matcher, "_shares", lambda *_: {"slip": 1.0 - talk, "talk": talk})
    assert Matcher(load_phrases()).match(text, STEPS["hold_2"]).decision == decision


def test_what_is_told_at_length_in_no_turn_of_phrase_that_we_know_is_no_observation() -> None:
    """Of the "Rainbow Passage" (G. Fairbanks, "Voice and Articulation Drillbook", 1960), as it is read in VCTK."""
    read = (
        "the difference in the rainbow depends considerably upon the size of the drops "
        "and the width of the colored band increases as the size of the drops increases"
    )
    assert Matcher(load_phrases()).match(read, STEPS["hold_1"]).decision == "ignore"
