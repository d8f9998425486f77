"""Speech recognition by Vosk: any Vosk model folder, limited at run time to our phrases."""

from __future__ import annotations

import hashlib
import json
import math
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from fieldassist.errors import UserError
from fieldassist.phrases.automaton import Automaton, Promised, automaton_of
from fieldassist.phrases.covering import covering_sentences
from fieldassist.phrases.phonemes import known_pronunciations
from fieldassist.resources import home
from fieldassist.words.graph import Filler, model_for_grammar, promised, word_boundaries
from fieldassist.words.libvosk import give_back_what_is_free, vosk
from fieldassist.words.models import ModelFolder
from fieldassist.words.recognizer import SAMPLE_RATE, Hypothesis, Samples, Word
from fieldassist.words.watching import Watched, Watcher
from fieldassist.words.worker import Worker, WorkerLost

UNKNOWN = "[unk]"
"""What Vosk puts where speech fits no phrase."""

_ALTERNATIVES = 16
_TALK_ALONE = 4.0
"""Log odds of other talk in nats from which on nothing else is read in an utterance."""
_COVERING_PHRASES = 4000
_LOAD_SECONDS = 120.0
_QUIET = -2
"""Not even warnings: that a lattice reached its bound is meant, and the terminal is the driver's screen."""


class VoskEngine:
    """A `Recognizer` on libvosk.

    The readings of one utterance come as an n-best list with log likelihoods; their softmax gives the
    posterior of each reading, and a word's confidence is the share of the readings that hold it there.
    """

    name = "vosk"

    def __init__(self, folder: ModelFolder, sample_rate: int = SAMPLE_RATE) -> None:
        """Load a checked model folder. Raises UserError when libvosk refuses it."""
        if folder.found_by != "shipped":
            _try_loading_elsewhere(folder)
        vosk.SetLogLevel(_QUIET)
        self.folder = folder
        self.weighs_talk = has_our_phones(folder.path)
        self._rate = sample_rate
        self._fed = 0
        self._began = 0
        self._pieces: list[dict[str, Any]] = []
        self._model: Any = None
        self._graph: Path | None = None
        if not has_our_phones(folder.path):  # ours is loaded with the graph of the first grammar
            self._use_graph(folder.path)

    def use_phrases(self, phrases: Sequence[str]) -> tuple[str, ...]:
        """Expect these phrases; return the words that the model's vocabulary lacks.

        A phrase with such a word cannot be heard as a whole, so it is left out rather than heard without
        that word. A model with a static graph keeps its own language: every phrase goes unused there.
        """
        missing = self.missing_words(phrases)
        usable = [phrase for phrase in phrases if not set(phrase.split()) & set(missing)]
        if has_our_phones(self.folder.path) and usable:
            self.use_automaton(automaton_of(usable))
            return missing
        self._use_graph(self.folder.path)
        if self.folder.takes_grammar:
            self._recognizer = self._new_recognizer(json.dumps([*usable, UNKNOWN]))
        return missing

    def use_automaton(self, automaton: Automaton) -> tuple[str, ...]:
        """Expect the sentences of a compiled grammar; return the words that the engine lacks.

        A model with our own phones gets a graph of exactly these sentences (and of other talk beside them),
        made once and kept in the shop's folder, or made again each time where that cannot be written. Any other
        model gets sentences that cover the grammar, as `use_phrases` takes them.
        """
        if not has_our_phones(self.folder.path):
            return self.use_phrases(covering_sentences(automaton, _COVERING_PHRASES))
        return self.use_promised(promised(automaton))

    def use_promised(self, grammar: Promised) -> tuple[str, ...]:
        """Expect the same of a grammar that is only made where its graph is not kept already. Raises UserError for
        a broken one."""
        if not has_our_phones(self.folder.path):
            return self.use_automaton(grammar.make())
        try:
            self._use_graph(model_for_grammar(self.folder.path, grammar, home() / "graphs", Filler()))
        except UserError:
            self._use_graph_not_kept(grammar)
        return ()

    def _use_graph(self, folder: Path) -> None:
        if folder != self._graph:
            self._model = _load(folder)
            self._recognizer = self._new_recognizer(None)
            self._graph = folder

    def _use_graph_not_kept(self, grammar: Promised) -> None:
        """Make the graph where the system keeps what is temporary; without room there either, the model's general
        graph knows the trade's words, if not the step's sentences."""
        made = grammar.make()  # a broken grammar is told here, and is not want of room
        there = Promised(grammar.name, lambda: made)
        try:
            with tempfile.TemporaryDirectory(prefix="fieldassist-") as folder:
                self._use_graph(model_for_grammar(self.folder.path, there, Path(folder), Filler()))
        except (OSError, UserError):
            self._use_graph(self.folder.path)

    def missing_words(self, phrases: Sequence[str]) -> tuple[str, ...]:
        """Return the words of these phrases that are not in the model's vocabulary, sorted.

        A model with our own phones knows every word whose pronunciation is known.
        """
        words = sorted({word for phrase in phrases for word in phrase.split()})
        if has_our_phones(self.folder.path):
            return tuple(word for word in words if not known_pronunciations(word))
        if self.folder.words:
            return tuple(word for word in words if word not in self.folder.words)
        return tuple(word for word in words if self._model.vosk_model_find_word(word) < 0)

    def start(self) -> None:
        """Begin an utterance, dropping one that was not finished."""
        if self._graph is None:
            self._use_graph(self.folder.path)
        if self._fed > self._began:
            self._recognizer.FinalResult()
        self._began = self._fed
        self._pieces = []

    def feed(self, samples: Samples) -> str:
        """Take a stretch of audio; return the partial text so far."""
        if len(samples) == 0:
            return self._text_so_far("")
        self._fed += len(samples)
        if self._recognizer.AcceptWaveform(samples.tobytes()):  # libvosk saw a pause within the utterance
            self._pieces.append(json.loads(self._recognizer.Result()))
            return self._text_so_far("")
        return self._text_so_far(json.loads(self._recognizer.PartialResult()).get("partial", ""))

    def pause(self) -> None:
        """Nothing to be done: libvosk decodes while the audio comes in."""

    def finish(self) -> Hypothesis:
        """End the utterance and return what was heard."""
        if self._fed > self._began:
            self._pieces.append(json.loads(self._recognizer.FinalResult()))
        shift = self._began / self._rate
        exact = self._graph != self.folder.path  # only there is other talk weighed against the grammar
        heard = [_read_piece(piece, shift, exact) for piece in self._pieces]
        self._began = self._fed
        self._pieces = []
        give_back_what_is_free()
        return _joined([piece for piece in heard if piece.text])

    def watch_for(self, watched: Watched) -> bool:
        """Watch for these sentences beside what utterances are heard with; only a model with our phones can."""
        if has_our_phones(self.folder.path):
            self._watcher = Watcher(self.folder.path, watched)
        return has_our_phones(self.folder.path)

    def watch(self, samples: Samples, anew: bool) -> str:
        """Take a stretch of the stream that is watched; return the sentences in it so far."""
        return self._watcher.watch(samples, anew)

    def _text_so_far(self, partial: str) -> str:
        done = [piece["alternatives"][0]["text"] for piece in self._pieces if piece.get("alternatives")]
        return " ".join(text for text in [*done, partial] if text)

    def _new_recognizer(self, grammar: str | None) -> Any:
        limits = () if grammar is None else (grammar,)
        try:
            recognizer = vosk.KaldiRecognizer(self._model, float(self._rate), *limits)
        except Exception:  # vosk raises a bare Exception
            raise UserError(f"{self.folder.path}: libvosk cannot use the phrases with this model") from None
        recognizer.SetMaxAlternatives(_ALTERNATIVES)
        recognizer.SetWords(True)
        self._fed = self._began = 0
        self._pieces = []
        return recognizer


def has_our_phones(model: Path) -> bool:
    """Tell whether a model folder is of our own making, so that a graph for it can be written."""
    try:
        return (model / "graph" / "phones" / "word_boundary.int").read_text() == word_boundaries()
    except (OSError, UnicodeDecodeError):
        return False


def _load(folder: Path) -> Any:
    try:
        return vosk.Model(str(folder))
    except Exception:  # vosk raises a bare Exception
        raise UserError(f"{folder}: libvosk cannot load this model; unpack it again") from None


class LoadTrial:
    """Loads a model and decodes a moment of silence: what a broken model dies of, it dies of here."""

    def __init__(self, folder: ModelFolder) -> None:
        """Raises what libvosk raises, where it does not end the process."""
        vosk.SetLogLevel(_QUIET)
        recognizer = vosk.KaldiRecognizer(vosk.Model(str(folder.path)), float(SAMPLE_RATE))
        recognizer.AcceptWaveform(bytes(SAMPLE_RATE))
        recognizer.FinalResult()


def _try_loading_elsewhere(folder: ModelFolder) -> None:
    """Load the model in another process first, since libvosk aborts on broken files.

    A model that has passed is remembered by its files' sizes and dates, so that this is paid once.
    Raises UserError when the trial fails.
    """
    stamp = home() / "models_that_load" / _fingerprint(folder)
    if stamp.exists():
        return
    try:
        Worker("fieldassist.words.vosk_engine:LoadTrial", folder, ready_within=_LOAD_SECONDS).close()
    except WorkerLost as error:
        raise UserError(f"{folder.path}: libvosk cannot load this model ({error}); unpack it again") from None
    try:
        stamp.parent.mkdir(parents=True, exist_ok=True)
        stamp.touch()
    except OSError:
        return  # a read-only home only means that the trial is made again next time


def _fingerprint(folder: ModelFolder) -> str:
    files = sorted(path for path in folder.path.rglob("*") if path.is_file())
    facts = [(str(path), path.stat().st_size, path.stat().st_mtime_ns) for path in files]
    return hashlib.sha256(repr(facts).encode()).hexdigest()


def _read_piece(piece: dict[str, Any], shift: float, exact: bool) -> Hypothesis:
    """Turn one Vosk result with alternatives into a hypothesis; `shift` (s) is the utterance's start.

    exact: other talk is weighed against the grammar. How likely that is, and what was said if it is not, are two
    questions, unless there is hardly any doubt: then it is all that was heard.
    """
    readings = piece.get("alternatives", [])
    if not readings or not readings[0]["text"]:
        return Hypothesis("", (), 0.0)
    if not exact:
        return _weighed(readings, shift)
    meant = [reading for reading in readings if _once(reading["text"]) != UNKNOWN]
    talk = [reading for reading in readings if _once(reading["text"]) == UNKNOWN]
    odds = _together(talk) - _together(meant)
    if odds > _TALK_ALONE:
        return replace(_weighed(talk, shift), other_talk=1.0)
    return replace(_weighed(meant, shift), other_talk=1.0 / (1.0 + math.exp(-odds)))


def _together(readings: Sequence[dict[str, Any]]) -> float:
    """Return the log likelihood of any of some readings, that of none being minus infinity."""
    if not readings:
        return -math.inf
    best = max(reading["confidence"] for reading in readings)
    return float(best + math.log(sum(math.exp(reading["confidence"] - best) for reading in readings)))


def _weighed(readings: Sequence[dict[str, Any]], shift: float) -> Hypothesis:
    """Turn readings into a hypothesis, each as likely as it says against the others."""
    whole = _together(readings)
    posteriors = [math.exp(reading["confidence"] - whole) for reading in readings]
    shares: dict[str, float] = {}
    for reading, posterior in zip(readings, posteriors, strict=True):
        text = _once(reading["text"])
        shares[text] = shares.get(text, 0.0) + posterior
    words = tuple(
        Word(
            text=word["word"],
            start=max(0.0, word["start"] - shift),
            end=max(0.0, word["end"] - shift),
            confidence=sum(
                posterior
                for posterior, reading in zip(posteriors, readings, strict=True)
                if any(_same_word(word, other) for other in reading.get("result", ()))
            ),
        )
        for word in readings[0].get("result", ())
    )
    text = _once(readings[0]["text"])
    confidence = shares.pop(text)
    others = tuple(sorted(shares.items(), key=lambda reading: -reading[1]))
    return Hypothesis(text, _once_each(words), confidence, others)


def _once(text: str) -> str:
    """Take unknown words in a row as one stretch: into how many it was divided says nothing."""
    words = text.split()
    return " ".join(word for i, word in enumerate(words) if word != UNKNOWN or i == 0 or words[i - 1] != UNKNOWN)


def _once_each(words: Sequence[Word]) -> tuple[Word, ...]:
    out: list[Word] = []
    for word in words:
        if out and word.text == UNKNOWN == out[-1].text:
            confidence = min(word.confidence, out[-1].confidence)
            out[-1] = Word(UNKNOWN, out[-1].start, word.end, confidence)
        else:
            out.append(word)
    return tuple(out)


def _same_word(one: dict[str, Any], other: dict[str, Any]) -> bool:
    overlap = min(one["end"], other["end"]) - max(one["start"], other["start"])
    return bool(one["word"] == other["word"] and overlap > 0)


def _joined(pieces: list[Hypothesis]) -> Hypothesis:
    """One utterance from the pieces that libvosk cut it into: the second readings vary one piece at a time."""
    if not pieces:
        return Hypothesis("", (), 0.0)
    confidence = math.prod(piece.confidence for piece in pieces)
    others = []
    for index, piece in enumerate(pieces):
        for text, posterior in piece.alternatives:
            texts = [p.text for p in pieces]
            texts[index] = text
            joined = " ".join(text for text in texts if text)
            others.append((joined, confidence * posterior / piece.confidence if piece.confidence else 0.0))
    weighed = all(piece.other_talk is not None for piece in pieces)
    return Hypothesis(
        text=" ".join(piece.text for piece in pieces),
        words=tuple(word for piece in pieces for word in piece.words),
        confidence=confidence,
        alternatives=tuple(sorted(others, key=lambda reading: -reading[1])[:_ALTERNATIVES]),
        other_talk=math.prod(piece.other_talk or 0.0 for piece in pieces) if weighed else None,
    )
