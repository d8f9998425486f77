"""The grammars of a drive: the shipped ones and the shop's own, for the matcher, the engines and the card."""

from __future__ import annotations

import os
from functools import cached_property
from pathlib import Path

from fieldassist.errors import UserError
from fieldassist.phrases.automaton import Automaton, compile_grammar
from fieldassist.phrases.jsgf import Alternatives, Grammar, Ref, Rule, read_grammar
from fieldassist.resources import shipped


class PhraseSet:
    """Grammars read once; everything heavy is made when it is first asked for, and kept."""

    def __init__(self, folder: Path, own: Path | None = None) -> None:
        self.folder = folder
        self.own = own

    @cached_property
    def grammar(self) -> Grammar:
        """The grammar of any utterance, `utterance.gram`, with the shop's own phrases among its items."""
        grammar = read_grammar(self.folder / "utterance.gram")
        for path in self._own_files():
            grammar = _with_items(grammar, read_grammar(path))
        return grammar

    @cached_property
    def automaton(self) -> Automaton:
        """The automaton of any utterance."""
        return compile_grammar(self.grammar)

    def _own_files(self) -> list[Path]:
        return sorted(self.own.glob("*.gram")) if self.own is not None and self.own.is_dir() else []


def load_phrases(folder: Path | str | None = None) -> PhraseSet:
    """Return the phrases of a grammar folder, the shipped one by default.

    `*.gram` files in the folder `grammars` of FIELDASSIST_HOME are the shop's own: every public rule in them
    is one more way to say something. Raises UserError when the folder lacks `utterance.gram`.
    """
    where = Path(folder) if folder is not None else shipped("grammars")
    if not (where / "utterance.gram").is_file():
        raise UserError(f"{where}: expected a folder of grammars with utterance.gram in it")
    home = os.environ.get("FIELDASSIST_HOME")
    return PhraseSet(where, Path(home) / "grammars" if home else None)


def _with_items(grammar: Grammar, own: Grammar) -> Grammar:
    """Add the public rules of a shop's grammar to the rule <item>."""
    name = f"{grammar.name}.item"
    item = grammar.rule("item")
    before = item.body if isinstance(item.body, Alternatives) else Alternatives((item.body,), (1.0,))
    weights = before.weights or (1.0,) * len(before.options)
    added = tuple(Ref(rule.name, rule.line) for rule in own.public())
    body = Alternatives((*before.options, *added), (*weights, *([max(weights)] * len(added))))
    rules = {**own.rules, **grammar.rules, name: Rule(name, item.public, body, item.path, item.line)}
    return Grammar(grammar.name, rules, grammar.path)
