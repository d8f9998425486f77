"""Commands watched for in a stream that does not stop: a small graph of its own beside that of the step.

The graph goes round: other talk, whatever it is, says nothing; a command in the midst of it says its words. So the
stream needs no cutting into utterances, which is what fails while a prompt comes back from the loudspeaker.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from fieldassist.errors import UserError
from fieldassist.phrases.automaton import Automaton
from fieldassist.phrases.phonemes import pronunciations
from fieldassist.resources import home
from fieldassist.words.graph import (
    GRAPH_VERSION,
    UNKNOWN,
    Filler,
    _constant_fst,
    _Graph,
    _link,
    _other_talk,
    _spell,
    kept_folder,
    search_settings,
    word_boundaries,
)
from fieldassist.words.libvosk import vosk
from fieldassist.words.recognizer import SAMPLE_RATE, Samples

Watched = Sequence[tuple[Automaton, float]]
"""Sentences to be watched for, and the nats that they cost in the midst of other talk, beside their weights."""

_SEARCH = {"beam": "12.0", "lattice-beam": "1.0", "max-active": "1500", "min-active": "50"}
"""Only the best way is asked for; a wider lattice costs ten times the time where a prompt is left over."""


class Watcher:
    """Hears commands in a stream."""

    def __init__(self, model: Path, watched: Watched) -> None:
        """`model`: a folder of our own acoustic model; `watched`: the commands.

        The graph is kept in the shop's folder, or made again each time where that cannot be written. Raises
        UserError when there is no room for it at all, or libvosk refuses it.
        """
        try:
            try:
                self._recognizer = _recognizer(model_that_watches(model, watched, home() / "graphs"))
            except OSError:
                with tempfile.TemporaryDirectory(prefix="fieldassist-") as folder:
                    write_folder(model, watched, Path(folder))
                    self._recognizer = _recognizer(Path(folder))
        except OSError as error:
            raise UserError(f"commands over a prompt: no graph can be written ({error.strerror})") from None
        except Exception:  # vosk raises a bare Exception
            raise UserError(f"{model}: libvosk cannot use the graph of commands") from None

    def watch(self, samples: Samples, anew: bool) -> str:
        """Take the next stretch; return the words of the commands so far. `anew`: forget what was before it."""
        if anew:
            self._recognizer.FinalResult()
        if self._recognizer.AcceptWaveform(samples.tobytes()):
            return str(json.loads(self._recognizer.Result()).get("text", ""))
        return str(json.loads(self._recognizer.PartialResult()).get("partial", ""))


def model_that_watches(model: Path, watched: Watched, cache: Path) -> Path:
    """Return a model folder that watches for the sentences of automata, made in `cache` unless it is there.

    Its name is a digest of all that its graph is made of. Raises OSError when the cache cannot be written.
    """
    network = model / "am" / "final.mdl"
    status = network.stat()
    made_of: list[object] = ["watching", GRAPH_VERSION, _SEARCH, str(network.resolve()), status.st_size]
    made_of.append(status.st_mtime_ns)
    for automaton, cost in watched:
        made_of += [cost, [array.tobytes() for array in automaton.arrays()], sorted(automaton.finals.items())]
        made_of += [(word, pronunciations(word)) for word in automaton.words]
    name = hashlib.sha256(repr(made_of).encode()).hexdigest()[:24]
    return kept_folder(cache, name, lambda scratch: write_folder(model, watched, scratch))


def _recognizer(folder: Path) -> Any:
    return vosk.KaldiRecognizer(vosk.Model(str(folder)), float(SAMPLE_RATE))


def write_folder(model: Path, watched: Watched, out: Path) -> None:
    """Write a model folder whose graph watches for the sentences of automata."""
    _link(model / "am", out / "am")
    shutil.copytree(model / "conf", out / "conf")
    settings = out / "conf" / "model.conf"
    settings.write_text(search_settings(settings.read_text(encoding="utf-8"), _SEARCH), encoding="utf-8")
    (out / "graph" / "phones").mkdir(parents=True)
    words = sorted({word for automaton, _ in watched for word in automaton.words})
    numbers = {word: number for number, word in enumerate(words, 2)}
    (out / "graph" / "HCLG.fst").write_bytes(_watching(watched, numbers))
    lines = ["<eps> 0", f"{UNKNOWN} 1", *(f"{word} {number}" for word, number in numbers.items())]
    (out / "graph" / "words.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (out / "graph" / "phones" / "word_boundary.int").write_text(word_boundaries())


def _watching(watched: Watched, numbers: Mapping[str, int]) -> bytes:
    graph = _Graph()
    begin = graph.state()
    between = _other_talk(graph, begin, Filler(cost=0.0))
    graph.arcs = [(source, target, label, 0, cost) for source, target, label, _, cost in graph.arcs]
    for automaton, cost in watched:
        commands = graph.state()
        graph.arc(between, commands, cost=cost)
        _spell(graph, commands, automaton, numbers, None)
    for end in list(graph.finals):
        graph.arc(end, begin)
    graph.finals = {between: 0.0}
    return _constant_fst(graph, begin)
