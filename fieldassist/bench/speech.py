"""Hearing, end to end: what is said in a moving car against the finding that comes out.

    python -m fieldassist.bench speech [--full] [--engines ours,sphinx,moonshine,whisper] [--model DIR]
                                       [--data DIR] [--svg FILE] [--errors FILE] [--json FILE]

Sentences in shop talk (`speech_sentences_fresh.toml`; with --full the older sets too) are spoken by synthetic
speakers that nothing was trained on, set into generated cabin noise at a stated ratio (speech level by ITU-T P.56
Method B, noise by RMS over the clip), and go the product's own way: endpointer, engine, matcher. Every engine has
the same endpointer and matcher around it and runs in a process of its own with one thread, two at a time. With a
folder of speech (`--data`) people's speech that is not for the tool is counted as false entries (LibriSpeech and
VCTK, every second clip, with --full all; the last 40 of each are kept out of training and counted apart), and the
public spoken orders as slots: those of `spoken_orders_held_out.txt`, which training leaves out, heard whole and as
the endpointer cuts them out.
Clips of the synthetic speakers are made once and kept (extra `train`); `--parts talk,orders` needs none.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from fieldassist.acoustic.mixing import add_noise_by_peak_frame, to_float, to_int16
from fieldassist.bench.peers import PEERS, peer_missing
from fieldassist.bench.speech_data import (
    FRESH,
    SETS,
    Sentence,
    in_cabin,
    load_unrelated,
    read_sentences,
    say,
    unrelated,
    voices_of,
)
from fieldassist.bench.speech_report import draw, errors, print_tables, share
from fieldassist.bench.speech_score import Score, Task, count_in, judge, scored
from fieldassist.bench.speech_worker import BareAnswers, as_heard
from fieldassist.deduce import load_unit, steps_for
from fieldassist.errors import UserError
from fieldassist.phrases import Matcher, load_phrases
from fieldassist.sound.wave import read_wave
from fieldassist.words.models import find_model
from fieldassist.words.recognizer import SAMPLE_RATE, Samples

ENGINES = ("ours", "sphinx", *PEERS)
PARTS = ("cabin", "talk", "orders")
CABIN_SNRS: tuple[float | None, ...] = (None, 15.0, 10.0, 5.0, 0.0)
ORDER_SNRS: tuple[float | None, ...] = (None, 24.0, 21.0, 18.0, 15.0, 12.0, 9.0, 6.0)
"""Those of the published table, over whose noisy ones its averages go."""
ORDERS_GRAMMAR = Path(__file__).resolve().parent / "spoken_orders.gram"
ORDERS_HELD_OUT = ORDERS_GRAMMAR.with_name("spoken_orders_held_out.txt")
_QUICK = 2
"""Without --full every so many orders and unrelated clips are heard."""
_TALK_SNR = 10.0


def run(argv: Sequence[str]) -> int:
    """Run the benchmark; print its tables. Returns the exit code."""
    args = _arguments(argv)
    read = [read_sentences(path) for path in args.sentences]
    unit, sentences = read[0][0], tuple(sentence for _, rows in read for sentence in rows)
    sentences = sentences[args.every // 2 :: args.every]
    if not sentences:
        raise UserError(f"--every {args.every}: expected a smaller number; no sentence is left")
    engines = _installed(args.engines.split(","), args.model)
    with tempfile.TemporaryDirectory(prefix="fieldassist-speech-") as scratch:
        tasks = _prepare(unit, sentences, args, Path(scratch))
        # Two at a time: a machine that this is meant for has two cores.
        with ThreadPoolExecutor(2) as pool:
            heard = pool.map(lambda name: _hear(name, unit, tasks, args, Path(scratch)), engines)
            results = dict(zip(engines, heard, strict=True))
    _print_written(unit, sentences)
    if not results:
        return 1
    report = {name: scored(tasks, result, sentences) for name, result in results.items()}
    print_tables(report, tasks, _TALK_SNR)
    if args.errors:
        lines = [line for name, result in results.items() for line in errors(name, tasks, result, sentences)]
        args.errors.write_text("\n".join(lines) + "\n", encoding="utf-8")
        print(f"errors: {args.errors}")
    if args.json:
        args.json.write_text(json.dumps(report, indent=1, default=vars), encoding="utf-8")
    if args.svg and "cabin" in args.parts.split(","):
        draw(report, args.svg)
        print(f"accuracy over noise: {args.svg}")
    return 0


def _arguments(argv: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m fieldassist.bench speech", description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("--full", action="store_true", help="all sentences, talk, orders and peers")
    parser.add_argument("--engines", default="", help=f"of {', '.join(ENGINES)}; default ours,sphinx")
    parser.add_argument("--model", help="Vosk model folder for `ours`; default: the one that is found or shipped")
    parser.add_argument("--data", type=Path, help="folder with librispeech, vctk_p239 and spoken_orders "
                        "(FIELDASSIST_SPEECH_DATA, else ../shared/speech_data)")  # fmt: skip
    parser.add_argument("--parts", default=",".join(PARTS), help=f"which of {', '.join(PARTS)} to run")
    parser.add_argument("--snr", type=_noises, default=CABIN_SNRS, help="cabin noise in dB, such as clean,10,0; "
                        "default clean,15,10,5,0")  # fmt: skip
    parser.add_argument("--sentences", type=Path, action="append", help="your own sentences")
    parser.add_argument("--every", type=int, default=1, metavar="N", help="only every N-th sentence")
    parser.add_argument("--orders", type=Path, default=ORDERS_HELD_OUT, help="list of the spoken orders to hear; "
                        "default: those kept out of training")  # fmt: skip
    parser.add_argument("--svg", type=Path, help="draw accuracy over noise into this file")
    parser.add_argument("--errors", type=Path, help="list everything that was not right in this file")
    parser.add_argument("--json", type=Path, help="write the counts to this file")
    args = parser.parse_args(argv)
    if args.every < 1:
        raise UserError(f"--every {args.every}: expected 1 or more")
    args.engines = args.engines or ("ours,sphinx,moonshine,whisper" if args.full else "ours,sphinx")
    args.sentences = args.sentences or (list(SETS) if args.full else [FRESH])
    for name in args.engines.split(","):
        if name not in ENGINES:
            raise UserError(f"engine {name!r}: expected some of {', '.join(ENGINES)}")
    if unknown := set(args.parts.split(",")) - set(PARTS):
        raise UserError(f"part {min(unknown)!r}: expected some of {', '.join(PARTS)}")
    if args.data is None:
        named = os.environ.get("FIELDASSIST_SPEECH_DATA")
        args.data = Path(named) if named else Path("../shared/speech_data")
    return args


def _noises(text: str) -> tuple[float | None, ...]:
    """Read `clean,10,0`."""
    try:
        return tuple(None if noise == "clean" else float(noise) for noise in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"expected decibels or clean, such as clean,10,0, not {text!r}") from None


def _installed(names: Sequence[str], model: str | None) -> list[str]:
    """Leave out what is not there, saying so."""
    out = []
    for name in names:
        if name in PEERS and (remedy := peer_missing(name)):
            print(f"{name}: left out, not installed ({remedy})")
        elif name == "ours" and find_model(model) is None:
            print("ours: left out, no model is shipped or named (--model DIR)")
        else:
            out.append(name)
    return out


def _print_written(unit: str, sentences: Sequence[Sentence]) -> None:
    """What the matcher makes of the sentences as written: no engine can do better than this with it."""
    matcher = Matcher(load_phrases())
    steps = {step.id: step for step in steps_for(load_unit(unit))}
    answers = BareAnswers(tuple(steps.values()))
    score = Score()
    for sentence in sentences:
        step = steps[sentence.step]
        match = answers.taken(matcher.match(sentence.text, step), step)
        heard = asdict(as_heard(sentence.text, match, 0.0, 0.0))
        outcome = {"heard": [heard]}
        count_in(score, judge(outcome, sentence), outcome, sentence)
    shares = [share(part, score.meant) for part in (score.right, score.wrong, score.missed)]
    print(f"The matcher on the {len(sentences)} sentences as written, %:\n{shares[0]} right, {shares[1]} wrong, "
          f"{shares[2]} missed; talk taken {score.talk_taken}/{score.talk}")  # fmt: skip


# --- clips -------------------------------------------------------------------------------------------------


def _prepare(unit: str, sentences: Sequence[Sentence], args: argparse.Namespace, scratch: Path) -> list[Task]:
    tasks: list[Task] = []
    every = 1 if args.full else _QUICK

    def keep(samples: Samples, **facts: Any) -> None:
        path = scratch / f"{len(tasks):05d}.npy"  # a library for sound would count as the engine's memory
        np.save(path, samples)
        tasks.append(Task(str(path), **facts))

    parts = args.parts.split(",")
    if "cabin" in parts:
        for number, (index, speaker, speed) in enumerate(voices_of(sentences)):
            if number % 20 == 0:
                _progress(f"clips: sentence {index + 1} of {len(sentences)}")
            speech = say(sentences[index].text, speaker, speed)
            for snr in args.snr:
                samples, end = in_cabin(speech, snr, number * 10 + (0 if snr is None else int(snr) // 5 + 1))
                keep(samples, step=sentences[index].step, part="cabin", snr=snr, sentence=index,
                     speaker=speaker.id, speech_end=end, speech_seconds=speech.size / SAMPLE_RATE)  # fmt: skip
    if "talk" in parts and _there(args.data / "librispeech", "unrelated talk"):
        steps = [step.id for step in steps_for(load_unit(unit))]
        for number, (path, trained) in enumerate(unrelated(args.data)[::every]):
            if number % 100 == 0:
                _progress(f"clips: unrelated talk {number}")
            samples, seconds = load_unrelated(path, _TALK_SNR, 500_000 + number)
            keep(samples, step=steps[number % len(steps)], part="talk", snr=_TALK_SNR, speaker=path.stem,
                 speech_seconds=seconds, trained=trained)  # fmt: skip
    if "orders" in parts and _there(args.data / "spoken_orders", "spoken orders"):
        _prepare_orders(args.data, args.orders, every, keep)
    return tasks


def _progress(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _there(folder: Path, what: str) -> bool:
    if folder.is_dir():
        return True
    print(f"{what}: left out, {folder} is not there (--data names where it is)")
    return False


def _prepare_orders(data: Path, listed: Path, every: int, keep: Any) -> None:
    """Orders in the second half of the kitchen noise; training is to use the first."""
    labels = json.loads((data / "spoken_orders" / "labels.json").read_text(encoding="utf-8"))
    try:
        files = listed.read_text(encoding="utf-8").split()
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"{listed}: cannot be read as a list of files ({error})") from None
    if unknown := [file for file in files if file not in labels]:
        raise UserError(f"{listed}: {unknown[0]} is not among the spoken orders")
    kitchen = to_float(read_wave(data / "noise" / "kitchen.flac"))
    rng = np.random.default_rng(6)
    for file in files[::every]:
        speech = to_float(read_wave(data / "spoken_orders" / file))
        for snr in ORDER_SNRS:
            at = int(rng.integers(kitchen.size // 2, kitchen.size - speech.size))
            mixed = speech if snr is None else add_noise_by_peak_frame(speech, kitchen[at : at + speech.size], snr)
            for part in ("orders", "orders_cut"):
                keep(to_int16(mixed), step="", part=part, snr=snr, speaker=Path(file).stem,
                     slots=json.dumps(labels[file], sort_keys=True))  # fmt: skip


def _hear(name: str, unit: str, tasks: Sequence[Task], args: argparse.Namespace, scratch: Path) -> dict[str, Any]:
    """Hear the clips in a process with one thread; sentences and spoken orders apart."""
    out: dict[str, Any] = {"outcomes": [None] * len(tasks), "cost": {}}
    for grammar, parts in ((None, ("cabin", "talk")), (str(ORDERS_GRAMMAR), ("orders", "orders_cut"))):
        chosen = [index for index, task in enumerate(tasks) if task.part in parts]
        if not chosen:
            continue
        # By step, so that the phrases of a step are loaded once, as on the road.
        chosen.sort(key=lambda index: tasks[index].step)
        job, result = scratch / f"{name}-job.json", scratch / f"{name}-result.json"
        job.write_text(json.dumps({
            "engine": name, "model": args.model, "unit": unit, "grammar": grammar,
            "clips": [
                {"file": tasks[i].file, "step": tasks[i].step, "cut": tasks[i].part != "orders"} for i in chosen
            ],
        }))  # fmt: skip
        # The first process only fills the caches of grammars and graphs, as an earlier drive would have.
        for first in (["--fill-caches"], []):
            done = subprocess.run(
                [sys.executable, "-m", "fieldassist.bench.speech_worker", str(job), str(result), *first],
                env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
            )
            if done.returncode:
                raise UserError(f"{name}: the hearing process ended with exit code {done.returncode}")
        data = json.loads(result.read_text())
        for index, outcome in zip(chosen, data["outcomes"], strict=True):
            out["outcomes"][index] = outcome
        if grammar is None or not out["cost"]:
            out["cost"] = data["cost"]
    return out
