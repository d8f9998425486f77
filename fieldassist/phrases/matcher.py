"""From what was heard to a finding or a command: the search, its runners-up, and the decision."""

from __future__ import annotations

import hashlib
import math
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from fieldassist.deduce.step import Step
from fieldassist.finding import MEASURED_KINDS, Finding
from fieldassist.phrases import decision
from fieldassist.phrases.automaton import Arc, Automaton, Tag
from fieldassist.phrases.compose import LINKAGES, UNDECIDED, Composed, change, compose
from fieldassist.phrases.covering import covering_sentences
from fieldassist.phrases.likelier import as_said, reordered, rivals
from fieldassist.phrases.not_meant import not_meant
from fieldassist.phrases.numbers import TEENS, TENS, UNITS, ZEROS, read_number, spell_out
from fieldassist.phrases.own_words import (
    Shares,
    agreement,
    is_good,
    likeliest,
    log_odds,
    meant,
    measured,
    without_strays,
)
from fieldassist.phrases.phonemes import pronunciations, put_away
from fieldassist.phrases.phrase_set import PhraseSet
from fieldassist.phrases.plausibility import implausible, surprise
from fieldassist.phrases.read_off import as_told, with_number
from fieldassist.phrases.readback import say_choice, say_finding
from fieldassist.phrases.search import (
    HESITATIONS,
    PLAIN_WORDS,
    SMALL_WORDS,
    UNKNOWN,
    Alignment,
    Costs,
    Floats,
    HeardWord,
    Lattice,
    Mark,
    Searcher,
)
from fieldassist.phrases.sense import Example, SenseModel, learn, load, not_learned
from fieldassist.phrases.wordings import COMMAND, TALK, Wording, read_wordings
from fieldassist.words.recognizer import Hypothesis

MOST_WORDS = 30
"""Words of an utterance that are looked at; the longest of 84,000 examples of observations has 30."""
PER_ODDS = 0.15
"""Cost of a reading for each nat (factor of e) by which the engine holds it less likely than its best one."""
SKIP_PLAIN, SKIP_WORD = Costs().skip_plain, Costs().skip_word
PER_SENSE = 0.25
"""The same for each nat of the log odds that the words speak for another sense."""
MOST_AGAINST_GRAMMAR = -0.8
"""The most, in nats, that words speak against a sentence that stands in the grammar as it was said."""
GAINSAID, GAINSAID_AS_IT_STANDS = 0.4, 0.02
"""Probability by the words alone below which what the grammars made of them is not taken; the same where it stands
in them word for word: "a bit soft but fine otherwise"."""
MOSTLY_TALK = 0.6
"""Probability of talk above which that is not asked back either."""
PERHAPS_TALK = 0.2
"""Probability of talk from which on a finding that does not stand in the grammars word for word is asked back.
With 0.15 two more of 506 findings that are tuned on, heard at 10 dB, are than with 0.22; no less talk is taken."""
HARDLY_HEARD = 0.7
"""Mean confidence in the words below which a finding is asked back: of what was heard rightly at 5 dB 2 in 100
are, of what was taken from read speech a third."""
UNCONTESTED = 9.0
"""Margin of a reading that no other comes near."""
MOST_ALTERNATIVES, LEAST_ALTERNATIVE = 8, 0.04
"""Further readings of the engine that are looked at, and the share that each must have: most of the time it takes
to understand goes into them."""
MOST_ALONE, LEAST_ALONE = 2, 0.1
"""The same for readings that are understood one by one: with eight, from 0.04 on, two fewer of 1,501 that are
tuned on were wrong, and nearly twice as many were to be understood."""


@dataclass(frozen=True)
class Match:
    """What was made of one utterance."""

    decision: str
    """`accept`, `ask` (read the question in `say` aloud, once) or `ignore`."""
    finding: Finding | None = None
    """The finding, or the likelier one of two when it is asked back."""
    command: str | None = None
    """A command; `no` together with a finding or changes corrects the entry last read back."""
    score: float = 0.0
    """Estimated probability that this is what was meant, 0..1."""
    margin: float = 0.0
    """Cost by which the next best other finding is worse; UNCONTESTED when there is none."""
    alternatives: tuple[Finding, ...] = ()
    """Other findings that it may have been, best first."""
    say: str = ""
    """The read-back, or the question."""
    more: tuple[Finding, ...] = ()
    """Further findings of the same utterance."""
    changes: Mapping[str, object] = field(default_factory=dict)
    """Slots that were said without saying what was seen: to be put into the entry that they correct."""
    assumed: tuple[str, ...] = ()
    """Keys of the finding that came from the step and were not said."""
    understood: str = ""
    """The words of the grammar that were found in it."""


@dataclass(frozen=True)
class _Reading:
    """One way to take the utterance."""

    composed: Composed
    alignment: Alignment
    heard: tuple[HeardWord, ...]
    cost: float

    @property
    def key(self) -> object:
        """What the reading says; readings with equal keys are the same finding in other words."""
        c = self.composed
        return (c.findings, c.command, tuple(sorted(c.changes.items(), key=str)), c.corrects)

    @property
    def empty(self) -> bool:
        """Nothing was said that the tool could use."""
        c = self.composed
        return not c.findings and c.command is None and not (c.corrects and c.changes)


class Matcher:
    """Matches utterances with a set of phrases. Reusable, and safe to share between threads."""

    def __init__(self, phrases: PhraseSet) -> None:
        self.phrases = phrases
        self._searcher = Searcher(phrases.automaton, Costs())
        alike: dict[tuple[bool, tuple[Tag, ...]], int] = {}
        kinds, self._kind = self._searcher.kinds
        numbers = (alike.setdefault((kind.word in BARE_NOS, kind.tags), len(alike)) for kind in kinds)
        self._likeness = np.fromiter(numbers, np.int32, len(kinds))
        """Of each of the searcher's kinds of arcs: which of those that are expected alike it belongs to."""
        self._alike = tuple(alike)
        self._expected: dict[Step | None, Floats] = {}
        """Costs of these at the steps that there were."""
        notes = phrases.rule("commands.note")
        self._note_starts = [sentence.split() for sentence in covering_sentences(notes, 50)]
        self._sense = _learned(phrases)
        put_away()

    def match(self, heard: str | Hypothesis, step: Step | None = None, previous: Finding | None = None) -> Match:
        """Return what an utterance says.

        `step` makes what can be seen there likelier and fills in its conditions; everything else stays
        possible. `previous` is the finding that a bare correction ("make that two three") or the answer to
        a question changes. A finding in words that were hardly heard is asked back.
        """
        heard = self._reordered(heard, step)
        match = self._matched(heard, step, previous)
        if match.decision == "accept" and match.finding is not None and _hardly_heard(heard):
            match = asked_back(match)
        if isinstance(heard, str) or heard.other_talk is None or previous is not None:
            return match
        return self._by_readings(match, heard, heard.other_talk, step)

    def _reordered(self, heard: str | Hypothesis, step: Step | None) -> str | Hypothesis:
        """Return what was heard with its readings as likely as their sound and their words make them."""
        if isinstance(heard, str) or heard.other_talk is None or self._sense is None or step is None:
            return heard
        weighed = rivals(heard)
        if len(weighed) == 1 or heard.other_talk >= 1.0:
            return heard
        likeness = self._sense.likeness([as_said(text) for text, _ in weighed], step.procedure)
        return heard if likeness is None else reordered(heard, likeness)

    def _by_readings(self, match: Match, heard: Hypothesis, other_talk: float, step: Step | None) -> Match:
        """Return what most of the engine's readings mean when each is understood as if it was typed.

        Together, one reading lends another its words, which helps where none is right as a whole; but a reading
        that is right then loses by the doubt about its words, even where they mean the same in all readings, or
        to one that the grammars hold.
        """
        plain = match.score >= decision.PLAIN_SCORE and match.margin >= decision.PLAIN_MARGIN
        hopeless = decision.together(MOST_SURE, other_talk, False, False) == "ignore"
        if hopeless or (match.decision == "accept" and plain):
            return match
        votes: dict[object, float] = defaultdict(float)
        meant: dict[object, Match] = {}
        total = (heard.confidence + sum(share for _, share in heard.alternatives)) or 1.0
        for text, share in _as_typed(heard).items():
            each = self._matched(text, step, None)
            if each.decision == "ignore":
                continue
            key = _says(each)
            votes[key] += min(MOST_SURE, each.score) * share / total
            if key not in meant or meant[key].decision == "ask":
                meant[key] = each
        if not votes:
            return match if match.decision == "accept" and match.finding is not None else Match("ignore")
        most = max(votes, key=lambda key: votes[key])
        found = meant[most]
        if match.decision == "accept" and most == _says(match):
            return match
        good = found.finding is not None and is_good(found.finding)
        verdict = decision.together(votes[most], other_talk, found.finding is None, good)
        if verdict == "ignore":
            return Match("ignore", score=votes[most], understood=found.understood)
        return asked_back(found) if verdict == "ask" and found.decision == "accept" else found

    def _matched(self, heard: str | Hypothesis, step: Step | None, previous: Finding | None) -> Match:
        shares = self._shares(heard, step)
        readings = self._readings(heard, step, shares)
        if self._is_note(heard):
            return Match("accept", None, "note", 1.0, UNCONTESTED, say="note", understood="note")
        other_talk = None if isinstance(heard, str) else heard.other_talk
        useful = [r for r in readings if not r.empty]
        if useful:
            best = useful[0]
            rivals = _different(useful)
            margin = rivals[0].cost - best.cost if rivals else UNCONTESTED
            match = self._decided(best, rivals, _evidence(best, step, other_talk), margin, previous, step)
        else:
            match = self._changed(readings, previous, step, other_talk)
        command = self._command_in(heard, shares) if match.decision == "ignore" else None
        in_full = bool(useful) and not useful[0].alignment.skipped
        named = command or (match.command if match.finding is None and not in_full else None)
        if named is not None:
            command = _rather(named, shares) or command
        if command is not None:
            say = command.replace("_", " ")
            return Match("accept", None, command, 1.0, UNCONTESTED, say=say, understood=command)
        if previous is not None or not shares:
            return match
        agreed = agreement(Composed((match.finding, *match.more)), shares) if match.finding is not None else 1.0
        as_it_stands = bool(useful) and _word_for_word(useful[0].alignment, useful[0].heard)
        as_it_stands = as_it_stands and not useful[0].composed.odd
        asked = match.finding is None or step is None or match.finding.kind in (*step.kinds, "normal")
        least = GAINSAID_AS_IT_STANDS if as_it_stands and asked else GAINSAID
        misread = not (in_full and match.finding is None) and _is_misread(match, heard, step, shares)
        gainsaid = misread or agreed < least
        good = match.finding is not None and is_good(match.finding)
        rather_talk = log_odds(agreed) < decision.needed_odds(other_talk, _confidences(heard), good)
        doubtful = shares.get(TALK, 0.0) > PERHAPS_TALK and not as_it_stands
        stands = match.decision == "accept" and not gainsaid and not rather_talk
        taken = match if stands else self._in_own_words(heard, readings, shares, step)
        if taken is not None:
            undecided = bool(useful) and _same_doubt(useful[0].composed, taken.finding)
            doubtful = doubtful or (undecided and not _is_read_off(taken.finding, heard, step))
            return asked_back(taken) if doubtful and taken.finding is not None else taken
        wrong = gainsaid and match.finding is not None
        no_command = misread and match.finding is None
        if rather_talk or no_command or (wrong and shares.get(TALK, 0.0) > MOSTLY_TALK):
            return Match("ignore", score=match.score, margin=match.margin, understood=match.understood)
        return asked_back(match) if wrong and (misread or not as_it_stands) else match

    def _shares(self, heard: str | Hypothesis, step: Step | None) -> Shares:
        """Return what the words speak for at a step, over the engine's readings; nothing without examples."""
        versions = _versions(heard, self._searcher.vocabulary)
        total = sum(share for _, share in versions)
        if self._sense is None or step is None or total <= 0.0:
            return {}
        said = [[(word.text, word.confidence) for word in words] for words, _ in versions]
        out: dict[str, float] = defaultdict(float)
        for shares, (_, share) in zip(self._sense.shares(said, step.procedure), versions, strict=True):
            for meaning, part in shares.items():
                out[meaning] += part * share / total
        return out

    def _support(
        self, composed: Composed, alignment: Alignment, words: Sequence[HeardWord], shares: Shares
    ) -> float:
        """Return the log odds of a sense by the words alone; of words that no example has, nothing is known.

        Against a sentence that stands in the grammar word for word they weigh little, against commands nothing.
        """
        if self._sense is None or not shares or composed.command is not None:
            return 0.0
        known = self._sense.known([(word.text, 1.0) for word in words])
        odds = known * log_odds(agreement(composed, shares))
        return max(odds, MOST_AGAINST_GRAMMAR) if _word_for_word(alignment, words) else odds

    def _in_own_words(
        self, heard: str | Hypothesis, readings: Sequence[_Reading], shares: Shares, step: Step | None
    ) -> Match | None:
        """Take an utterance for what its words speak for, where no grammar holds it."""
        arcs = readings[0].alignment.arcs if readings else ()
        found = meant(shares, arcs, step, _meant_words(heard))
        if found is None or (not isinstance(heard, str) and len(heard.words) > MOST_WORDS):
            return None
        composed, share = found
        if not isinstance(heard, str):
            good = bool(composed.findings) and is_good(composed.findings[0])
            sure = _confidences(heard)
            share = decision.against_talk(share, heard.other_talk, sure, good) * decision.sureness(sure)
        understood = " ".join(_plain_text(heard))
        if composed.command is not None:
            if share < decision.OWN_WORDS_COMMAND:
                return None
            say = composed.command.replace("_", " ")
            return Match("accept", None, composed.command, share, UNCONTESTED, say=say, understood=understood)
        if composed.doubt is not None or share < decision.OWN_WORDS_ASK:
            return None
        finding = replace(composed.findings[0], confidence=round(share, 3))
        match = Match(
            "accept", finding, None, share, UNCONTESTED, say=say_finding(finding), assumed=composed.assumed,
            understood=understood,
        )  # fmt: skip
        surer = is_good(finding) or finding.value is not None
        enough = decision.OWN_WORDS_SURER if surer else decision.OWN_WORDS_ACCEPT
        return match if share >= enough else asked_back(match)

    def _command_in(self, heard: str | Hypothesis, shares: Shares) -> str | None:
        """Return the command that an utterance begins or ends with, in enough words: fewer where all its words
        speak for it too.

        The reason stands beside it: "skip this one, the road's wet".
        """
        if _mostly_talk(heard) or (not isinstance(heard, str) and heard.confidence < 0.5):
            return None
        words = _plain_text(heard)
        while words and words[0] in COMMAND_LEADS:
            words = words[1:]
        while words and words[-1] in COMMAND_ENDS:
            words = words[:-1]
        found: list[tuple[bool, int, str]] = []
        none, seen = {name for name in self._commands if _is_no_command(name, shares)}, _says_more(shares)
        for length in range(1, min(len(words), LONGEST_COMMAND) + 1):
            for name, automaton in self._commands.items():
                if name in none and (length < LEAST_COMMAND or seen):
                    continue  # "that's not right, it revs well past"; a long reason may be any talk
                likely = shares.get(f"{COMMAND} {name}", 0.0)
                enough = length >= LEAST_COMMAND or name in SHORT_COMMANDS or likely >= LEAST_LIKELY
                if length >= 2 and enough and automaton.accepts(tuple(words[:length])):
                    found.append((True, length, name))
                told = likely >= (LIKELY_COMMAND if length == 1 else LEAST_LIKELY)
                if told and automaton.accepts(tuple(words[-length:])):
                    found.append((False, length, name))
        if len({name for _, _, name in found}) > 1:  # "hang on, back to the previous step": nothing is held
            found = [each for each in found if each[2] != "hold"]
        return max(found, key=lambda each: each[:2])[2] if found else None

    @cached_property
    def _commands(self) -> dict[str, Automaton]:
        return {name: self.phrases.rule(f"commands.{rule}") for rule, name in COMMAND_RULES.items()}

    def _is_note(self, heard: str | Hypothesis) -> bool:
        """Tell whether an utterance begins with the command that keeps the rest of it as a voice note."""
        if _mostly_talk(heard):
            return False
        words = _plain_text(heard)
        while words and words[0] in COMMAND_LEADS:
            words = words[1:]
        return any(words[: len(start)] == start for start in self._note_starts)

    def _decided(
        self, best: _Reading, rivals: Sequence[_Reading], evidence: decision.Evidence, margin: float,
        previous: Finding | None, step: Step | None,
    ) -> Match:  # fmt: skip
        composed, score = best.composed, decision.score(evidence)
        understood = " ".join(best.alignment.words)
        if composed.command is not None:
            score = decision.command_score(evidence)
            alone = evidence.skipped == 0  # a command is said on its own
            verdict = "accept" if alone and decision.decide(score, margin, False) == "accept" else "ignore"
            said = composed.command if verdict == "accept" else None
            say = (said or "").replace("_", " ")
            return Match(verdict, None, said, score, margin, say=say, understood=understood)
        if not composed.findings:
            return self._changed([best], previous, step, evidence.other_talk)
        finding = composed.findings[0]
        verdict = decision.decide(score, margin, composed.doubt is not None, evidence.expected)
        if verdict == "ignore":
            return Match("ignore", score=score, margin=margin, understood=understood)
        others = tuple(dict.fromkeys(r.composed.findings[0] for r in rivals if r.composed.findings))
        finding = replace(finding, confidence=round(score, 3))
        if verdict == "accept":
            say = "; ".join(say_finding(f) for f in (finding, *composed.findings[1:]))
        elif composed.doubt is not None:
            say = f"{say_finding(finding)}, right?"
        elif others and margin < decision.ACCEPT_MARGIN:
            say = say_choice((finding, others[0]))
        else:
            say = f"{say_finding(finding)}, right?"
        command = "no" if composed.corrects else None
        return Match(
            verdict, finding, command, score, margin, others, say, composed.findings[1:], composed.changes,
            composed.assumed, understood,
        )  # fmt: skip

    def _changed(
        self, readings: Sequence[_Reading], previous: Finding | None, step: Step | None, other_talk: float | None
    ) -> Match:
        """Take slots without a kind as a change of the finding before."""
        best = next((r for r in readings if r.composed.changes), None)
        if best is None:
            return Match("ignore", margin=UNCONTESTED)
        score = decision.score(_evidence(best, other_talk=other_talk))
        understood = " ".join(best.alignment.words)
        if previous is None and not best.composed.corrects:
            return Match("ignore", score=score, changes=best.composed.changes, understood=understood)
        if score < decision.ASK_SCORE or _skipped(best) > 0:
            return Match("ignore", score=score, understood=understood)
        changed = change(previous, best.composed.changes) if previous is not None else None
        command = "no" if best.composed.corrects else None
        if changed is None:
            return Match(
                "accept", None, command, score, UNCONTESTED, say="no", changes=best.composed.changes,
                understood=understood,
            )  # fmt: skip
        doubtful = score < decision.ACCEPT_SCORE or implausible(changed, step) is not None
        say = say_finding(changed)
        return Match(
            "ask" if doubtful else "accept", replace(changed, confidence=round(score, 3)), command, score,
            UNCONTESTED, (),
            f"{say}, right?" if doubtful else say, (), best.composed.changes, (), understood,
        )  # fmt: skip

    def _readings(self, heard: str | Hypothesis, step: Step | None, shares: Shares) -> list[_Reading]:
        """Return the readings of everything that the engine offers, cheapest first.

        The engine's readings that come to the same finding speak for it together.
        """
        extra = self._expectation(step)
        found: list[tuple[float, list[_Reading]]] = []
        for said, share in _versions(heard, self._searcher.vocabulary):
            unmeant = not_meant([word.text for word in said])
            words = tuple(word for at, word in enumerate(said) if at not in unmeant)
            plain = [word.text for word in words if word.text not in NO_ZEROS]
            lattice = Lattice(self._searcher, words, extra)
            readings = []
            for alignment in _alignments(lattice, words):
                composed = compose(alignment.arcs, step, alignment.spans, _opening(words))
                composed = without_strays(composed, shares, plain)
                composed = as_told(composed, alignment.arcs, plain, step)
                unlikely = DOUBTFUL if composed.doubt is not None else 0.0
                unlikely += TORN * bool(_torn(alignment, words))
                unlikely += PER_ODDS * sum(surprise(finding) for finding in composed.findings[:1])
                unlikely -= PER_SENSE * self._support(composed, alignment, words, shares)
                readings.append(_Reading(composed, alignment, words, alignment.cost + unlikely))
            if readings:
                found.append((share, readings))
        mass_of: dict[object, float] = {}
        for share, readings in found:
            key = min(readings, key=lambda r: r.cost).key
            mass_of[key] = mass_of.get(key, 0.0) + share
        best = max(mass_of.values(), default=1.0) or 1.0  # an engine may give nothing but zeros
        out: dict[object, _Reading] = {}
        for _, readings in found:
            mass = mass_of[min(readings, key=lambda r: r.cost).key]
            handicap = PER_ODDS * math.log(best / max(mass, best * LEAST_SHARE))
            for reading in readings:
                old = out.get(reading.key)
                if old is None or reading.cost + handicap < old.cost:
                    out[reading.key] = replace(reading, cost=reading.cost + handicap)
        return sorted(out.values(), key=lambda r: r.cost)

    def _expectation(self, step: Step | None) -> Floats:
        """Costs per arc for what is not expected at a step."""
        found = self._expected.get(step)
        if found is None:
            found = np.array([_unexpected(no, tags, step) for no, tags in self._alike], np.float32)
            self._expected[step] = found
        return found[self._likeness][self._kind]


LENIENCE = 0.4
"""Of the cost of a passed-over word, what is not held against the reading: the search must rather take a word
for one that sounds like it than pass over it, but a word too many is no sign that the rest was misheard."""
FIRST_SKIPPED, FURTHER_SKIPPED = 0.45, 0.1
"""Costs of a passed-over word round a finding that the step asks for, of each of the first two and of further
ones: people put an observation into many words of their own. Plain words cost nothing there."""
SURE_WORDS, PLAIN_ROUND_ONE = 2, 0.08
"""Words that carry the sense from which on that holds; cost of a plain word round fewer."""
PLAIN_ELSEWHERE = 0.7
"""Cost of a passed-over plain word on top of the search's where the reading is nothing that the step asks for."""
LEAST_SHARE = 1e-3
"""Share of the best reading's below which a reading is not held less likely any more."""
DOUBTFUL = 0.3
"""Cost of a reading whose value can hardly be so."""
TORN = 2.0
"""Cost of a number put together over other words ("doing seventy, the road says fifty"), or of one that is none
("couldn't fault that one")."""
UNEXPECTED_KIND = 0.25
STANDING_KIND = 0.6
UNEXPECTED_PLACE = 0.1
"""Costs of a finding kind, of one that is looked at before the drive, or of a shift, gear or range, that the step
is not about."""
BEFORE_THE_DRIVE = ("fluid_level", "fluid_condition", "leak", "linkage")
NOT_ASKED, LAST_RESORT = 2.0, 0.3
"""Costs of words that mean a finding only where the step asks for it, and of such that mean it only where nothing
else fits: the values of `hint` in the grammars."""
COMMAND_RULES = {
    "next": "next", "again": "again", "back": "back", "skip_step": "skip", "strike": "strike", "hold": "hold",
    "resume": "resume", "note": "note", "how_far": "how_far", "finish": "finish",
}  # fmt: skip
COMMAND_LEADS = (
    "sorry", "please", "okay", "right", "just", "let's", "can", "could", "you", "we", "no", "so", "now", "and",
)  # fmt: skip
"""What people say before a command."""
COMMAND_ENDS = ("please", "thanks", "mate", "then", "would", "you", "will", "cheers", "now")
"""What they say after one."""
LEAST_COMMAND, LONGEST_COMMAND = 3, 8
"""Words of a command that stands at the beginning of more."""
SHORT_COMMANDS = ("skip", "strike", "resume")
"""Commands of which two words are enough there."""
LEAST_LIKELY, LIKELY_COMMAND = 0.1, 0.3
"""Probability by all words of a command at which two of its words are enough there, and any at the end, where one
needs the second."""
LEAST_MEASURED = 0.2
"""Probability by all words of a measurement of any kind below which a number that is not read off is none."""
NO_COMMAND = 0.02
"""Probability by all words of a command below which it is none where they speak for something else."""
RATHER_COMMAND = 0.8
"""Probability by all words at which it is another command than the one that some of them name."""
ANSWERS = ("yes", "no")
MOST_SURE = 0.99
"""Probability that what one reading means counts with at most."""
POINTING_WORDS = frozenset(("that", "this", "which", "each", "every", "any", "another", "good", "bad"))
UNIT_WORDS = frozenset(("second", "sec", "mile", "pound", "psi", "p", "bar"))
"""Words before a "one" that counts nothing, and what follows one that does."""
NUMBER_WORDS = frozenset((*UNITS, *TEENS, *TENS))
OPENING_WORDS = HESITATIONS | {
    "okay", "right", "sorry", "actually", "yeah", "yes", "no", "so", "and", "but", "wait", "hey",
}  # fmt: skip
"""What people say before they take back what was read to them."""
NO_ZEROS = HESITATIONS - {*ZEROS}
"""Hesitations that cannot be a digit: "one oh five"."""
BARE_NOS = ("no", "nope", "nah")
BARE_NO = 0.4
"""Cost of taking a "no" for a correction: before what is seen it mostly says that it was not there."""


def _learned(phrases: PhraseSet) -> SenseModel | None:
    """Return what knows which words speak for what: the shipped model, taught what examples beside the grammars it
    does not come from. None where there are no examples."""
    files = phrases.wording_files()
    if not files:
        return None
    shipped = load()
    fresh = [path for path in files if hashlib.sha256(path.read_bytes()).hexdigest() != shipped.source]
    examples = [example(each) for path in fresh for each in read_wordings(path)]
    own = not_learned(shipped, examples)
    return learn(own, shipped) if own else shipped


def example(wording: Wording) -> Example:
    """Return a wording as `sense` learns it."""
    return normalise(wording.said).split(), wording.at, wording.means


def _unexpected(bare_no: bool, tags: Sequence[Tag], step: Step | None) -> float:
    hints = {tag.value for tag in tags if tag.key == "hint"}
    cost = LAST_RESORT if "last" in hints else 0.0
    for tag in tags:
        if tag.key == "correct":
            cost += BARE_NO if bare_no else 0.0
        elif step is None:
            cost += NOT_ASKED if tag.key == "hint" and tag.value == "asked" else 0.0
        elif tag.key == "kind":
            kinds = UNDECIDED.get(tag.value or "", (tag.value,))
            expected = any(kind in step.kinds or kind == "normal" for kind in kinds)
            standing = any(kind in BEFORE_THE_DRIVE for kind in kinds)
            unexpected = NOT_ASKED if "asked" in hints else STANDING_KIND if standing else UNEXPECTED_KIND
            cost += 0.0 if expected else unexpected
        elif tag.key in ("shift", "gear", "range") or (tag.key == "where" and tag.value in LINKAGES):
            wanted = getattr(step, tag.key)
            cost += UNEXPECTED_PLACE if wanted is not None and wanted != tag.value else 0.0
    return cost


def _rather(command: str, shares: Shares) -> str | None:
    """Return the command that all words speak for, where it is another than the one that some of them name: "i'm
    back, let's go on" does not go back."""
    meaning = likeliest(shares)
    other = meaning.removeprefix(f"{COMMAND} ")
    beyond_doubt = other != meaning and shares[meaning] >= RATHER_COMMAND
    return other if beyond_doubt and not {command, other} & set(ANSWERS) and other != command else None


def _says_more(shares: Shares) -> bool:
    """Tell whether the words speak for something seen."""
    meaning = likeliest(shares)
    seen = meaning != TALK and not meaning.startswith(f"{COMMAND} ")
    return seen and shares[meaning] >= decision.OWN_WORDS_ACCEPT


def _is_no_command(command: str, shares: Shares) -> bool:
    """Tell whether the words speak for something seen or for talk, and hardly for a command that some of them
    name."""
    meaning = likeliest(shares)
    other = not meaning.startswith(f"{COMMAND} ") and shares.get(meaning, 0.0) >= RATHER_COMMAND
    return other and shares.get(f"{COMMAND} {command}", 0.0) < NO_COMMAND


def _says(match: Match) -> object:
    """What a match says, however sure it is."""
    found = (match.finding, *match.more) if match.finding is not None else ()
    return match.command, tuple(replace(finding, confidence=1.0) for finding in found)


def _same_doubt(composed: Composed, finding: Finding | None) -> bool:
    """Tell whether a finding has the number that was doubted in what the grammars made of the words."""
    if composed.doubt is None or finding is None:
        return False
    return finding.value is not None and finding.value == composed.findings[0].value


def _is_read_off(finding: Finding | None, heard: str | Hypothesis, step: Step | None) -> bool:
    """Tell whether the words tell a measurement's number and no other."""
    if finding is None or finding.kind not in MEASURED_KINDS:
        return False
    read = with_number(finding, _meant_words(heard), step)
    return read is not None and read.value == finding.value


def _is_misread(match: Match, heard: str | Hypothesis, step: Step | None, shares: Shares) -> bool:
    """Tell whether the grammars took a count for a reading ("did it three times, all fine"), a denial for a "no"
    that takes something back ("no slop in it", "all engine and no car"), or what was seen for a command ("that's a
    pass"), by what all words speak for."""
    meaning = likeliest(shares)
    if match.finding is None:
        if match.command == "no":
            return bool(match.changes) and _says_more(shares)
        return match.command in COMMAND_RULES.values() and _is_no_command(match.command or "", shares)
    sure = shares[meaning] >= decision.OWN_WORDS_SURER
    if match.finding.kind in MEASURED_KINDS and match.finding.value is not None:
        if any(further.kind in MEASURED_KINDS for further in match.more):
            return False  # two readings and praise
        seen = sure and meaning not in ("normal", TALK)  # "up four hundred"; "two one good at ten" is a reading
        return measured(shares) < LEAST_MEASURED and (seen or not _is_read_off(match.finding, heard, step))
    denies = sure and meaning.startswith("no ")
    return match.command == "no" and match.finding.present and denies


def asked_back(match: Match) -> Match:
    """The same, read back as a question."""
    assert match.finding is not None
    return replace(match, decision="ask", say=f"{say_finding(match.finding)}, right?", more=())


def _hardly_heard(heard: str | Hypothesis) -> bool:
    """Tell whether an engine that weighs other talk doubts most of what it heard, or rather takes it for such."""
    if isinstance(heard, str) or heard.other_talk is None:
        return False
    return heard.text == UNKNOWN or decision.mean_confidence(_confidences(heard)) < HARDLY_HEARD


def _mostly_talk(heard: str | Hypothesis) -> bool:
    """Tell whether an engine rather takes it for other talk."""
    return not isinstance(heard, str) and (heard.other_talk or 0.0) > 0.5


def _confidences(heard: str | Hypothesis) -> list[float]:
    """The confidences of the words, 0..1; nothing for text."""
    return [] if isinstance(heard, str) else [word.confidence for word in heard.words]


def _plain_text(heard: str | Hypothesis, without: frozenset[str] = HESITATIONS) -> list[str]:
    text = heard if isinstance(heard, str) else heard.text
    return [word for word in normalise(text).split() if word not in without]


def _meant_words(heard: str | Hypothesis) -> list[str]:
    """The words without hesitations and numbers that are not meant."""
    said = _plain_text(heard, NO_ZEROS)
    unmeant = not_meant(said)
    return [word for at, word in enumerate(said) if at not in unmeant]


def normalise(text: str) -> str:
    """Return typed or recognised text as plain lower-case words: figures and signs spelt out."""
    text = text.lower().replace("’", "'")
    text = re.sub(r"\bkm/h\b|\bkmh\b", " kilometers per hour ", text)
    text = re.sub(r"(?<=\d)\s*(sec|secs|s)\b\.?", " seconds ", text)
    text = spell_out(text)
    text = re.sub(r"[^a-z'\[\] ]+", " ", text)
    return " ".join(word.strip("'") for word in text.split() if word.strip("'"))


def _versions(heard: str | Hypothesis, whole: frozenset[str]) -> list[tuple[tuple[HeardWord, ...], float]]:
    """Return what to search: (heard words, share of the engine's readings that have them).

    Readings that differ in hesitations only are one. A word of a further reading is as sure as the share of all
    readings in which it occurs.
    """
    if isinstance(heard, str):
        typed = _split(tuple(HeardWord(w) for w in normalise(heard).split()), whole)
        return [(typed, 1.0)] if typed else []
    first = tuple(HeardWord(w.text.lower(), min(1.0, max(0.0, w.confidence))) for w in heard.words)
    if not first:
        first = tuple(HeardWord(w, heard.confidence) for w in normalise(heard.text).split())
    texts = [(normalise(text).split(), min(1.0, max(0.0, share))) for text, share in heard.alternatives]
    holds: dict[str, float] = defaultdict(float)
    for words, share in (([word.text for word in first], heard.confidence), *texts):
        for word in set(words):
            holds[word] += share
    out: dict[tuple[str, ...], tuple[tuple[HeardWord, ...], float]] = {}
    others = [(tuple(HeardWord(word, min(1.0, holds[word])) for word in words), share) for words, share in texts]
    others = [(version, share) for version, share in others[:MOST_ALTERNATIVES] if share >= LEAST_ALTERNATIVE]
    for version, share in ((first, heard.confidence), *others):
        split = _split(version, whole)
        key = tuple(word.text for word in split if word.text not in HESITATIONS)
        if split and set(key) != {UNKNOWN}:
            kept = out.get(key)
            out[key] = (split, share) if kept is None else (kept[0], kept[1] + share)
    return list(out.values())


def _as_typed(heard: Hypothesis) -> dict[str, float]:
    """Return the engine's likeliest readings without what stands for unknown words, each with its share."""
    further = [each for each in heard.alternatives[:MOST_ALONE] if each[1] >= LEAST_ALONE]
    out: dict[str, float] = defaultdict(float)
    same: dict[tuple[str, ...], str] = {}
    for text, share in ((heard.text, heard.confidence), *further):
        words = [word for word in text.split() if word != UNKNOWN]
        out[same.setdefault(tuple(word for word in words if word not in HESITATIONS), " ".join(words))] += share
    return out


def _split(words: Sequence[HeardWord], whole: frozenset[str]) -> tuple[HeardWord, ...]:
    """Split `fluid's` into `fluid is` unless it is a word of the grammar; leave out what is said twice in a row;
    keep to the first MOST_WORDS words."""
    out: list[HeardWord] = []
    for word in _without_repeats(words):
        if word.text.endswith("'s") and word.text not in whole and word.text not in SMALL_WORDS:
            out += [HeardWord(word.text[:-2], word.confidence), HeardWord("is", word.confidence)]
        else:
            out.append(word)
    return tuple(out[:MOST_WORDS])


def _without_repeats(words: Sequence[HeardWord]) -> list[HeardWord]:
    """Leave out the first of up to three words that are said twice in a row: "it's, um, it's slipping".

    Numbers are left as they are: "two two fifty"."""
    out: list[HeardWord] = []
    for word in words:
        out.append(word)
        if word.text in HESITATIONS or word.text in NUMBER_WORDS:
            continue
        said = [i for i, kept in enumerate(out) if kept.text not in HESITATIONS]
        for length in (3, 2, 1):
            again, before = said[-length:], said[-2 * length : -length]
            if len(before) == length and [out[i].text for i in again] == [out[i].text for i in before]:
                out = [kept for i, kept in enumerate(out) if i not in before]
                break
    return out


def _alignments(lattice: Lattice, words: Sequence[HeardWord]) -> list[Alignment]:
    """Return the best alignment and, where it is not beyond doubt, the best without each part of its sense."""
    best = lattice.best()
    if best is None:
        return []
    torn = _torn(best, words)
    if not torn and _beyond_doubt(best, words):
        return [best]
    out = [best]
    for ban in _bans(best):
        other = lattice.best(ban, limit=best.cost + 1.5)
        if other is not None:
            out.append(other)
    if torn and (whole := lattice.best(limit=best.cost + TORN, without=torn)) is not None:
        out.append(whole)
    return out


def _beyond_doubt(best: Alignment, words: Sequence[HeardWord]) -> bool:
    """Every word was heard as it stands in the grammar, and surely: other readings cost a mismatch at least."""
    said = [word.text for i, word in enumerate(words) if i not in best.skipped]
    return list(best.words) == said and all(word.confidence >= 0.9 for word in words)


def _torn(alignment: Alignment, words: Sequence[HeardWord]) -> list[Arc]:
    """Arcs that go on with a number after words, other than hesitations, that were passed over inside of it; and a
    "one" that is none: "couldn't fault that one"."""
    passed = [i for i in alignment.skipped if words[i].text not in HESITATIONS]
    out = []
    inside, end = False, 0
    for arc, (begin, stop) in zip(alignment.arcs, alignment.spans, strict=True):
        if arc.word is None:
            continue
        begins = any(tag.key == "value" for tag in arc.tags)
        broken = inside and "value" in arc.slots and not begins and any(end <= i < begin for i in passed)
        if broken or (begins and stop - begin == 1 and _is_pronoun(words, begin)):
            out.append(arc)
        inside, end = "value" in arc.slots, stop
    return out


def _is_pronoun(words: Sequence[HeardWord], at: int) -> bool:
    """Tell whether a "one" stands for a thing and begins no number and no measure."""
    before = [word.text for word in words[:at] if word.text not in NO_ZEROS]
    if words[at].text != "one" or not before or before[-1] not in POINTING_WORDS:
        return False
    said = [word.text for word in words[at:] if word.text not in NO_ZEROS]
    longer = any(read_number(said[:length]) is not None for length in range(2, len(said) + 1))
    return not longer and not UNIT_WORDS & {*said[1:2]}


def _word_for_word(alignment: Alignment, words: Sequence[HeardWord]) -> bool:
    """All that was said, but for hesitations and small words, stands in the grammar as it was said."""
    said = [word.text for i, word in enumerate(words) if i not in alignment.skipped]
    passed = {words[i].text for i in alignment.skipped}
    return list(alignment.words) == said and passed <= SMALL_WORDS | set(HESITATIONS)


def _opening(words: Sequence[HeardWord]) -> int:
    """The number of words before the first that says something: "oh, sorry"."""
    return next((i for i, word in enumerate(words) if word.text not in OPENING_WORDS), len(words))


_SENSE = ("kind", "command", "shift", "into", "gear", "range", "where", "present")
_COMMON_IN_NUMBERS = {"hundred", "and", "point"}


def _bans(best: Alignment) -> list[set[Mark]]:
    """Return what shuts out one part of the sense of a reading each."""
    out: list[set[Mark]] = [{tag for tag in best.tags if tag.key == key} for key in _SENSE]
    numbers = {arc.word for arc in best.arcs if arc.word is not None and "value" in arc.slots}
    out.append({*(numbers - _COMMON_IN_NUMBERS)})
    return [marks for marks in out if marks]


def _different(readings: Sequence[_Reading]) -> list[_Reading]:
    """Readings that say something else than the first, not only less of the same.

    A command is said alone: one with words passed over ("no" of "no leaks") is no reading to weigh.
    """
    best = readings[0]
    sound = _sound(best)
    return [
        r
        for r in readings[1:]
        if r.key != best.key
        and not _says_less(r.composed, best.composed)
        and _sound(r) != sound
        and (r.composed.command is None or _skipped(r) == 0)
    ]


def _sound(reading: _Reading) -> tuple[str, ...]:
    """The phones of a reading's words but the small ones. Two readings of the same sounds differ in how the
    grammar takes them, which its weights decide, and not in what was heard: there is nothing to ask."""
    words = (word for word in reading.alignment.words if word not in SMALL_WORDS)
    return tuple(phone for word in words for phone in pronunciations(word)[0])


def _says_less(one: Composed, other: Composed) -> bool:
    """The first says nothing that the other does not say too."""
    if one.command is not None or other.command is not None or not one.findings or not other.findings:
        return False
    a, b = one.findings[0].to_json(), other.findings[0].to_json()
    return all(key in b and b[key] == value for key, value in a.items())


def _evidence(
    reading: _Reading, step: Step | None = None, other_talk: float | None = None
) -> decision.Evidence:
    findings = reading.composed.findings
    bare = bool(findings) and not any(
        getattr(findings[0], key) is not None and key not in reading.composed.assumed
        for key in ("shift", "gear", "range", "where", "value", "throttle", "load")
    )
    carrying = [reading.heard[i].confidence for i in _content(reading)]
    confidence = sum(carrying) / max(1, len(carrying))
    total_doubt = sum(1.0 - word.confidence for word in reading.heard)
    kinds = (*step.kinds, "normal") if step is not None else ()
    expected = bool(findings) and findings[0].kind in kinds
    named = any(tag.key in ("kind", "unit") for tag in reading.alignment.tags)  # and not a bare number
    asked = step is not None and expected and findings[0].kind != "normal" and named
    skipped, plain = _skipped(reading), _skipped(reading, PLAIN_WORDS)
    misfit = reading.alignment.misfit + reading.cost - reading.alignment.cost
    if asked:
        other = skipped - plain
        misfit -= SKIP_PLAIN * plain + SKIP_WORD * other
        if len(carrying) < SURE_WORDS:
            misfit += (SKIP_WORD - LENIENCE) * other + PLAIN_ROUND_ONE * plain
        else:
            misfit += FIRST_SKIPPED * min(other, 2.0) + FURTHER_SKIPPED * max(0.0, other - 2.0)
        skipped = other
    else:
        misfit += PLAIN_ELSEWHERE * plain - LENIENCE * skipped
    return decision.Evidence(
        misfit, len(carrying), skipped, reading.composed.odd, confidence, total_doubt, bare, expected, other_talk
    )


def _content(reading: _Reading) -> list[int]:
    """Heard words that carry the sense of a reading; small words and talk round it do not."""
    carrying: set[int] = set()
    for arc, (begin, end) in zip(reading.alignment.arcs, reading.alignment.spans, strict=True):
        if "talk" not in arc.slots and arc.word not in SMALL_WORDS:
            carrying.update(range(begin, max(end, begin + 1)))
    return sorted(i for i in carrying if i < len(reading.heard))


def _skipped(reading: _Reading, among: frozenset[str] | None = None) -> float:
    """Heard content words that found no place; of them those `among` some."""
    words = [reading.heard[i] for i in reading.alignment.skipped]
    return sum(
        word.confidence
        for word in words
        if word.text not in SMALL_WORDS and word.text not in HESITATIONS and word.text != UNKNOWN
        and (among is None or word.text in among)
    )
