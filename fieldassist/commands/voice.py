"""`fieldassist voice FOLDER`: clips of a technician's own voice, how well they are heard, a model adapted to them.

The folder holds FLAC clips and a `manifest.tsv` (file, speaker, text), which is also what training takes. It grows
with each call: sentences read aloud, or the clips of entries that were confirmed in a session. `--test` hears all
of it again and counts. `--adapt` makes an adapted copy of our speech model in the shop's home, for the speaker's
name, and uses it when held-out clips gain by it and the shipped clips of other speakers are heard no worse;
`--undo` goes back, `--use NAME` changes to another voice.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from fieldassist.acoustic import own_voice
from fieldassist.acoustic.adaptation import fit, learn
from fieldassist.acoustic.own_voice import Hits
from fieldassist.commands.check import Candidate, expected_clips, try_engine
from fieldassist.commands.hear import hear
from fieldassist.deduce import load_unit
from fieldassist.drive.listening import expect_car
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
from fieldassist.words.models import MODEL_VARIABLE

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

LEAST_CLIPS = 12
SHARES = (1.0, 0.5, 0.25)
"""How much of what was learned is tried, in this order, until nobody is heard worse."""

HELP = """\
record:   fieldassist voice FOLDER                 sentences are shown to be read
          fieldassist voice FOLDER --sentences LIST.txt [--wav RECORDINGS]
          fieldassist voice FOLDER --session FILE  clips whose entries were confirmed
test:     fieldassist voice FOLDER --test          right, wrong, missed on these clips

To test in the car: record FOLDER while somebody else drives, or write a folder of
your own recordings (WAV or FLAC, 16 kHz) with a manifest.tsv of three columns with
tabs between: file, speaker, what was said. Then --test, with --engine or --model to
compare.

adapt:    fieldassist voice FOLDER --adapt --speaker NAME
back:     fieldassist voice --undo                 other voice: --use NAME

A quarter of the texts is held out. The adapted copy is used only when these are
heard better, or as well with a better fit, and the shipped clips of other speakers
are heard no worse."""


@dataclass(frozen=True)
class VoiceClip:
    """One clip of the folder."""

    file: Path
    speaker: str
    text: str


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `fieldassist voice`."""
    parser.description = HELP
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("folder", metavar="FOLDER", type=Path, nargs="?", help="where the clips are kept")
    parser.add_argument("--speaker", default="technician", metavar="NAME",
                        help="whose voice it is (default: technician)")  # fmt: skip
    parser.add_argument("--sentences", type=Path, metavar="FILE", help="what to read aloud, a sentence a line")
    parser.add_argument("--wav", metavar="PATH", help="take the sentences, in order, from recordings")
    parser.add_argument("--session", type=Path, metavar="FILE", help="take the clips of its confirmed entries")
    parser.add_argument("--test", action="store_true", help="hear the folder's clips and count what is right")
    parser.add_argument("--adapt", action="store_true", help="adapt our speech model to the speaker's clips")
    parser.add_argument("--use", metavar="NAME", help="hear with the model adapted to that voice")
    parser.add_argument("--undo", action="store_true", help="hear again with what was used before any voice")
    parser.add_argument("--engine", choices=ENGINES, help="speech engine for --test; by default the preferred one")
    parser.add_argument("--model", metavar="DIR", help="Vosk model folder for --test and --adapt")
    parser.add_argument("--unit", metavar="U", default="three_speed_simpson", help="unit, for --test and --adapt")


def run(args: argparse.Namespace) -> int:
    """Collect clips, hear them, or adapt to them. Raises UserError for bad files or a missing microphone."""
    if args.undo or args.use:
        return _change_voice(args)
    if args.folder is None:
        raise UserError("voice: expected FOLDER, --use NAME or --undo; see fieldassist voice --help")
    if args.test:
        return _test(args)
    if args.adapt:
        return _adapt(args)
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
        if number == 1 and fields == ["file", "speaker", "text"]:
            continue
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
    name, counts = hear_again(clips, args.engine, args.model, args.unit, tell=print)
    print(f"{name}: {len(clips)} clips, " + ", ".join(f"{n} {verdict}" for verdict, n in counts.items()))
    return 0


def hear_again(
    clips: Sequence[VoiceClip],
    engine_name: str | None,
    model: str | Path | None,
    unit: str,
    tell: Callable[[str], None] = lambda text: None,
) -> tuple[str, dict[str, int]]:
    """Hear clips as on the road; return the engine's name and how many are `right`, `wrong` and `missed`.

    tell: is told what was not right. Raises UserError when the engine cannot be used.
    """
    phrases = load_phrases()
    matcher = Matcher(phrases)
    engine = ContainedEngine(engine_name, model, report=lambda text: print(text, file=sys.stderr))
    counts = {"right": 0, "wrong": 0, "missed": 0}
    try:
        expect_car(engine, len(load_unit(unit).forward))
        for clip in clips:
            samples = read_wave(clip.file)
            pieces = utterances(samples) or (Utterance(samples, 0.0, len(samples) / 16_000),)
            heard = hear(engine, max(pieces, key=lambda piece: piece.end - piece.start))
            verdict = judge(matcher.match(clip.text), matcher.match(heard))
            counts[verdict] += 1
            if verdict != "right":
                tell(f"{clip.file.name} {verdict}: {clip.text}\n    heard: {heard.text or 'nothing'}")
        return engine.name, counts
    finally:
        engine.close()


def _adapt(args: argparse.Namespace) -> int:
    """Adapt, test, and keep the model only when it is a gain; exit code 1 when it is refused."""
    target = own_voice.voice_folder(args.speaker)
    base = own_voice.base_model(args.model)
    clips = [clip for clip in read_folder(args.folder) if clip.speaker == args.speaker]
    kept_back = own_voice.held_out([clip.text for clip in clips])
    read = [own_voice.utterance(read_wave(clip.file), clip.text) for clip in clips]
    taught = [u for u, held in zip(read, kept_back, strict=True) if u is not None and not held]
    tested = [u for u, held in zip(read, kept_back, strict=True) if u is not None and held]
    if len(taught) < LEAST_CLIPS:
        raise UserError(f"{args.folder}: {len(taught)} clips of {args.speaker} to learn from; expected at least "
                        f"{LEAST_CLIPS}, better a hundred (several minutes)")  # fmt: skip
    seconds = sum(len(u.features) for u in taught) / 100
    print(f"{args.speaker}: {len(taught)} clips to learn from ({seconds:.0f} s), {len(tested)} held out")
    held_clips = [clip for clip, held in zip(clips, kept_back, strict=True) if held]
    others = list(expected_clips())
    network = own_voice.network_of(base)

    def hits(model: Path) -> Hits:
        _, own = hear_again(held_clips, "vosk", model, args.unit)
        tried = try_engine(Candidate("vosk", model), others)
        better = fit(own_voice.network_of(model), tested)
        return Hits(own["right"], own["wrong"], own["missed"], tried.right, tried.wrong, better)

    before = hits(base)
    _print_hits("as it is", before, len(others))
    change = learn(network, taught)
    trial = target.with_name(f"{target.name}.trial")
    reason: str | None = None
    for share in SHARES:
        model = own_voice.write_adapted(base, network, change.scaled(share), trial)
        after = hits(model)
        _print_hits(f"adapted, {share:.0%}", after, len(others))
        own_voice.forget_graphs(model)
        reason = after.worse_than(before)
        if reason is None:
            own_voice.write_adapted(base, network, change.scaled(share), target)
            own_voice.use(args.speaker)
            break
    shutil.rmtree(trial, ignore_errors=True)
    if reason is not None:
        print(f"Not kept: {reason}. Nothing has been changed.")
        return 1
    print(f"Kept in {target} and used from now on; `fieldassist voice --undo` goes back.")
    _warn_of_variable()
    return 0


def _print_hits(what: str, hits: Hits, others: int) -> None:
    own = hits.right + hits.wrong + hits.missed
    print(f"{what:<15}held out: {hits.right} right, {hits.wrong} wrong of {own}, fit {hits.fit:.3f}\n{'':<15}"
          f"others: {hits.others} right, {hits.others_wrong} wrong of {others}", flush=True)  # fmt: skip


def _change_voice(args: argparse.Namespace) -> int:
    if args.undo:
        name = own_voice.undo()
        print(f"{name} is no longer used; the adapted model stays." if name else "No adapted voice is in use.")
        return 0
    print(f"{own_voice.use(args.use)} is used from now on.")
    _warn_of_variable()
    return 0


def _warn_of_variable() -> None:
    if os.environ.get(MODEL_VARIABLE):
        print(f"{MODEL_VARIABLE} is set and goes before it.")


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
