"""Read the JSpeech Grammar Format (W3C Note, 5 June 2000) into a tree.

`jsgf.lark` beside this file is the formal grammar. Imports are read from local files beside the importing
one. Errors name the file, the line and what was expected.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from fieldassist.errors import DataFileError


@dataclass(frozen=True)
class Token:
    """One word or quoted phrase, as written."""

    text: str


@dataclass(frozen=True)
class Ref:
    """A reference to a rule, by its full name (`grammar.rule`, or `NULL` / `VOID`)."""

    name: str
    line: int = 0


@dataclass(frozen=True)
class Sequence:
    """Items said one after the other."""

    items: tuple[Node, ...]


@dataclass(frozen=True)
class Alternatives:
    """A choice; `weights` are as written (not normalised), or None when none was written."""

    options: tuple[Node, ...]
    weights: tuple[float, ...] | None = None


@dataclass(frozen=True)
class Option:
    """`[item]`: said or not."""

    item: Node


@dataclass(frozen=True)
class Repeat:
    """`item*` (at_least 0) or `item+` (at_least 1)."""

    item: Node
    at_least: int


@dataclass(frozen=True)
class Tagged:
    """An item with the text of the tags that follow it, braces removed and escapes resolved."""

    item: Node
    tags: tuple[str, ...]


Node = Token | Ref | Sequence | Alternatives | Option | Repeat | Tagged


@dataclass(frozen=True)
class Rule:
    """One rule definition."""

    name: str
    """Full name, `grammar.rule`."""
    public: bool
    body: Node
    path: str
    """File it was read from, or what the caller named the text."""
    line: int

    @property
    def short(self) -> str:
        """The name without its grammar."""
        return self.name.rpartition(".")[2]


@dataclass(frozen=True, eq=False)
class Grammar:
    """A grammar with everything it imports; compared by identity, so that it can be a cache key."""

    name: str
    rules: Mapping[str, Rule] = field(default_factory=dict)
    """Full name -> rule, imported ones included."""
    path: str = "<text>"

    def public(self) -> tuple[Rule, ...]:
        """Return the public rules of this grammar itself, in the order of the file."""
        return tuple(r for r in self.rules.values() if r.public and r.name.rpartition(".")[0] == self.name)

    def rule(self, name: str) -> Rule:
        """Return a rule by its short or full name. Raises DataFileError when there is none."""
        found = self.rules.get(name) or self.rules.get(f"{self.name}.{name}")
        if found is None:
            raise DataFileError(self.path, None, f"expected a rule <{name}>, and there is none")
        return found


NULL, VOID = "NULL", "VOID"
MAX_CHARACTERS = 4_000_000
MAX_DEPTH = 200
"""Nesting of groups that is read; deeper text is refused rather than overflowing the stack."""

_SCANNER = re.compile(
    r"""(?P<space>\s+|//[^\n]*|/\*.*?\*/)
      |(?P<weight>/\s*(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?\s*/)
      |(?P<rule><[^<>\s]+>)
      |(?P<tag>\{(?:\\.|[^\\}])*\})
      |(?P<quoted>"(?:\\.|[^"\\])*")
      |(?P<punct>[;=|*+()\[\]])
      |(?P<token>[^\s;=|*+<>()\[\]{}"/]+)""",
    re.VERBOSE | re.DOTALL,
)
_HEADER = re.compile(r"#JSGF[ \t]+V1\.0(?:[ \t]+[^\s;]+){0,2}[ \t]*;")


@dataclass(frozen=True)
class _Piece:
    kind: str
    text: str
    line: int


def read_grammar(path: Path | str) -> Grammar:
    """Read a grammar file and the local files it imports.

    An import `<pack.grammar.rule>` is looked for beside the importing file as `grammar.gram`,
    `pack.grammar.gram` or `pack/grammar.gram`. Raises DataFileError for anything that cannot be used.
    """
    path = Path(path)
    return parse_grammar(_text_of(path), str(path), path.parent)


def parse_grammar(text: str, path: str = "<text>", folder: Path | None = None) -> Grammar:
    """Read a grammar from text; `folder` is where its imports are looked for (None: it may not import).

    Raises DataFileError (file, line, what was expected) on bad syntax, an unknown or doubly defined rule.
    """
    grammar = _parse(text, path, folder, {})
    for rule in grammar.rules.values():
        for ref in references(rule.body):
            if ref.name not in grammar.rules and ref.name not in (NULL, VOID):
                short = ref.name.rpartition(".")[2]
                raise DataFileError(rule.path, ref.line, f"expected a defined rule, and <{short}> is not defined")
    return grammar


def references(node: Node) -> Iterator[Ref]:
    """Yield every rule reference in a tree, in order."""
    stack = [node]
    while stack:
        item = stack.pop()
        if isinstance(item, Ref):
            yield item
        elif isinstance(item, Sequence):
            stack.extend(reversed(item.items))
        elif isinstance(item, Alternatives):
            stack.extend(reversed(item.options))
        elif isinstance(item, Option | Repeat | Tagged):
            stack.append(item.item)


def has_tags(node: Node) -> bool:
    """Tell whether a tree carries any tag (references are not followed)."""
    if isinstance(node, Tagged):
        return True
    if isinstance(node, Sequence):
        return any(has_tags(item) for item in node.items)
    if isinstance(node, Alternatives):
        return any(has_tags(item) for item in node.options)
    return isinstance(node, Option | Repeat) and has_tags(node.item)


def _text_of(path: Path) -> str:
    try:
        if path.stat().st_size > MAX_CHARACTERS:
            raise DataFileError(path, None, f"expected a grammar of at most {MAX_CHARACTERS} characters")
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise DataFileError(path, None, f"expected a readable grammar file ({error.strerror or error})") from error
    except UnicodeDecodeError as error:
        raise DataFileError(path, None, "expected a grammar file in UTF-8") from error


def _parse(text: str, path: str, folder: Path | None, seen: dict[str, Grammar]) -> Grammar:
    reader = _Reader(text, path)
    reader.header()
    name = reader.declaration()
    imported: dict[str, Rule] = {}
    visible: dict[str, str] = {}
    while reader.at("token", "import"):
        line = reader.take().line
        target = reader.expect("rule", "an imported rule such as <other.rule> or <other.*>").text[1:-1]
        reader.expect_punct(";", "after the import")
        package, _, wanted = target.rpartition(".")
        if not package:
            raise DataFileError(path, line, f"expected an import like <grammar.rule>, got <{target}>")
        other = _imported(package, path, line, folder, seen)
        imported.update(other.rules)
        available = {rule.short: rule.name for rule in other.public()}
        if wanted == "*":
            visible.update(available)
        elif wanted in available:
            visible[wanted] = available[wanted]
        else:
            raise DataFileError(path, line, f"expected a public rule <{wanted}> in grammar {other.name}")
    rules: dict[str, Rule] = {}
    while not reader.done():
        rule = reader.rule(name)
        if rule.name in rules:
            first = rules[rule.name].line
            raise DataFileError(path, rule.line, f"expected <{rule.short}> defined once (first on line {first})")
        rules[rule.name] = rule
    resolved = {key: _resolve(rule, name, rules, visible, imported) for key, rule in rules.items()}
    return Grammar(name, {**resolved, **{k: r for k, r in imported.items() if k not in resolved}}, path)


def _imported(package: str, path: str, line: int, folder: Path | None, seen: dict[str, Grammar]) -> Grammar:
    if folder is None:
        raise DataFileError(path, line, "expected a grammar without imports (this text has no folder of its own)")
    parts = package.split(".")
    if any(not part or part in ("..", ".") or "/" in part or "\\" in part for part in parts):
        raise DataFileError(path, line, f"expected a plain grammar name in the import, got {package!r}")
    candidates = [
        folder / f"{parts[-1]}.gram", folder / f"{package}.gram", folder.joinpath(*parts).with_suffix(".gram"),
    ]  # fmt: skip
    found = next((c for c in candidates if c.is_file()), None)
    if found is None:
        raise DataFileError(path, line, f"expected a file {candidates[0].name} for the import of {package}")
    key = str(found.resolve())
    if key not in seen:
        seen[key] = Grammar(package)  # an import that comes round to a file being read sees nothing of it
        seen[key] = _parse(_text_of(found), str(found), found.parent, seen)
    return seen[key]


def _resolve(
    rule: Rule, grammar: str, own: Mapping[str, Rule], visible: Mapping[str, str], imported: Mapping[str, Rule]
) -> Rule:
    """Give every reference its full name: own rules first, then imported ones, then as written."""

    def walk(node: Node) -> Node:
        if isinstance(node, Ref):
            if node.name in (NULL, VOID):
                return node
            local = f"{grammar}.{node.name}"
            if local in own:
                return Ref(local, node.line)
            if node.name in visible:
                return Ref(visible[node.name], node.line)
            ending = [name for name in imported if name == node.name or name.endswith("." + node.name)]
            if "." in node.name and len(ending) == 1:
                return Ref(ending[0], node.line)
            return Ref(node.name if node.name in own else local, node.line)
        if isinstance(node, Sequence):
            return Sequence(tuple(walk(item) for item in node.items))
        if isinstance(node, Alternatives):
            return Alternatives(tuple(walk(item) for item in node.options), node.weights)
        if isinstance(node, Option):
            return Option(walk(node.item))
        if isinstance(node, Repeat):
            return Repeat(walk(node.item), node.at_least)
        if isinstance(node, Tagged):
            return Tagged(walk(node.item), node.tags)
        return node

    return Rule(rule.name, rule.public, walk(rule.body), rule.path, rule.line)


class _Reader:
    """A cursor over the pieces of one grammar text."""

    def __init__(self, text: str, path: str) -> None:
        self.path = path
        if len(text) > MAX_CHARACTERS:
            raise DataFileError(path, None, f"expected a grammar of at most {MAX_CHARACTERS} characters")
        self.text = text.removeprefix("\ufeff")
        self.pieces: list[_Piece] = []
        self.position = 0
        self.depth = 0

    def header(self) -> None:
        """Check the self-identifying header and cut the rest into pieces."""
        match = _HEADER.match(self.text)
        if match is None:
            raise DataFileError(self.path, 1, "expected the header '#JSGF V1.0;' at the very beginning")
        self._scan(match.end())

    def _scan(self, offset: int) -> None:
        line = 1 + self.text.count("\n", 0, offset)
        while offset < len(self.text):
            match = _SCANNER.match(self.text, offset)
            if match is None:
                opened = {"{": "a closing '}'", '"': "a closing '\"'", "<": "a rule name like <name>",
                          "/": "a weight like /2.5/ or a comment", "}": "no stray '}'", ">": "no stray '>'"}
                raise DataFileError(self.path, line, f"expected {opened.get(self.text[offset], 'a word')}")
            if match.lastgroup != "space":
                self.pieces.append(_Piece(str(match.lastgroup), match.group(), line))
            line += match.group().count("\n")
            offset = match.end()
        self.last_line = line

    def done(self) -> bool:
        """Tell whether nothing is left."""
        return self.position >= len(self.pieces)

    def at(self, kind: str, text: str | None = None) -> bool:
        """Tell whether the next piece is of this kind (and text)."""
        if self.done():
            return False
        piece = self.pieces[self.position]
        return piece.kind == kind and (text is None or piece.text == text)

    def take(self) -> _Piece:
        """Return the next piece and step over it."""
        piece = self.pieces[self.position]
        self.position += 1
        return piece

    def fail(self, expected: str) -> DataFileError:
        """Make the error for the place where the cursor is."""
        if self.done():
            return DataFileError(self.path, self.last_line, f"expected {expected}, but the grammar ends here")
        piece = self.pieces[self.position]
        shown = piece.text if len(piece.text) <= 30 else piece.text[:27] + "..."
        return DataFileError(self.path, piece.line, f"expected {expected}, got {' '.join(shown.split())!r}")

    def expect(self, kind: str, what: str) -> _Piece:
        """Take a piece of this kind or raise."""
        if not self.at(kind):
            raise self.fail(what)
        return self.take()

    def expect_punct(self, mark: str, where: str) -> _Piece:
        """Take this mark or raise."""
        if not self.at("punct", mark):
            raise self.fail(f"'{mark}' {where}")
        return self.take()

    def declaration(self) -> str:
        """Read `grammar name;`."""
        if not self.at("token", "grammar"):
            raise self.fail("'grammar NAME;' after the header")
        self.take()
        name = self.expect("token", "a grammar name").text
        self.expect_punct(";", "after the grammar name")
        return name

    def rule(self, grammar: str) -> Rule:
        """Read one rule definition."""
        public = self.at("token", "public")
        if public:
            self.take()
        piece = self.expect("rule", "a rule definition like '<name> = ...;'")
        name = piece.text[1:-1]
        if name in (NULL, VOID) or "*" in name:
            raise DataFileError(self.path, piece.line, f"expected a rule name of your own, <{name}> is reserved")
        self.expect_punct("=", f"after <{name}>")
        body = self.alternatives()
        self.expect_punct(";", f"at the end of <{name}>")
        return Rule(f"{grammar}.{name}", public, body, self.path, piece.line)

    def alternatives(self) -> Node:
        """Read `a | b | c`, with weights on all or none."""
        self.depth += 1
        if self.depth > MAX_DEPTH:
            raise self.fail(f"at most {MAX_DEPTH} nested groups")
        options: list[Node] = []
        weights: list[float | None] = []
        while True:
            weight = None
            if self.at("weight"):
                piece = self.take()
                weight = float(piece.text.strip("/ \t\r\n"))
                if not math.isfinite(weight):
                    raise DataFileError(self.path, piece.line, "expected a finite weight")
            weights.append(weight)
            options.append(self.sequence())
            if not self.at("punct", "|"):
                break
            self.take()
        self.depth -= 1
        given = [w for w in weights if w is not None]
        if given and len(given) != len(weights):
            raise self.fail("a weight on every alternative or on none")
        if given and sum(given) <= 0:
            raise self.fail("at least one alternative with a weight above zero")
        if len(options) == 1:
            return options[0]
        return Alternatives(tuple(options), tuple(given) if given else None)

    def sequence(self) -> Node:
        """Read the items of one alternative."""
        items = [self.item()]
        while any(self.at(kind) for kind in ("token", "quoted", "rule")) or self.at("punct", "(") or self.at(
            "punct", "["
        ):
            items.append(self.item())
        return items[0] if len(items) == 1 else Sequence(tuple(items))

    def item(self) -> Node:
        """Read a word, rule, group or option with its repeat mark and tags."""
        node: Node
        if self.at("token"):
            node = Token(self.take().text)
        elif self.at("quoted"):
            piece = self.take()
            text = " ".join(re.sub(r"\\(.)", r"\1", piece.text[1:-1], flags=re.DOTALL).split())
            if not text:
                raise DataFileError(self.path, piece.line, "expected words inside the quotes")
            node = Token(text)
        elif self.at("rule"):
            piece = self.take()
            node = Ref(piece.text[1:-1], piece.line)
        elif self.at("punct", "(") or self.at("punct", "["):
            mark = self.take().text
            inner = self.alternatives()
            self.expect_punct(")" if mark == "(" else "]", f"to close '{mark}'")
            node = inner if mark == "(" else Option(inner)
        else:
            raise self.fail("a word, a rule like <name>, '(' or '['")
        if self.at("punct", "*") or self.at("punct", "+"):
            node = Repeat(node, 0 if self.take().text == "*" else 1)
        tags: list[str] = []
        while self.at("tag"):
            tags.append(re.sub(r"\\(.)", r"\1", self.take().text[1:-1], flags=re.DOTALL).strip())
        return Tagged(node, tuple(tags)) if tags else node
