"""The grammars of a drive: the shipped ones and the shop's own, for the matcher, the engines and the card."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path

from fieldassist.deduce.step import Step
from fieldassist.errors import UserError
from fieldassist.phrases.automaton import Automaton, Promised, Tag, compile_for_engine, compile_grammar
from fieldassist.phrases.compiled import Compiled
from fieldassist.phrases.compose import UNDECIDED
from fieldassist.phrases.jsgf import Alternatives, Grammar, Ref, Rule, read_grammar
from fieldassist.phrases.ngram import automaton_of_ngram, beside, learn, words_of
from fieldassist.phrases.phonemes import known_pronunciations
from fieldassist.phrases.pruning import restrict
from fieldassist.phrases.wordings import FILE, TALK, Wording, read_wordings
from fieldassist.resources import home, shipped

MOST_GEARS = 8
BRANCH_COST = 5.5
"""Nats for a sentence in words of one's own, beside the grammar's."""


class PhraseSet:
    """Grammars read once; everything heavy is made when it is first asked for, and kept."""

    def __init__(self, folder: Path, own: Path | None = None) -> None:
        self.folder = folder
        self.own = own
        self._rules: dict[str, Automaton] = {}
        self._cars: dict[int, Grammar] = {}

    @cached_property
    def grammar(self) -> Grammar:
        """The grammar of any utterance, `utterance.gram`, with the shop's own phrases among its items."""
        grammar = read_grammar(self.folder / "utterance.gram")
        for path in self._own_files():
            grammar = _with_items(grammar, read_grammar(path), "item")
        return grammar

    @property
    def automaton(self) -> Automaton:
        """The automaton of any utterance."""
        return self.rule(None)

    def rule(self, name: str | None) -> Automaton:
        """Return the automaton of one rule of `grammar`, or of all its public ones."""
        key = name or ""
        if key not in self._rules:
            self._rules[key] = self._compiled.get(f"utterance {key}", lambda: compile_grammar(self.grammar, name))
        return self._rules[key]

    @cached_property
    def sentences(self) -> Grammar:
        """The grammar that engines listen for, `sentence.gram`, with the shop's own phrases among its findings."""
        grammar = read_grammar(self.folder / "sentence.gram")
        for path in self._own_files():
            grammar = _with_items(grammar, read_grammar(path), "seen")
        return grammar

    def listening(self, gears: int = MOST_GEARS, weighs_talk: bool = True) -> Automaton:
        """Return the automaton for an engine: all that can be said, the same at every step.

        What is likely at a step is weighed by the matcher, so that one graph serves a whole drive. `gears` is the
        number of forward gears of the car: shifts between gears that it lacks are left out of the grammar. Words
        of any talk between the parts of an observation, and sentences in words of one's own as the examples in
        `wordings.toml` have them, are only for an engine that weighs other talk (`weighs_talk`): another one hears
        them everywhere. It is kept on disk, not in memory: an engine makes a graph of its own of it.
        """
        return self.to_listen_for(gears, weighs_talk).make()

    def to_listen_for(self, gears: int = MOST_GEARS, weighs_talk: bool = True) -> Promised:
        """Return the same as a promise, for an engine that may have its graph already."""
        name = f"listening {gears}{'' if weighs_talk else ' strictly'}"
        make = self.with_own_words if weighs_talk else self.strictly
        return self._compiled.promised(name, lambda: make(gears))

    def strictly(self, gears: int = MOST_GEARS) -> Automaton:
        """Return the automaton of the grammar alone, without words of any talk, for an engine."""
        return compile_for_engine(restrict(self._of_car(gears), lambda tag: tag.key != "only"))

    def with_own_words(self, gears: int) -> Automaton:
        """Return the automaton of the grammar with sentences like the examples beside it, for an engine."""
        grammar = compile_for_engine(self._of_car(gears))
        said = [each.said for each in self.wordings() if each.means != TALK]
        if not said:
            return grammar
        words = {*grammar.words, *(word for text in said for word in words_of(text))}
        model = learn(said, (word for word in words if known_pronunciations(word)))
        return beside(grammar, automaton_of_ngram(model), BRANCH_COST)

    @cached_property
    def _compiled(self) -> Compiled:
        folders = [self.folder, *([self.own] if self.own is not None else [])]
        grammars = [path for folder in folders for path in folder.rglob("*.gram")]
        # Which words of one's own can be heard is for the shop's lexicon to say.
        return Compiled(home() / "compiled", [*grammars, *self.wording_files(), home() / "lexicon.txt"])

    def wordings(self) -> tuple[Wording, ...]:
        """Return the example wordings, shipped and the shop's own. Raises DataFileError for a broken file."""
        return tuple(wording for path in self.wording_files() for wording in read_wordings(path))

    def _of_car(self, gears: int) -> Grammar:
        if gears not in self._cars:
            self._cars[gears] = restrict(self.sentences, lambda tag: _has_gear(tag, gears))
        return self._cars[gears]

    def of_step(self, step: Step, gears: int = MOST_GEARS) -> Grammar:
        """Return the sentences that are about a step, without commands."""
        return restrict(self._of_car(gears), lambda tag: _expected(tag, step))

    def wording_files(self) -> list[Path]:
        """Return the files of example wordings, the shipped one first, that are there."""
        folders = [self.folder, *([self.own] if self.own is not None else [])]
        return [folder / FILE for folder in folders if (folder / FILE).is_file()]

    def _own_files(self) -> list[Path]:
        return sorted(self.own.glob("*.gram")) if self.own is not None and self.own.is_dir() else []


def load_phrases(folder: Path | str | None = None) -> PhraseSet:
    """Return the phrases of a grammar folder, the shipped one by default.

    `*.gram` files in the folder `grammars` of the shop's home are the shop's own: every public rule in them
    is one more way to say something. Raises UserError when the folder lacks `utterance.gram`.
    """
    where = Path(folder) if folder is not None else shipped("grammars")
    if not (where / "utterance.gram").is_file():
        raise UserError(f"{where}: expected a folder of grammars with utterance.gram in it")
    return PhraseSet(where, home() / "grammars")


def _has_gear(tag: Tag, gears: int) -> bool:
    """Tell whether a car with so many forward gears can give out a tag."""
    if tag.key in ("shift", "gear", "into", "outof") and tag.value is not None:
        return all(not gear.isdigit() or int(gear) <= gears for gear in tag.value.split("-"))
    return True


def _expected(tag: Tag, step: Step) -> bool:
    """Tell whether a tag is what a step is about."""
    value = tag.value or ""
    if tag.key == "kind":
        kinds = UNDECIDED.get(value, (value,))
        return value == "normal" or any(kind in step.kinds for kind in kinds)
    if tag.key in ("command", "correct"):
        return False
    if tag.key == "shift":
        return value == step.shift
    if tag.key in ("into", "outof"):
        return step.shift is not None and value == step.shift.split("-")[tag.key == "into"]
    if tag.key == "gear":
        near = (step.gear or "", *(step.shift or "").split("-"))
        return value in near or "wrong_gear_start" in step.kinds
    if tag.key == "range":
        return step.range is None or value == step.range
    return True


def _with_items(grammar: Grammar, own: Grammar, rule: str) -> Grammar:
    """Add the public rules of a shop's grammar to a rule made of alternatives."""
    item = grammar.rule(rule)
    name = item.name
    before = item.body if isinstance(item.body, Alternatives) else Alternatives((item.body,), (1.0,))
    weights = before.weights or (1.0,) * len(before.options)
    added = tuple(Ref(rule.name, rule.line) for rule in own.public())
    body = Alternatives((*before.options, *added), (*weights, *([max(weights)] * len(added))))
    rules = {**own.rules, **grammar.rules, name: Rule(name, item.public, body, item.path, item.line)}
    return Grammar(grammar.name, rules, grammar.path)
