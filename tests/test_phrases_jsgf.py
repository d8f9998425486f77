"""The JSGF reader against the W3C Note of 5 June 2000 (its examples from memory) and a second, formal reader."""

from __future__ import annotations

import re
from pathlib import Path

import lark
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import fieldassist.phrases
from fieldassist.errors import DataFileError, UserError
from fieldassist.phrases.automaton import compile_for_engine, compile_grammar
from fieldassist.phrases.jsgf import Alternatives, Token, parse_grammar, read_grammar
from fieldassist.phrases.pruning import restrict
from fieldassist.phrases.slots import parse_slots
from fieldassist.resources import shipped

HEAD = "#JSGF V1.0;\ngrammar test;\n"
FORMAL = lark.Lark(
    (Path(fieldassist.phrases.__file__).parent / "jsgf.lark").read_text(), parser="earley", lexer="dynamic"
)

# Examples of the Note, sections 2 to 5, from memory.
POLITENESS = """#JSGF V1.0 ISO8859-1 en;
grammar com.acme.politeness;
// Body
public <startPolite> = (please | kindly | could you | oh mighty computer) *;
public <endPolite> = [ please | thanks | thank you ];
"""
COMMANDS = """#JSGF V1.0 ISO8859-1 en;
grammar com.acme.commands;
import <com.acme.politeness.startPolite>;
import <com.acme.politeness.endPolite>;
/**
 * Basic command.
 * @example please move the window
 * @example open a file
 */
public <basicCmd> = <startPolite> <command> <endPolite>;
<command> = <action> <object>;
<action> = /10/ open | /2/ close | /1/ delete | /1/ move;
<object> = [the | a] (window | file | menu);
"""
COUNTRY = HEAD + "public <country> = Australia {Oz} | (United States) {USA} | America {USA} | (U S of A) {USA};"


@pytest.fixture
def acme(tmp_path: Path) -> Path:
    """The two example grammars of the Note as files."""
    (tmp_path / "politeness.gram").write_text(POLITENESS)
    (tmp_path / "commands.gram").write_text(COMMANDS)
    return tmp_path / "commands.gram"


def test_examples_of_the_note(acme: Path) -> None:
    automaton = compile_grammar(read_grammar(acme))
    for sentence in ("please move the window", "open a file", "oh mighty computer please open menu thank you"):
        assert automaton.accepts(sentence)
    for sentence in ("", "please", "move the", "open a the file", "open a file please thanks"):
        assert not automaton.accepts(sentence)


def test_imported_rules_must_be_public(acme: Path) -> None:
    acme.write_text(COMMANDS.replace("politeness.endPolite", "politeness.hidden"))
    with pytest.raises(DataFileError, match=r"commands\.gram:4: expected a public rule <hidden>"):
        read_grammar(acme)


def test_star_import_and_missing_file(acme: Path) -> None:
    once = COMMANDS.replace("import <com.acme.politeness.endPolite>;\n", "")
    acme.write_text(once.replace("startPolite>;", "*>;", 1))
    assert compile_grammar(read_grammar(acme)).accepts("kindly open menu thanks")
    acme.write_text(COMMANDS.replace("acme.politeness.startPolite", "acme.manners.startPolite"))
    with pytest.raises(DataFileError, match=r":3: expected a file manners\.gram"):
        read_grammar(acme)


def test_imports_stay_in_the_folder() -> None:
    with pytest.raises(DataFileError, match="without imports"):
        parse_grammar(HEAD + "import <other.rule>; public <a> = b;")


def test_tags_of_the_note() -> None:
    grammar = parse_grammar(COUNTRY)
    assert parse_slots(grammar, "united states") == {"country": "USA"}
    assert parse_slots(grammar, "australia") == {"country": "Oz"}


def test_weights_are_read_as_probabilities(acme: Path) -> None:
    grammar = read_grammar(acme)
    body = grammar.rule("action").body
    assert isinstance(body, Alternatives) and body.weights == (10, 2, 1, 1)


def test_unary_operators_bind_to_what_stands_before_them() -> None:
    # Note, section 4.6: grouping, then unary operators and tags, then sequence, then alternatives.
    automaton = compile_grammar(parse_grammar(HEAD + "public <a> = b c* | d (e f)+;"))
    assert all(automaton.accepts(s) for s in ("b", "b c c", "d e f", "d e f e f"))
    assert not any(automaton.accepts(s) for s in ("b c b c", "d", "d e", "d e f f", "b d"))


def test_right_recursion_is_a_loop() -> None:
    # Note, section 4.8: right recursion is legal ...
    grammar = HEAD + "public <command> = <action> | (<action> and <command>); <action> = stop | start;"
    automaton = compile_grammar(parse_grammar(grammar))
    assert automaton.accepts("stop and start and stop")
    assert not automaton.accepts("stop and") and not automaton.accepts("stop start")


@pytest.mark.parametrize(
    "body",
    [
        "public <command> = <action> | (<command> and <action>); <action> = stop;",  # left
        "public <a> = x <a> y | z;",  # centre
        "public <a> = b <c>; <c> = d <a> e | f;",  # through another rule
        "public <a> = (x <a>)* y;",  # inside a repeat
    ],
)
def test_other_recursion_is_refused(body: str) -> None:
    with pytest.raises(DataFileError, match=r"<text>:3: expected <\w+> to refer to itself only at its very end"):
        compile_grammar(parse_grammar(HEAD + body))


def test_null_and_void() -> None:
    automaton = compile_grammar(parse_grammar(HEAD + "public <a> = b (c | <NULL>) | d <VOID>;"))
    assert automaton.accepts("b") and automaton.accepts("b c") and not automaton.accepts("d")
    with pytest.raises(DataFileError, match="something can be said"):
        compile_grammar(parse_grammar(HEAD + "public <a> = <VOID>;"))


def test_quoted_tokens_and_comments() -> None:
    text = HEAD + 'public <a> = "New York" /* a town */ | "the \\"big\\" one" // end\n;'
    body = parse_grammar(text).rule("a").body
    assert isinstance(body, Alternatives)
    assert body.options == (Token("New York"), Token('the "big" one'))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("grammar a;", "<text>:1: expected the header '#JSGF V1.0;' at the very beginning"),
        ("#JSGF V1.0;\n\ngrammer a;", "<text>:3: expected 'grammar NAME;' after the header, got 'grammer'"),
        (HEAD + "public <a> = b", "<text>:3: expected ';' at the end of <a>, but the grammar ends here"),
        (HEAD + "\npublic <a> = (b | c;", "<text>:4: expected ')' to close '(', got ';'"),
        (HEAD + "public <a> = b | ;", "<text>:3: expected a word, a rule like <name>, '(' or '[', got ';'"),
        (HEAD + "public <a> = b {x ;", "<text>:3: expected a closing '}'"),
        (HEAD + "public <a> = <b>;", "<text>:3: expected a defined rule, and <b> is not defined"),
        (HEAD + "public <a> = b;\n<a> = c;", "<text>:4: expected <a> defined once (first on line 3)"),
        (HEAD + "public <a> = /1/ b | c;", "<text>:3: expected a weight on every alternative or on none, got ';'"),
        (HEAD + "<NULL> = b;", "<text>:3: expected a rule name of your own, <NULL> is reserved"),
        (HEAD + 'public <a> = "b;', "<text>:3: expected a closing '\"'"),
    ],
)
def test_errors_name_file_line_and_what_was_expected(text: str, message: str) -> None:
    with pytest.raises(DataFileError) as error:
        parse_grammar(text)
    assert str(error.value) == message


def test_grammar_that_unfolds_too_far_is_refused() -> None:
    rules = "".join(f"<r{i}> = <r{i + 1}> <r{i + 1}> <r{i + 1}> <r{i + 1}>;\n" for i in range(12))
    with pytest.raises(DataFileError, match="<a> to unfold to at most"):
        compile_grammar(parse_grammar(HEAD + f"public <a> = <r0>;\n{rules}<r12> = x;"))


def formal_verdict(text: str) -> bool:
    """Tell whether the formal grammar derives a text."""
    try:
        FORMAL.parse(text)
    except lark.exceptions.LarkError:
        return False
    return True


def own_verdict(text: str) -> bool:
    """Tell whether our reader takes the syntax of a text; what the rules mean together is not syntax."""
    try:
        parse_grammar(text)
    except DataFileError as error:
        return bool(BEYOND_SYNTAX.search(str(error)))
    return True


BEYOND_SYNTAX = re.compile("not defined|defined once|without imports|above zero|reserved|inside the quotes")


PIECES = st.sampled_from(
    ["a", "b", "<x>", "<y>", "(", ")", "[", "]", "|", "*", "+", ";", "=", "{t}", "/2/", '"c d"', "public", "<z> =",
     "\n"]
)


@settings(max_examples=120, deadline=None)
@given(st.lists(PIECES, max_size=9))
def test_both_readers_agree(pieces: list[str]) -> None:
    text = HEAD + "<x> = e; <y> = f;\n" + "public <a> = " + " ".join(pieces) + ";"
    assert own_verdict(text) == formal_verdict(text)


@pytest.mark.parametrize("name", ["commands", "numbers", "sentence", "utterance"])
def test_both_readers_agree_on_the_shipped_grammars(name: str) -> None:
    text = (shipped("grammars") / f"{name}.gram").read_text()
    assert formal_verdict(text) and own_verdict(text)


@settings(max_examples=300, deadline=None)
@given(st.text(alphabet='ab<>()[]{}|;=*+/"\\ \n#JSGFV1.0', max_size=60))
def test_no_text_breaks_the_reader(noise: str) -> None:
    for text in (noise, HEAD + noise, HEAD + "public <a> = " + noise):
        try:
            compile_grammar(parse_grammar(text))
        except UserError as error:
            assert "\n" not in str(error)


NODES = st.recursive(
    st.sampled_from(["a", "b", "c", "<leaf>", "<NULL>"]),
    lambda inner: st.one_of(
        st.tuples(inner, inner).map(" ".join),
        st.tuples(inner, inner).map(lambda pair: f"({pair[0]} | {pair[1]})"),
        inner.map(lambda item: f"[{item}]"),
        inner.map(lambda item: f"({item})*"),
        inner.map(lambda item: f"({item})+"),
    ),
    max_leaves=7,
)


def pattern(expression: str) -> str:
    """The same expression for Python's re, an independent judge of what it accepts."""
    out = expression.replace("<leaf>", "(?:d |e f )").replace("<NULL>", "(?:)")
    out = re.sub(r"\b([abc])\b", r"(?:\1 )", out).replace("[", "(?:").replace("]", ")?")
    return re.sub(r"\((?!\?)", "(?:", out).replace(" | ", "|").replace(") (", ")(").replace("? (", "?(").replace(
        "* (", "*("
    ).replace("+ (", "+(")


@settings(max_examples=150, deadline=None)
@given(NODES, st.lists(st.lists(st.sampled_from("abcdef"), max_size=5), max_size=12))
def test_automaton_accepts_what_a_regular_expression_accepts(expression: str, sentences: list[list[str]]) -> None:
    grammar = parse_grammar(HEAD + f"public <s> = {expression}; <leaf> = d | e f;")
    judge = re.compile(pattern(expression))
    try:
        automaton = compile_grammar(grammar)
    except DataFileError:
        return
    plain = automaton.without_tags()
    restricted = compile_grammar(restrict(grammar, lambda tag: True))
    shared = compile_for_engine(grammar)
    for words in sentences:
        expected = judge.fullmatch("".join(word + " " for word in words)) is not None
        for each in (automaton, plain, restricted, shared):
            assert each.accepts(tuple(words)) == expected
