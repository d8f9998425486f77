"""`fieldassist hear FILE...`: recognise recordings and match what is said in them."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from fieldassist.commands.match import as_line, find_step
from fieldassist.deduce import load_unit
from fieldassist.drive.listening import expect_car
from fieldassist.errors import UserError
from fieldassist.phrases import Match, Matcher, load_phrases
from fieldassist.phrases.automaton import compile_grammar
from fieldassist.phrases.jsgf import read_grammar
from fieldassist.phrases.slots import Reading, best_reading
from fieldassist.sound.endpoint import Ended, Endpointer, Utterance
from fieldassist.sound.wave import audio_files, stream_wave
from fieldassist.words.contained import ContainedEngine
from fieldassist.words.engines import ENGINES
from fieldassist.words.recognizer import Hypothesis

WIDTH = 80


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `fieldassist hear`."""
    parser.add_argument("files", metavar="FILE", nargs="+", help="recordings (WAV, FLAC) or directories of them")
    parser.add_argument("--step", metavar="S", help="step that is being done, such as upshift_2_3_light")
    parser.add_argument("--unit", metavar="U", default="three_speed_simpson", help="unit: its gears and its steps")
    parser.add_argument("--engine", choices=ENGINES, help="speech engine; by default the preferred one")
    parser.add_argument("--model", metavar="DIR", help="Vosk model folder")
    parser.add_argument("--grammar", metavar="FILE", help="any JSGF grammar with tags instead of the shop talk")
    parser.add_argument("--json", action="store_true", help="one JSON object per utterance")


def run(args: argparse.Namespace) -> int:
    """Print each utterance of the files. Raises UserError for a bad file, step, grammar or model.

    A file that cannot be read is told and passed over; the exit code is then 2, after the other files.
    """
    files = [file for path in args.files for file in audio_files(path)]
    engine = ContainedEngine(args.engine, args.model, report=lambda text: print(text, file=sys.stderr))
    try:
        ear: FindingEar | SlotEar
        ear = SlotEar(engine, args.grammar) if args.grammar else FindingEar(engine, args.unit, args.step)
        if ear.missing:
            print(f"not in the engine's vocabulary: {', '.join(ear.missing)}", file=sys.stderr)
        failed = False
        for file in files:
            try:
                for utterance in utterances_of(file):
                    heard = hear(engine, utterance)
                    tell = ear.as_json if args.json else ear.as_line
                    print(tell(file, utterance, heard))
            except UserError as error:
                failed = True
                print(f"fieldassist: {error}", file=sys.stderr)
        return 2 if failed else 0
    finally:
        engine.close()


def utterances_of(file: Path) -> Iterator[Utterance]:
    """Yield the utterances of a recording as they are cut out of it. Raises UserError for a bad file."""
    endpointer = Endpointer()
    for samples in stream_wave(file):
        yield from (cut.utterance for cut in endpointer.push(samples) if isinstance(cut, Ended))
    yield from (cut.utterance for cut in endpointer.flush() if isinstance(cut, Ended))


def hear(engine: ContainedEngine, utterance: Utterance) -> Hypothesis:
    """Return what the engine hears in one utterance."""
    engine.start()
    engine.feed(utterance.samples)
    return engine.finish()


class FindingEar:
    """Matches utterances to findings and commands."""

    def __init__(self, engine: ContainedEngine, unit: str, step: str | None) -> None:
        """Tell the engine what can be said. Raises UserError for an unknown unit or step."""
        self._step = find_step(unit, step) if step else None
        phrases = load_phrases()
        self._matcher = Matcher(phrases)
        self.missing = expect_car(engine, len(load_unit(unit).forward))

    def as_json(self, file: Path, utterance: Utterance, heard: Hypothesis) -> str:
        """The utterance as one JSON object in one line."""
        match = self._match(heard)
        return json.dumps(
            {
                **_common(file, utterance, heard),
                "decision": match.decision,
                "finding": match.finding.to_json() if match.finding is not None else None,
                "command": match.command,
                "score": round(match.score, 3),
                "more": [finding.to_json() for finding in match.more],
            }
        )

    def as_line(self, file: Path, utterance: Utterance, heard: Hypothesis) -> str:
        """The utterance in two lines of at most 80 columns: what was heard, and what it is taken for."""
        return f"{_heading(file, utterance, heard)}\n    {as_line(self._match(heard))[: WIDTH - 4]}"

    def _match(self, heard: Hypothesis) -> Match:
        return self._matcher.match(heard, self._step)


class SlotEar:
    """Reads the slots of any grammar out of utterances."""

    def __init__(self, engine: ContainedEngine, path: str) -> None:
        """Tell the engine the grammar. Raises DataFileError with file and line for a bad one."""
        self._grammar = read_grammar(Path(path))
        self.missing = engine.use_automaton(compile_grammar(self._grammar).without_tags())

    def as_json(self, file: Path, utterance: Utterance, heard: Hypothesis) -> str:
        """The utterance as one JSON object in one line; `slots` is null when nothing in the grammar is near."""
        reading = self._read(heard)
        slots: dict[str, Any] = {
            "slots": reading.slots if reading is not None else None,
            "sentence": reading.sentence if reading is not None else None,
        }
        return json.dumps({**_common(file, utterance, heard), **slots})

    def as_line(self, file: Path, utterance: Utterance, heard: Hypothesis) -> str:
        """The utterance in two lines: what was heard, and its slots."""
        reading = self._read(heard)
        slots = ", ".join(f"{key}: {value}" for key, value in reading.slots.items()) if reading else "no reading"
        return f"{_heading(file, utterance, heard)}\n    {slots or 'no slots'}"

    def _read(self, heard: Hypothesis) -> Reading | None:
        return best_reading(self._grammar, ((heard.text, heard.confidence), *heard.alternatives))


def _common(file: Path, utterance: Utterance, heard: Hypothesis) -> dict[str, Any]:
    """What is told of an utterance whatever it is taken for; times in seconds of the file."""
    words = [
        {
            "word": word.text,
            "start": round(utterance.start + word.start, 2),
            "end": round(utterance.start + word.end, 2),
            "confidence": round(word.confidence, 3),
        }
        for word in heard.words
    ]
    return {
        "file": str(file),
        "start": round(utterance.start, 2),
        "end": round(utterance.end, 2),
        "text": heard.text,
        "words": words,
        "confidence": round(heard.confidence, 3),
    }


def _heading(file: Path, utterance: Utterance, heard: Hypothesis) -> str:
    text = f"{file.name} {utterance.start:.1f}-{utterance.end:.1f} s: {heard.text or '(nothing)'}"
    return text if len(text) <= WIDTH else text[: WIDTH - 3] + "..."
