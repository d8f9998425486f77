"""Cut a grammar down to what a car or a step can give, and write a grammar out again as text."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

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
    Token,
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


def either(grammars: Mapping[Grammar, float]) -> Grammar:
    """Return a grammar whose sentences are those of all the given ones, chosen with these weights."""
    rules: dict[str, Rule] = {}
    options: list[Node] = []
    for i, grammar in enumerate(grammars):
        for name, rule in grammar.rules.items():
            new = f"g{i}.{name}"
            rules[new] = Rule(new, False, _renamed(rule.body, f"g{i}."), rule.path, rule.line)
        heads: tuple[Node, ...] = tuple(Ref(f"g{i}.{rule.name}") for rule in grammar.public())
        options.append(heads[0] if len(heads) == 1 else Alternatives(heads))
    body = Alternatives(tuple(options), tuple(grammars.values()))
    first = next(iter(grammars))
    rules["said.sentence"] = Rule("said.sentence", True, body, first.path, 1)
    return Grammar("said", rules, first.path)


def _renamed(node: Node, prefix: str) -> Node:
    if isinstance(node, Ref):
        return node if node.name in (NULL, VOID) else Ref(prefix + node.name, node.line)
    if isinstance(node, Sequence):
        return Sequence(tuple(_renamed(item, prefix) for item in node.items))
    if isinstance(node, Alternatives):
        return Alternatives(tuple(_renamed(item, prefix) for item in node.options), node.weights)
    if isinstance(node, Option):
        return Option(_renamed(node.item, prefix))
    if isinstance(node, Repeat):
        return Repeat(_renamed(node.item, prefix), node.at_least)
    if isinstance(node, Tagged):
        return Tagged(_renamed(node.item, prefix), node.tags)
    return node


def to_text(grammar: Grammar, tags: bool = False) -> str:
    """Return the grammar as one JSGF text without imports; tags are left out unless asked for."""
    used = _reachable(grammar)
    short = _short_names(used)
    lines = ["#JSGF V1.0;", f"grammar {grammar.name};"]
    for name, rule in used.items():
        public = "public " if rule.public and name.rpartition(".")[0] == grammar.name else ""
        lines.append(f"{public}<{short[name]}> = {_text(rule.body, short, tags, True)};")
    return "\n".join(lines) + "\n"


def _reachable(grammar: Grammar) -> Mapping[str, Rule]:
    out: dict[str, Rule] = {}
    queue = [rule.name for rule in reversed(grammar.public())]
    while queue:
        name = queue.pop()
        if name not in out and name not in (NULL, VOID):
            out[name] = grammar.rules[name]
            queue.extend(ref.name for ref in references(out[name].body))
    return out


def _short_names(rules: Mapping[str, Rule]) -> dict[str, str]:
    """Names without their grammar where that is unambiguous, else with it."""
    count: dict[str, int] = {}
    for rule in rules.values():
        count[rule.short] = count.get(rule.short, 0) + 1
    return {
        name: rule.short if count[rule.short] == 1 else name.replace(".", "_") for name, rule in rules.items()
    }


def _text(node: Node, short: Mapping[str, str], tags: bool, outer: bool = False) -> str:
    if isinstance(node, Token):
        plain = re.fullmatch(r'[^\s;=|*+<>()\[\]{}"/]+', node.text)
        return node.text if plain else '"' + re.sub(r'(["\\])', r"\\\1", node.text) + '"'
    if isinstance(node, Ref):
        return f"<{short.get(node.name, node.name)}>"
    if isinstance(node, Sequence):
        text = " ".join(_text(item, short, tags) for item in node.items)
        return text if outer else f"({text})"
    if isinstance(node, Alternatives):
        weights = node.weights or (None,) * len(node.options)
        parts = [
            ("" if weight is None else f"/{weight:g}/ ")
            + _text(option, short, tags, isinstance(option, Sequence))
            for option, weight in zip(node.options, weights, strict=True)
        ]
        text = " | ".join(parts)
        return text if outer else f"({text})"
    if isinstance(node, Option):
        return f"[{_text(node.item, short, tags, True)}]"
    if isinstance(node, Repeat):
        inner = _text(node.item, short, tags)
        if isinstance(node.item, Repeat | Tagged):
            inner = f"({inner})"  # one unary operator at most binds to an item
        return f"{inner}{'*' if node.at_least == 0 else '+'}"
    inner = _text(node.item, short, tags)
    if not tags:
        return inner
    return inner + "".join(" {" + re.sub(r"([\\}])", r"\\\1", tag) + "}" for tag in node.tags)
