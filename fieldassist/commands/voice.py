"""`fieldassist voice FOLDER`: clips of a technician's own voice, and how well they are heard.

The folder holds FLAC clips and a `manifest.tsv` (file, speaker, text), which is also what training takes. It grows
with each call: sentences read aloud, or the clips of entries that were confirmed in a session. `--test` hears all
of it again and counts; nothing that the tool hears with is changed.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from fieldassist.commands.hear import hear
from fieldassist.deduce import load_unit
from fieldassist.errors import DataFileError, UserError
from fieldassist.finding import Finding
from fieldassist.phrases import Match, Matcher, load_phrases
from fieldassist.record.projection import project
from fieldassist.record.store import Store
from fieldassist.sound.endpoint import Ended, Endpointer, Utterance, utterances
from fieldassist.sound.source import AudioSource, FileSource, Microphone
from fieldassist.sound.wave import read_wave, write_wave
from fieldassist.words.contained import ContainedEngine
from fieldassist.words.engines import ENGINES

MANIFEST = "manifest.tsv"

SENTENCES: tuple[str, ...] = (
    "fluid level is good",
    "no leaks",
    "engages normal",
    "delayed engagement in reverse",
    "one two at fourteen",
    "two three at twenty six",
    "flare on the two three",
    "slips in second",
    "one two is harsh",
    "no kickdown",
    "no engine braking in low",
    "shudder at forty five",
    "line pressure seventy five",
    "twenty one hundred",
    "strike that",
    "next",
)
"""What is read aloud when no list is given."""


@dataclass(frozen=True)
class VoiceClip:
    """One clip of the folder."""

    file: Path
    speaker: str
    text: str


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `fieldassist voice`."""
    parser.add_argument("folder", metavar="FOLDER", type=Path, help="where the clips are kept")
    parser.add_argument("--speaker", default="technician", help="whose voice it is (default: technician)")
    parser.add_argument("--sentences", type=Path, metavar="FILE", help="what to read aloud, a sentence a line")
    parser.add_argument("--wav", metavar="PATH", help="take the sentences, in order, from recordings")
    parser.add_argument("--session", type=Path, metavar="FILE", help="take the clips of its confirmed entries")
    parser.add_argument("--test", action="store_true", help="hear the folder's clips and count what is right")
    parser.add_argument("--engine", choices=ENGINES, help="speech engine for --test; by default the preferred one")
    parser.add_argument("--model", metavar="DIR", help="Vosk model folder for --test")
    parser.add_argument("--unit", metavar="U", default="three_speed_simpson", help="unit, for --test")


def run(args: argparse.Namespace) -> int:
    """Collect clips, or with --test hear them. Raises UserError for bad files or a missing microphone."""
    if args.test:
        return _test(args)
    if args.session is not None:
        added = take_confirmed(args.session, args.folder, args.speaker)
        print(f"{added} confirmed clips from {args.session} added to {args.folder}")
        return 0
    sentences = _sentences(args.sentences)
    source: AudioSource = FileSource(args.wav) if args.wav else Microphone()
    print("Only while parked, or with somebody else at the wheel: this has to be read.")
    try:
        for number, (text, utterance) in enumerate(read_aloud(sentences, source), start=1):
            add_clip(args.folder, utterance, args.speaker, text)
            print(f"  kept, {utterance.end - utterance.start:.1f} s ({number} of {len(sentences)})", flush=True)
    finally:
        source.close()
    return 0


def read_aloud(sentences: Sequence[str], source: AudioSource) -> Iterator[tuple[str, Utterance]]:
    """Show each sentence and wait until somebody has spoken; ends early when the source ends."""
    endpointer = Endpointer()
    waiting: list[Utterance] = []
    over = False
    for text in sentences:
        print(f"say: {text}", flush=True)
        while not waiting and not over:
            samples = source.read()
            over = samples is None
            cuts = endpointer.flush() if samples is None else endpointer.push(samples)
            waiting += [cut.utterance for cut in cuts if isinstance(cut, Ended)]
        if not waiting:
            print("  nothing more was said")
            return
        yield text, waiting.pop(0)


def take_confirmed(session: Path, folder: Path, speaker: str) -> int:
    """Add the clips of a session's entries that were confirmed as heard; return how many were new."""
    known = {clip.file.stem for clip in read_folder(folder)} if (folder / MANIFEST).exists() else set()
    added = 0
    with Store.open(session, readonly=True) as store:
        for entry in project(store.events()).entries:
            if entry.state != "confirmed" or entry.clip is None or not entry.heard_text or entry.clip in known:
                continue
            folder.mkdir(parents=True, exist_ok=True)
            (folder / f"{entry.clip}.flac").write_bytes(store.clip(entry.clip))
            _append(folder, f"{entry.clip}.flac", speaker, entry.heard_text)
            added += 1
    return added


def add_clip(folder: Path, utterance: Utterance, speaker: str, text: str) -> None:
    """Keep one utterance under the next free number."""
    folder.mkdir(parents=True, exist_ok=True)
    number = 1 + max((int(p.stem) for p in folder.glob("*.flac") if p.stem.isdigit()), default=0)
    write_wave(folder / f"{number:04d}.flac", utterance.samples)
    _append(folder, f"{number:04d}.flac", speaker, text)


def read_folder(folder: Path) -> tuple[VoiceClip, ...]:
    """Read the folder's list. Raises UserError when there is none, DataFileError for a broken line."""
    path = folder / MANIFEST
    if not path.is_file():
        raise UserError(f"{folder}: no voice clips there; record some with `fieldassist voice {folder}`")
    out = []
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
        fields = line.split("\t")
        if len(fields) != 3:
            raise DataFileError(path, number, "expected file, speaker and text with tabs between")
        out.append(VoiceClip(folder / fields[0], fields[1], fields[2]))
    return tuple(out)


def judge(meant: Match, got: Match) -> str:
    """`right`, `wrong` or `missed`: what an utterance became against what its words mean as written."""
    if got.decision == "ignore":
        return "right" if meant.decision == "ignore" else "missed"
    same = _bare(got.finding) == _bare(meant.finding) and got.command == meant.command
    if not same:
        return "wrong"
    return "right" if got.decision == "accept" or meant.decision == "ask" else "missed"


def _bare(finding: Finding | None) -> dict[str, object] | None:
    if finding is None:
        return None
    return {key: value for key, value in finding.to_json().items() if key != "confidence"}


def _test(args: argparse.Namespace) -> int:
    clips = read_folder(args.folder)
    phrases = load_phrases()
    matcher = Matcher(phrases)
    engine = ContainedEngine(args.engine, args.model, report=lambda text: print(text, file=sys.stderr))
    counts = {"right": 0, "wrong": 0, "missed": 0}
    try:
        engine.use_automaton(phrases.listening(None, len(load_unit(args.unit).forward)))
        for clip in clips:
            samples = read_wave(clip.file)
            pieces = utterances(samples) or (Utterance(samples, 0.0, len(samples) / 16_000),)
            heard = hear(engine, max(pieces, key=lambda piece: piece.end - piece.start))
            verdict = judge(matcher.match(clip.text), matcher.match(heard))
            counts[verdict] += 1
            if verdict != "right":
                print(f"{clip.file.name} {verdict}: {clip.text}\n    heard: {heard.text or 'nothing'}")
        print(f"{engine.name}: {len(clips)} clips, " + ", ".join(f"{n} {name}" for name, n in counts.items()))
    finally:
        engine.close()
    return 0


def _sentences(path: Path | None) -> tuple[str, ...]:
    if path is None:
        return SENTENCES
    try:
        lines = [line.strip() for line in path.read_text(encoding="utf-8").splitlines()]
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"{path}: cannot be read as a list of sentences ({error})") from None
    found = tuple(line for line in lines if line and not line.startswith("#"))
    if not found:
        raise UserError(f"{path}: expected a sentence a line")
    return found


def _append(folder: Path, name: str, speaker: str, text: str) -> None:
    with (folder / MANIFEST).open("a", encoding="utf-8") as file:
        file.write(f"{name}\t{speaker}\t{text}\n")
