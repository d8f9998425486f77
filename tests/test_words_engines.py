"""Both engines for real: pocketsphinx with its bundled model, Vosk with a model folder."""

from __future__ import annotations

import shutil
import tempfile
import tomllib
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from fieldassist.errors import DataFileError, UserError
from fieldassist.phrases.automaton import Promised, compile_grammar
from fieldassist.phrases.jsgf import parse_grammar
from fieldassist.resources import shipped
from fieldassist.sound.wave import read_wave
from fieldassist.words import graph as graph_module
from fieldassist.words.engines import open_engine
from fieldassist.words.models import (
    SHIPPED_MODEL,
    Preference,
    check_model,
    config_path,
    find_model,
    read_preference,
    write_preference,
)
from fieldassist.words.recognizer import SAMPLE_RATE
from fieldassist.words.sphinx_engine import SphinxEngine

TRIAL = Path(__file__).resolve().parents[2] / "shared" / "vosk_trial_model"
PHRASES = ["two three flare", "shift at twenty one hundred", "slip in reverse", "harsh engagement in drive"]


@pytest.fixture(scope="session")
def vosk_model() -> Path:
    for folder in (SHIPPED_MODEL, TRIAL):
        if (folder / "am" / "final.mdl").exists():
            return folder
    pytest.skip("no Vosk model: neither the shipped one nor a trial model beside the checkout")


@pytest.fixture(autouse=True)
def own_home(tmp_path, monkeypatch):
    monkeypatch.setenv("FIELDASSIST_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("FIELDASSIST_VOSK_MODEL", raising=False)
    return tmp_path / "home"


@pytest.fixture(scope="session")
def spoken():
    """Say a sentence with the synthetic voice that the prompts use."""
    from fieldassist.sound.voice import Voice

    voice = Voice()
    return lambda text: np.concatenate([np.zeros(8000, np.int16), voice.render(text), np.zeros(8000, np.int16)])


RECORDED = ["flare two three", "slips in second gear", "two three normal", "no slip in reverse"]


def recorded(text):
    """A clip of the recorded drive, whose speakers no model was trained on.

    The voice of the prompts will not do for the shipped model: it has learned that voice as noise.
    """
    folder = shipped("audio_fixtures") / "second_gear_slips"
    rows = tomllib.loads((folder / "scenario.toml").read_text(encoding="utf-8"))["utterance"]
    return read_wave(folder / next(row["file"] for row in rows if row["text"] == text))


def voice_for(name, spoken):
    """What an engine is tried with: its phrases, and who says them."""
    return (RECORDED, recorded) if name == "vosk" else (PHRASES, spoken)


def hear(engine, samples):
    engine.start()
    partials = [engine.feed(samples[i : i + 1600]) for i in range(0, len(samples), 1600)]
    return engine.finish(), partials


def check_hypothesis(hypothesis, seconds):
    assert hypothesis.text == " ".join(word.text for word in hypothesis.words)
    assert 0.0 <= hypothesis.confidence <= 1.0
    last = 0.0
    for word in hypothesis.words:
        assert last - 0.02 <= word.start < word.end <= seconds + 0.1
        assert 0.0 <= word.confidence <= 1.0 + 1e-9
        last = word.end


@pytest.mark.parametrize("name", ["sphinx", "vosk"])
def test_each_phrase_is_heard_with_times_partials_and_confidence(name, vosk_model, spoken):
    engine = open_engine(name, vosk_model if name == "vosk" else None)
    assert engine.name == name
    phrases, say = voice_for(name, spoken)
    assert engine.use_phrases(phrases) == ()
    right = 0
    for phrase in phrases:
        samples = say(phrase)
        hypothesis, partials = hear(engine, samples)
        check_hypothesis(hypothesis, len(samples) / SAMPLE_RATE)
        right += hypothesis.text == phrase
        assert name == "sphinx" or any(partials), "no partial result while it was being said"
    assert right == len(phrases)  # none of the voices is a training speaker's


@pytest.mark.parametrize("name", ["sphinx", "vosk"])
def test_times_start_anew_with_every_utterance_and_an_unfinished_one_is_dropped(name, vosk_model, spoken):
    engine = open_engine(name, vosk_model if name == "vosk" else None)
    phrases, say = voice_for(name, spoken)
    engine.use_phrases(phrases)
    samples = say(phrases[1])
    first, _ = hear(engine, samples)
    engine.start()
    engine.feed(samples[: len(samples) // 2])
    second, _ = hear(engine, samples)
    assert first.text and second.text == first.text
    for one, other in zip(first.words, second.words, strict=True):
        assert other.start == pytest.approx(one.start, abs=0.1)


@pytest.mark.parametrize("name", ["sphinx", "vosk"])
def test_nothing_said_is_nothing_heard(name, vosk_model):
    engine = open_engine(name, vosk_model if name == "vosk" else None)
    engine.use_phrases(PHRASES)
    assert hear(engine, np.zeros(0, np.int16))[0].text == ""
    assert hear(engine, np.zeros(16000, np.int16))[0].text in ("", "[unk]")


def test_words_that_a_model_lacks_are_reported(vosk_model):
    engine = open_engine("vosk", vosk_model)
    assert engine.use_phrases(["slip in reverse", "xyzzyq in reverse"]) == ("xyzzyq",)


def test_sphinx_takes_trade_words_from_the_lexicon_and_reports_what_is_no_word(spoken):
    engine = SphinxEngine()
    assert engine.use_phrases(["low sprag", "slip in reverse", "2000 revs"]) == ("2000",)
    assert hear(engine, spoken("low sprag"))[0].text == "low sprag"


@pytest.mark.parametrize("name", ["sphinx", "vosk"])
def test_a_grammar_drives_the_engine(name, vosk_model, spoken):
    grammar = parse_grammar(
        "#JSGF V1.0;\ngrammar t;\npublic <s> = <what> [in <where>];\n"
        "<what> = slip {slip} | slips | no slip | (harsh | soft) shift;\n"
        "<where> = reverse | drive | second gear;\n"
    )
    engine = open_engine(name, vosk_model if name == "vosk" else None)
    assert engine.use_automaton(compile_grammar(grammar)) == ()
    one, other = (RECORDED[1], RECORDED[3]) if name == "vosk" else ("soft shift in drive", "slip in reverse")
    _, say = voice_for(name, spoken)
    assert hear(engine, say(one))[0].text == one
    assert engine.use_phrases([other]) == ()
    assert hear(engine, say(other))[0].text == other


def test_the_shipped_model_hears_a_grammar_though_no_graph_can_be_kept(own_home, monkeypatch, tmp_path):
    if not (SHIPPED_MODEL / "am" / "final.mdl").exists():
        pytest.skip("no model is shipped")
    own_home.mkdir()
    (own_home / "graphs").write_text("a file where the folder should be")
    grammar = parse_grammar("#JSGF V1.0;\ngrammar t;\npublic <s> = slips in (second gear | drive);\n")
    engine = open_engine("vosk")
    assert engine.use_automaton(compile_grammar(grammar)) == ()
    assert hear(engine, recorded("slips in second gear"))[0].text == "slips in second gear"

    def no_room(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(tempfile, "TemporaryDirectory", no_room)
    assert engine.use_automaton(compile_grammar(grammar)) == ()
    assert hear(engine, recorded("slips in second gear"))[0].text, "the general graph hears nothing at all"


def test_a_grammar_is_made_only_where_its_graph_is_not_kept(own_home, spoken):
    if not (SHIPPED_MODEL / "am" / "final.mdl").exists():
        pytest.skip("no model is shipped")
    rule = "public <s> = slips in (second gear | drive);"
    grammar = compile_grammar(parse_grammar(f"#JSGF V1.0;\ngrammar t;\n{rule}\n"))
    made = []

    def make(name):
        made.append(name)
        return grammar

    for name in ("one", "one", "other"):
        engine = open_engine("vosk")
        engine.use_promised(Promised(name, partial(make, name)))
        assert hear(engine, recorded("slips in second gear"))[0].text == "slips in second gear"
    assert made == ["one", "other"]

    def broken():
        raise UserError("ours.gram:3: expected ;")

    with pytest.raises(UserError, match="expected ;"):
        open_engine("vosk").use_promised(Promised("broken", broken))
    sphinx = SphinxEngine()
    sphinx.use_promised(Promised("one", lambda: grammar))
    assert hear(sphinx, spoken("slips in second gear"))[0].text == "slips in second gear"


def test_the_shipped_model_takes_the_voice_of_the_prompts_for_noise(spoken):
    if not (SHIPPED_MODEL / "am" / "final.mdl").exists():
        pytest.skip("no model is shipped")
    engine = open_engine("vosk")
    engine.use_phrases(PHRASES)
    assert {hear(engine, spoken(phrase))[0].text for phrase in PHRASES} <= {"", "[unk]"}


def test_half_a_graph_is_not_left_on_a_full_disk(tmp_path, monkeypatch):
    if not (SHIPPED_MODEL / "am" / "final.mdl").exists():
        pytest.skip("no model is shipped")

    def no_room(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(graph_module, "build_graph", no_room)
    automaton = compile_grammar(parse_grammar("#JSGF V1.0;\ngrammar t;\npublic <s> = slips;\n"))
    with pytest.raises(UserError, match="No space left"):
        graph_module.model_for_grammar(SHIPPED_MODEL, graph_module.promised(automaton), tmp_path / "graphs")
    assert not list((tmp_path / "graphs").iterdir())


def test_sphinx_hears_the_same_however_the_audio_is_handed_over_and_goes_on_after_a_pause(spoken):
    engine = SphinxEngine()
    engine.use_phrases([*PHRASES, f"{PHRASES[0]} {PHRASES[2]}"])
    paused = np.concatenate([spoken(PHRASES[0]), spoken(PHRASES[2])])
    for samples, text in ((spoken(PHRASES[1]), PHRASES[1]), (paused, f"{PHRASES[0]} {PHRASES[2]}")):
        results = []
        for step, pauses in ((333, ()), (1600, (9600, 16000, 19200, 24000)), (len(samples), (len(samples),))):
            engine.start()
            for at in range(0, len(samples), step):
                engine.feed(samples[at : at + step])
                if min(at + step, len(samples)) in pauses:
                    engine.pause()
            results.append(engine.finish())
        assert results[0] == results[1] == results[2]
        assert results[0].text == text


def test_after_a_pause_sphinx_has_decoded_what_was_fed(spoken, monkeypatch):
    engine = SphinxEngine()
    engine.use_phrases(PHRASES)
    engine.start()
    engine.feed(spoken(PHRASES[1]))
    engine.pause()
    monkeypatch.setattr(engine, "_decode", lambda: pytest.fail("decoded again"))
    engine.pause()
    assert engine.finish().text == PHRASES[1]


def test_wrong_speech_scores_below_right_speech_in_sphinx(spoken):
    engine = SphinxEngine()
    engine.use_phrases(PHRASES)
    right = hear(engine, spoken(PHRASES[1]))[0].confidence
    wrong = hear(engine, spoken("turn left after the bridge please"))[0].confidence
    assert right > wrong + 0.2


def test_an_unknown_engine_or_a_model_for_sphinx_is_refused(vosk_model):
    with pytest.raises(UserError, match="vosk or sphinx"):
        open_engine("parrot")
    with pytest.raises(UserError, match="brings its own"):
        open_engine("sphinx", vosk_model)


def test_the_search_order(tmp_path, vosk_model, monkeypatch):
    by_option, by_variable = tmp_path / "option", tmp_path / "variable"
    for copy in (by_option, by_variable):
        shutil.copytree(vosk_model, copy)
    write_preference(Preference("vosk", vosk_model))
    assert find_model().found_by == str(config_path())
    monkeypatch.setenv("FIELDASSIST_VOSK_MODEL", str(by_variable))
    assert find_model().path == by_variable
    assert find_model(by_option).path == by_option
    monkeypatch.setenv("FIELDASSIST_VOSK_MODEL", str(tmp_path / "gone"))
    with pytest.raises(UserError, match="FIELDASSIST_VOSK_MODEL"):
        find_model()


def test_the_config_file_keeps_other_tables_and_tells_its_faults(own_home):
    own_home.mkdir()
    config_path().write_text("[speech]\nengine = \"sphinx\"\n[sound]\ninput = \"mic\"\n")
    assert read_preference() == Preference("sphinx", None)
    write_preference(Preference("vosk", Path("/models/\"odd\" name")))
    assert read_preference() == Preference("vosk", Path("/models/\"odd\" name"))
    assert "[sound]\ninput = \"mic\"" in config_path().read_text()
    config_path().write_text("[speech]\nengine = \n")
    with pytest.raises(DataFileError):
        read_preference()
    config_path().write_text("[speech]\nengine = \"parrot\"\n")
    with pytest.raises(DataFileError, match="parrot"):
        read_preference()


@pytest.mark.parametrize(
    "harm",
    ["no am/final.mdl", "empty graph/Gr.fst", "junk graph/HCLr.fst", "short graph/HCLr.fst", "short am/final.mdl",
     "short graph/Gr.fst", "empty graph/HCLG.fst", "junk graph/HCLG.fst", "short graph/HCLG.fst",
     "junk conf/model.conf", "no graph/words.txt", "no conf/mfcc.conf",
     "middle am/final.mdl"],
)  # fmt: skip
def test_a_broken_model_folder_is_one_line_and_never_an_abort(tmp_path, vosk_model, harm):
    how, name = harm.split()
    folder = tmp_path / "model"
    with_file = [model for model in (vosk_model, TRIAL) if (model / name).exists()]
    if not with_file:
        pytest.skip(f"no model with {name}: this layout is that of the trial model beside the checkout")
    shutil.copytree(with_file[0], folder)
    path = folder / name
    path.chmod(0o644)
    path.parent.chmod(0o755)
    whole = path.read_bytes()
    match how:
        case "no":
            path.unlink()
        case "empty":
            path.write_bytes(b"")
        case "junk":
            path.write_bytes(b"junk " * 100)
        case "short":
            path.write_bytes(whole[: len(whole) * 2 // 3])
        case "middle":
            path.write_bytes(whole[:4000] + b"\xff" * 400 + whole[4400:])
    with pytest.raises(UserError) as caught:
        open_engine("vosk", folder)
    assert "model" in str(caught.value) and "\n" not in str(caught.value)


def test_a_missing_model_folder(tmp_path):
    with pytest.raises(UserError, match="no such model folder"):
        check_model(tmp_path / "nothing")
