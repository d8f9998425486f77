"""Cut a grammar down to what a car or a step can give."""

from __future__ import annotations

from collections.abc import Callable

from fieldassist.errors import DataFileError
from fieldassist.phrases.automaton import Tag, read_tag
from fieldassist.phrases.jsgf import (
    NULL,
    VOID,
    Alternatives,
    Grammar,
    Node,
    Option,
    Ref,
    Repeat,
    Rule,
    Sequence,
    Tagged,
    references,
)

_NOTHING = Ref(VOID)


def restrict(grammar: Grammar, allowed: Callable[[Tag], bool]) -> Grammar:
    """Return the grammar without the sentences that give out a tag that is not allowed.

    Raises DataFileError when nothing is left to say.
    """
    done: dict[str, Node] = {}

    def body(name: str) -> Node:
        if name not in done:
            done[name] = Ref(name)  # a rule that refers to itself: taken as sayable until the end is known
            rule = grammar.rules[name]
            done[name] = prune(rule.body, rule.short)
        return done[name]

    def prune(node: Node, rule: str) -> Node:
        if isinstance(node, Ref):
            gone = node.name == VOID or (node.name != NULL and body(node.name) == _NOTHING)
            return _NOTHING if gone else node
        if isinstance(node, Sequence):
            items = tuple(prune(item, rule) for item in node.items)
            return _NOTHING if _NOTHING in items else Sequence(items)
        if isinstance(node, Alternatives):
            weights = node.weights or (1.0,) * len(node.options)
            pruned = ((prune(option, rule), w) for option, w in zip(node.options, weights, strict=True))
            kept = [(option, w) for option, w in pruned if option != _NOTHING]
            if not kept:
                return _NOTHING
            return Alternatives(tuple(p for p, _ in kept), tuple(w for _, w in kept) if node.weights else None)
        if isinstance(node, Option | Repeat):
            inner = prune(node.item, rule)
            if inner == _NOTHING:
                return Ref(NULL) if isinstance(node, Option) or node.at_least == 0 else _NOTHING
            return Option(inner) if isinstance(node, Option) else Repeat(inner, node.at_least)
        if isinstance(node, Tagged):
            tags = (tag for text in node.tags for tag in read_tag(text, rule))
            inner = prune(node.item, rule)
            return Tagged(inner, node.tags) if inner != _NOTHING and all(map(allowed, tags)) else _NOTHING
        return node

    rules: dict[str, Rule] = {}
    queue = [rule.name for rule in grammar.public()]
    while queue:
        name = queue.pop()
        old = grammar.rules[name]
        kept = body(name)
        if name in rules or kept == _NOTHING:
            continue
        rules[name] = Rule(name, old.public and name.rpartition(".")[0] == grammar.name, kept, old.path, old.line)
        queue.extend(ref.name for ref in references(kept) if ref.name not in (NULL, VOID))
    if not any(rule.public for rule in rules.values()):
        raise DataFileError(grammar.path, None, "expected a grammar in which something is left to say")
    return Grammar(grammar.name, rules, grammar.path)
