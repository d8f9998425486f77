"""`python -m fieldassist.acoustic STAGE ...`: the stages that make a speech model of our own (extra `train`).

In their order:

    texts --grammar grammars/utterance.gram=0.36 --grammar grammars/commands.gram=0.06 --text BOOK.txt
          --words FREQUENT.txt --count 44000 --out texts.txt          sentences to be spoken
    voices                                                            fetch style vectors for Kokoro
    synth texts.txt --styles STYLES --out plan.jsonl                  phonemes and speakers for each
    render plan.jsonl --network KOKORO.onnx --styles STYLES --out packs --device cuda --worker 0 --workers 7
    speak texts.txt --count 1800 --out others                         other synthesis: Piper, Flite, Festival
    orders FOLDER --out orders.tsv                                    words of the public spoken orders
    pack FOLDER... --out people/NAME.npz                              recorded people (manifest.tsv and audio)
    noise FOLDER --out noise.npy                                      recorded noise, generated cabins, prompts
    restore MODEL --speech people/NAME.npz --noise noise.npy --out before.pt   weights of a model folder, to go on
    train packs people --noise noise.npy --out weights.pt
    average before.pt after.pt --out mean.pt                          weights that training began with and came to
    export weights.pt --silence 0.7 --speech people/NAME.npz --out MODEL   am/ and conf/ of a Vosk model folder
    graph grammars/sentence.gram --model MODEL                        its graph; again whenever words are added

and, whenever the example wordings were changed:

    senses --out fieldassist/phrases/sense.npz                        which words speak for what

and, when they have become many more, what whole utterances speak for:

    texts --wordings --text BOOK.txt --numbers 0 --count 12000 --out texts.txt   then synth and render, as above
    heard packs --out heard/0.jsonl --worker 0 --workers 4            how an engine hears what it does not know
    utterances --words FREQUENT.txt --text BOOK.txt --heard heard --out utterances.npz
    encoder utterances.npz --out fieldassist/phrases/encoder.npz
    encoder utterances.npz --begin ENCODER.npz --teachers 0 --device cpu --out ...  or only on with newer examples

Nothing of an earlier model is needed: Kokoro says how long each phone of its speech lasts, a small first network
learns from that and finds the phones in all other clips. Rendering goes at a hundred times real time
on a large GPU with seven workers and at about real time on a processor's core; training is made for a GPU too.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from fieldassist.errors import UserError


def main(argv: Sequence[str] | None = None) -> int:
    """Run one stage; return its exit code (2 for bad input)."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    if arguments and arguments[0] in ("voices", "fixtures"):
        from fieldassist.acoustic import fixtures, voices

        return {"voices": voices.run, "fixtures": fixtures.run}[arguments[0]](arguments[1:])
    parser = argparse.ArgumentParser(
        prog="python -m fieldassist.acoustic",
        description="Make the speech model. Also: voices (synthetic speakers), fixtures (recorded drives).",
    )
    stages = parser.add_subparsers(dest="stage", metavar="STAGE", required=True)

    texts = stages.add_parser("texts", help="sentences for synthetic speakers")
    texts.add_argument(
        "--grammar", action="append", default=[], metavar="FILE=SHARE", help="JSGF file and its share"
    )
    texts.add_argument("--text", type=Path, action="append", default=[], help="plain text in English")
    texts.add_argument("--words", type=Path, help="frequent words, one a line, most frequent first")
    texts.add_argument("--wordings", action="store_true", help="each example wording once, before all others")
    texts.add_argument("--numbers", type=float, default=0.1, help="share of bare numbers")
    texts.add_argument("--count", type=int, default=10_000)
    texts.add_argument("--seed", type=int, default=0)
    texts.add_argument("--out", type=Path, required=True)

    speak = stages.add_parser("speak", help="sentences by Piper, Flite and Festival, as a speech folder")
    speak.add_argument("texts", type=Path, help="a sentence a line")
    speak.add_argument("--count", type=int, default=1800)
    speak.add_argument("--seed", type=int, default=0)
    speak.add_argument("--out", type=Path, required=True)

    orders = stages.add_parser("orders", help="words of the public spoken orders, by pocketsphinx")
    orders.add_argument("folder", type=Path, help="clips and labels.json")
    orders.add_argument("--out", type=Path, required=True, help="list for the stage pack")

    pack = stages.add_parser("pack", help="speech folders (manifest.tsv and audio) into one pack")
    pack.add_argument("folder", type=Path, nargs="+")
    pack.add_argument("--list", type=Path, help="list in place of the folder's manifest.tsv")
    pack.add_argument("--without", type=Path, help="list of files that are left out")
    pack.add_argument("--without-last", type=int, default=0, help="leave so many clips at the end out")
    pack.add_argument("--out", type=Path, required=True)

    noise = stages.add_parser("noise", help="recorded noise and generated cabins into one file")
    noise.add_argument("folder", type=Path, nargs="*", help="folders of noise recordings")
    noise.add_argument("--cabins", type=int, default=60, help="generated cabins, half a minute each")
    noise.add_argument("--out", type=Path, required=True)

    synth = stages.add_parser("synth", help="a plan of synthetic speech for a list of sentences")
    synth.add_argument("texts", type=Path, help="a sentence a line")
    synth.add_argument("--styles", type=Path, required=True, help="folder of style vectors")
    synth.add_argument("--seed", type=int, default=0)
    synth.add_argument("--out", type=Path, required=True)

    render = stages.add_parser("render", help="speak a plan into packs")
    render.add_argument("plan", type=Path)
    render.add_argument("--network", type=Path, required=True, help="Kokoro's ONNX file")
    render.add_argument("--styles", type=Path, required=True)
    render.add_argument("--worker", type=int, default=0)
    render.add_argument("--workers", type=int, default=1)
    render.add_argument("--device", default="cpu", help="cpu, or a GPU such as cuda:0")
    render.add_argument("--out", type=Path, required=True, help="folder for the packs")

    train = stages.add_parser("train", help="train the network")
    train.add_argument("pack", type=Path, nargs="+", help="packs, or folders of packs that may still be growing")
    train.add_argument("--noise", type=Path, required=True, help="made by the stage noise")
    train.add_argument("--updates", type=int, default=20_000)
    train.add_argument("--minutes", type=float, default=float("inf"))
    train.add_argument("--states", type=float, default=0.5, help="share of the time for the first part")
    train.add_argument("--batch-seconds", type=float, default=400.0)
    train.add_argument("--rate", type=float, default=2e-3)
    train.add_argument("--width", type=int, default=512)
    train.add_argument("--narrow", type=int, default=128)
    train.add_argument("--weight", action="append", default=[], metavar="GROUP=TIMES")
    train.add_argument("--held-out", type=Path, help="list of speakers that are only listened to")
    train.add_argument("--begin", type=Path, help="weights to start from, of this or a smaller width")
    train.add_argument("--device", default="cuda")
    train.add_argument("--seed", type=int, default=1)
    train.add_argument("--out", type=Path, required=True)

    restore = stages.add_parser("restore", help="weights of a model folder, for a training to begin with")
    restore.add_argument("model", type=Path, help="model folder with am/final.mdl")
    restore.add_argument("--speech", type=Path, required=True, help="pack of speech")
    restore.add_argument("--noise", type=Path, required=True, help="made by the stage noise")
    restore.add_argument("--out", type=Path, required=True)

    average = stages.add_parser("average", help="the mean of weights that trainings began with or came to")
    average.add_argument("weights", type=Path, nargs="+", help="all may be of a smaller width than the last")
    average.add_argument("--out", type=Path, required=True)

    export = stages.add_parser("export", help="weights into a model folder")
    export.add_argument("weights", type=Path)
    export.add_argument("--width", type=int, default=512)
    export.add_argument("--narrow", type=int, default=128)
    export.add_argument("--silence", type=float, default=0.0, help="added to the scores of silence, nats")
    export.add_argument("--speech", type=Path, required=True, help="pack of people's speech that rounding goes by")
    export.add_argument("--out", type=Path, required=True)

    graph = stages.add_parser("graph", help="the graph of a model folder, from a grammar")
    graph.add_argument("grammar", type=Path, help="JSGF file")
    graph.add_argument("--model", type=Path, required=True, help="model folder whose graph is written anew")

    senses = stages.add_parser("senses", help="what words speak for, from example wordings")
    senses.add_argument("--out", type=Path, required=True)

    heard = stages.add_parser("heard", help="how the engine hears packs")
    heard.add_argument("pack", type=Path, nargs="+", help="packs, or folders of packs")
    heard.add_argument("--worker", type=int, default=0)
    heard.add_argument("--workers", type=int, default=1)
    heard.add_argument("--out", type=Path, required=True)

    utterances = stages.add_parser("utterances", help="what the encoder is trained on")
    utterances.add_argument("--words", type=Path, required=True, help="frequent words, most frequent first")
    utterances.add_argument("--text", type=Path, action="append", default=[], help="plain text in English")
    utterances.add_argument("--heard", type=Path, help="folder of files made by the stage heard")
    utterances.add_argument("--out", type=Path, required=True)

    encoder = stages.add_parser("encoder", help="train what reads whole utterances")
    encoder.add_argument("utterances", type=Path, help="made by the stage utterances")
    encoder.add_argument("--device", default="cuda")
    encoder.add_argument("--begin", type=Path, help="go on from this small one")
    encoder.add_argument(
        "--teachers", type=int, default=6, help="large ones; with 0 the one that is gone on from teaches itself"
    )
    encoder.add_argument("--large", type=Path, help="folder of a sentence encoder that large ones go on from")
    encoder.add_argument("--seconds", type=float, default=300.0, help="for the small one, after the large ones")
    encoder.add_argument("--seed", type=int, default=0)
    encoder.add_argument("--out", type=Path, required=True)
    args = parser.parse_args(arguments)
    stage: Callable[[argparse.Namespace], None] = globals()[f"_{args.stage}"]
    try:
        stage(args)
    except UserError as error:
        print(f"fieldassist: {error}", file=sys.stderr)
        return 2
    return 0


def _texts(args: argparse.Namespace) -> None:
    from itertools import islice

    from fieldassist.acoustic.texts import frequent_words, general_sentences, mixture
    from fieldassist.phrases.automaton import compile_grammar
    from fieldassist.phrases.jsgf import read_grammar

    automata = []
    for text in args.grammar:
        path, share = _share(text, "--grammar", "FILE=SHARE")
        automata.append((compile_grammar(read_grammar(path)), share))
    general = general_sentences(args.text)
    words = frequent_words(args.words, 6000) if args.words else []
    if sum(share for _, share in automata) + args.numbers < 1 and not general and not words:
        raise UserError("texts: the shares leave room for general sentences; give --text or --words")
    drawn = (text for text in mixture(automata, general, words, args.numbers, args.seed) if text)
    chosen = [*islice(drawn, args.count)]
    if args.wordings:
        from fieldassist.acoustic.senses import shipped_examples

        chosen = [*dict.fromkeys(" ".join(said) for said, _, _ in shipped_examples()[1]), *chosen]
    args.out.write_text("\n".join(chosen) + "\n", encoding="utf-8")


def _share(text: str, option: str, form: str) -> tuple[str, float]:
    name, equals, number = text.rpartition("=")
    if not equals or not number.replace(".", "", 1).isdigit():
        raise UserError(f"{option} {text}: expected {form}")
    return name, float(number)


def _orders(args: argparse.Namespace) -> None:
    from fieldassist.acoustic.orders import transcribe

    print(f"{args.out}: {transcribe(args.folder, args.out)} clips")


def _pack(args: argparse.Namespace) -> None:
    from fieldassist.acoustic.corpus import load_speech, read_manifest, save_pack

    left_out = set(args.without.read_text(encoding="utf-8").split()) if args.without else set()
    clips = []
    for folder in args.folder:
        listed = read_manifest(folder, args.list)
        clips += [c for c in listed[: len(listed) - args.without_last] if c.file.name not in left_out]
    speech = load_speech(clips)
    save_pack(speech, args.out)
    print(f"{args.out}: {len(speech)} clips, {speech.seconds / 60:.1f} min")


def _noise(args: argparse.Namespace) -> None:
    import numpy as np

    from fieldassist.acoustic.cabin import cabin_noise, random_cabin
    from fieldassist.acoustic.corpus import load_noise
    from fieldassist.acoustic.speakers import prompts

    parts = [load_noise(folder) for folder in args.folder]
    for number in range(args.cabins):
        noise = cabin_noise(30.0, random_cabin(number), number)
        parts.append(noise * np.float32(0.05 / max(1e-6, float(np.sqrt(np.mean(np.square(noise)))))))
    parts += prompts()
    np.save(args.out, np.concatenate(parts).astype(np.float16))
    print(f"{args.out}: {sum(map(len, parts)) / 16_000 / 60:.1f} min")


def _speak(args: argparse.Namespace) -> None:
    from fieldassist.acoustic.speakers import speak_folder

    texts = args.texts.read_text(encoding="utf-8").splitlines()[: args.count]
    print(f"{args.out}: {speak_folder(texts, args.out, args.seed)} clips")


def _synth(args: argparse.Namespace) -> None:
    from fieldassist.acoustic.synth import plan_lines
    from fieldassist.acoustic.voices import load_speakers

    reserved = {
        name for split in ("test", "fixtures") for s in load_speakers(split) for name in s.voice.split("+")
    }
    styles = [path.stem for path in sorted(args.styles.glob("*.bin")) if path.stem not in reserved]
    if len(styles) < 2:
        raise UserError(f"{args.styles}: expected two or more style vectors that are free for training")
    styles = [name for name in styles for _ in range(3 if name[0] in "ab" else 1)]  # English ones more often
    texts = args.texts.read_text(encoding="utf-8").splitlines()
    with args.out.open("w", encoding="utf-8") as file:
        for line in plan_lines(texts, styles, seed=args.seed):
            file.write(line + "\n")


def _render(args: argparse.Namespace) -> None:
    from fieldassist.acoustic.synth import render

    render(args.plan, args.network, args.styles, args.out, args.worker, args.workers, args.device)


def _train(args: argparse.Namespace) -> None:
    from fieldassist.acoustic.corpus import noise_in
    from fieldassist.acoustic.network import Shape
    from fieldassist.acoustic.train import Plan, Trainer

    weights = [_share(text, "--weight", "GROUP=TIMES") for text in args.weight]
    plan = Plan(
        updates=args.updates, minutes=args.minutes, states=args.states, batch_seconds=args.batch_seconds,
        rate=args.rate, weights=tuple(weights), seed=args.seed, shape=Shape(args.width, args.narrow),
        held_out=tuple(args.held_out.read_text().split()) if args.held_out else (),
    )  # fmt: skip
    Trainer(args.pack, noise_in(args.noise), plan, args.device, args.begin).train(args.out)


def _restore(args: argparse.Namespace) -> None:
    import torch

    from fieldassist.acoustic.augment import Augmenter
    from fieldassist.acoustic.corpus import load_pack, noise_in
    from fieldassist.acoustic.network import restored
    from fieldassist.acoustic.nnet3 import read_network

    augmenter = Augmenter(torch.from_numpy(noise_in(args.noise)), torch.device("cpu"))
    trainee = restored(read_network(args.model / "am" / "final.mdl"), augmenter.examples(load_pack(args.speech)))
    torch.save(trainee.state_dict(), args.out)
    print(f"{args.out}: width {trainee.shape.width}, narrow {trainee.shape.narrow}")


def _average(args: argparse.Namespace) -> None:
    import torch

    from fieldassist.acoustic.network import averaged, load_weights

    torch.save(averaged([load_weights(path) for path in args.weights]), args.out)
    print(f"{args.out}: written")


def _export(args: argparse.Namespace) -> None:
    from fieldassist.acoustic.corpus import load_pack
    from fieldassist.acoustic.export import write_folder
    from fieldassist.acoustic.network import Shape, plain
    from fieldassist.acoustic.rounding import rounded, varied
    from fieldassist.acoustic.train import load_trainee

    network = plain(load_trainee(args.weights, Shape(args.width, args.narrow)))
    network = rounded(network, varied(load_pack(args.speech)))
    bias = network.output_bias.copy()
    bias[:2] += args.silence  # outputs 0 and 1 are silence
    write_folder(network.with_output(network.output_weight, bias), args.out)
    print(f"{args.out}: {network.parameters} parameters, context {network.context} frames")


def _graph(args: argparse.Namespace) -> None:
    from fieldassist.phrases.automaton import compile_grammar
    from fieldassist.phrases.jsgf import read_grammar
    from fieldassist.words.graph import Filler, build_graph

    if not (args.model / "am" / "final.mdl").is_file():
        raise UserError(f"{args.model}: expected a model folder with am/final.mdl")
    automaton = compile_grammar(read_grammar(args.grammar)).without_tags()
    guessed = build_graph(automaton, args.model / "graph", Filler())
    print(f"{args.model / 'graph'}: {len(automaton.words)} words")
    if guessed:
        print(f"pronounced by guess: {', '.join(guessed)}")


def _senses(args: argparse.Namespace) -> None:
    import hashlib
    from dataclasses import replace

    from fieldassist.acoustic.senses import shipped_examples, train
    from fieldassist.phrases.encoder import load
    from fieldassist.phrases.sense import save

    path, examples = shipped_examples()
    model = replace(train(examples, load()), source=hashlib.sha256(path.read_bytes()).hexdigest())
    save(model, args.out)
    print(f"{args.out}: {len(examples)} examples, {len(model.features)} features, {len(model.meanings)} meanings")


def _heard(args: argparse.Namespace) -> None:
    from fieldassist.acoustic.corpus import packs_in
    from fieldassist.acoustic.heard import hear

    count = hear(packs_in(args.pack), args.out, args.worker, args.workers)
    print(f"{args.out}: {count} utterances")


def _utterances(args: argparse.Namespace) -> None:
    import numpy as np

    from fieldassist.acoustic.senses import shipped_examples
    from fieldassist.acoustic.texts import frequent_words, general_sentences
    from fieldassist.acoustic.utterances import prepare, read_choices, read_heard
    from fieldassist.phrases import load_phrases

    _, examples = shipped_examples()
    hearable, frequent = load_phrases().automaton.words, frequent_words(args.words, 12_000)
    files = sorted(args.heard.glob("*.jsonl")) if args.heard else []
    heard, choices = read_heard(files), read_choices(files)
    arrays = prepare(examples, hearable, frequent, general_sentences(args.text), heard, choices)
    np.savez_compressed(args.out, **arrays)  # type: ignore[arg-type]
    names = ("examples", "drawn", "talk", "heard", "aside")
    counts = ", ".join(f"{len(arrays[f'{name}_begins']) - 1} {name}" for name in names)
    print(f"{args.out}: {counts}, {len(choices)} choices, {len(arrays['pieces'])} pieces of words")


def _encoder(args: argparse.Namespace) -> None:
    from fieldassist.acoustic.encoder import Plan, go_on, load_material, train
    from fieldassist.phrases.encoder import load, save

    if args.begin and not args.begin.is_file():
        raise UserError(f"{args.begin}: no such file; expected an encoder to go on from")
    if args.large and args.teachers <= 0:
        raise UserError("encoder: --large is for large ones, and --teachers 0 asks for none")
    material, before = load_material(args.utterances), load(args.begin) if args.begin else None
    plan = Plan(seconds=args.seconds, teachers=args.teachers)
    if plan.teachers > 0:
        save(train(material, plan, args.device, args.seed, before, args.large), args.out)
    elif before is not None:
        save(go_on(material, before, plan, args.device, args.seed), args.out)
    else:
        raise UserError("encoder: without large ones it needs --begin")


if __name__ == "__main__":
    sys.exit(main())
