"""From what was heard to a finding or a command: the search, its runners-up, and the decision."""

from __future__ import annotations

import hashlib
import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from fieldassist.deduce.step import Step
from fieldassist.finding import MEASURED_KINDS, Finding
from fieldassist.phrases import decision
from fieldassist.phrases.as_words import (
    NO_ZEROS,
    Version,
    as_typed,
    confidences,
    hardly_heard,
    meant_words,
    normalise,
    plain_text,
    versions_of,
)
from fieldassist.phrases.automaton import Tag
from fieldassist.phrases.compose import Composed, change, compose
from fieldassist.phrases.expected import BARE_NOS, not_expected
from fieldassist.phrases.likelier import as_said, reordered, rivals
from fieldassist.phrases.not_meant import not_meant
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
from fieldassist.phrases.phonemes import put_away
from fieldassist.phrases.phrase_set import PhraseSet
from fieldassist.phrases.plausibility import implausible, surprise
from fieldassist.phrases.read_off import as_told, with_number
from fieldassist.phrases.readback import say_choice, say_finding
from fieldassist.phrases.search import Alignment, Costs, Floats, HeardWord, Lattice, Searcher
from fieldassist.phrases.sense import Example, SenseModel, learn, load, not_learned
from fieldassist.phrases.spoken_commands import (
    COMMAND_RULES,
    SpokenCommands,
    is_no_command,
    rather_meant,
    says_more,
)
from fieldassist.phrases.ways import (
    TORN,
    Reading,
    alignments_of,
    different,
    evidence_for,
    opening,
    passed_over,
    torn_in,
    word_for_word,
)
from fieldassist.phrases.wordings import TALK, Wording, read_wordings
from fieldassist.words.recognizer import Hypothesis

MOST_OWN_WORDS = 24
"""Words beyond which nobody describes what was seen without a turn of phrase that the grammars hold: 18 of 90,449
examples do."""
PER_ODDS = 0.15
"""Cost of a reading for each nat (factor of e) by which the engine holds it less likely than its best one."""
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
UNCONTESTED = 9.0
"""Margin of a reading that no other comes near."""


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
        self._commands = SpokenCommands(phrases)
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
        if match.decision == "accept" and match.finding is not None and hardly_heard(heard):
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
        for text, share in as_typed(heard).items():
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
        versions = versions_of(heard, self._searcher.vocabulary)
        shares = self._shares(versions, step)
        readings = self._readings(versions, step, shares)
        if self._commands.is_note(heard):
            return Match("accept", None, "note", 1.0, UNCONTESTED, say="note", understood="note")
        other_talk = None if isinstance(heard, str) else heard.other_talk
        useful = [r for r in readings if not r.empty]
        if useful:
            best = useful[0]
            rivals = different(useful)
            margin = rivals[0].cost - best.cost if rivals else UNCONTESTED
            match = self._decided(best, rivals, evidence_for(best, step, other_talk), margin, previous, step)
        else:
            match = self._changed(readings, previous, step, other_talk)
        command = self._commands.within(heard, shares) if match.decision == "ignore" else None
        in_full = bool(useful) and not useful[0].alignment.skipped
        named = command or (match.command if match.finding is None and not in_full else None)
        if named is not None:
            command = rather_meant(named, shares) or command
        if command is not None:
            say = command.replace("_", " ")
            return Match("accept", None, command, 1.0, UNCONTESTED, say=say, understood=command)
        if previous is not None or not shares:
            return match
        agreed = agreement(Composed((match.finding, *match.more)), shares) if match.finding is not None else 1.0
        as_it_stands = bool(useful) and word_for_word(useful[0].alignment, useful[0].heard)
        as_it_stands = as_it_stands and not useful[0].composed.odd
        asked = match.finding is None or step is None or match.finding.kind in (*step.kinds, "normal")
        least = GAINSAID_AS_IT_STANDS if as_it_stands and asked else GAINSAID
        misread = not (in_full and match.finding is None) and _is_misread(match, heard, step, shares)
        gainsaid = misread or agreed < least
        good = match.finding is not None and is_good(match.finding)
        rather_talk = log_odds(agreed) < decision.needed_odds(other_talk, confidences(heard), good)
        stands = match.decision == "accept" and not gainsaid and not rather_talk
        doubtful = shares.get(TALK, 0.0) > PERHAPS_TALK and not as_it_stands
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

    def _shares(self, versions: Sequence[Version], step: Step | None) -> Shares:
        """Return what the words speak for at a step, over the engine's readings; nothing without examples."""
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
        return max(odds, MOST_AGAINST_GRAMMAR) if word_for_word(alignment, words) else odds

    def _in_own_words(
        self, heard: str | Hypothesis, readings: Sequence[Reading], shares: Shares, step: Step | None
    ) -> Match | None:
        """Take an utterance for what its words speak for, where no grammar holds it."""
        said = plain_text(heard)
        if len(said) > MOST_OWN_WORDS:
            return None
        arcs = readings[0].alignment.arcs if readings else ()
        found = meant(shares, arcs, step, meant_words(heard))
        if found is None:
            return None
        composed, share = found
        if not isinstance(heard, str):
            good = bool(composed.findings) and is_good(composed.findings[0])
            sure = confidences(heard)
            share = decision.against_talk(share, heard.other_talk, sure, good) * decision.sureness(sure)
        understood = " ".join(said)
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

    def _decided(
        self, best: Reading, rivals: Sequence[Reading], evidence: decision.Evidence, margin: float,
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
        self, readings: Sequence[Reading], previous: Finding | None, step: Step | None, other_talk: float | None
    ) -> Match:
        """Take slots without a kind as a change of the finding before."""
        best = next((r for r in readings if r.composed.changes), None)
        if best is None:
            return Match("ignore", margin=UNCONTESTED)
        score = decision.score(evidence_for(best, other_talk=other_talk))
        understood = " ".join(best.alignment.words)
        if previous is None and not best.composed.corrects:
            return Match("ignore", score=score, changes=best.composed.changes, understood=understood)
        if score < decision.ASK_SCORE or passed_over(best) > 0:
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

    def _readings(self, versions: Sequence[Version], step: Step | None, shares: Shares) -> list[Reading]:
        """Return the readings of everything that the engine offers, cheapest first.

        The engine's readings that come to the same finding speak for it together.
        """
        extra = self._expectation(step)
        found: list[tuple[float, list[Reading]]] = []
        for said, share in versions:
            unmeant = not_meant([word.text for word in said])
            words = tuple(word for at, word in enumerate(said) if at not in unmeant)
            plain = [word.text for word in words if word.text not in NO_ZEROS]
            lattice = Lattice(self._searcher, words, extra)
            readings = []
            for alignment in alignments_of(lattice, words):
                composed = compose(alignment.arcs, step, alignment.spans, opening(words))
                composed = without_strays(composed, shares, plain)
                composed = as_told(composed, alignment.arcs, plain, step)
                unlikely = DOUBTFUL if composed.doubt is not None else 0.0
                unlikely += TORN * bool(torn_in(alignment, words))
                unlikely += PER_ODDS * sum(surprise(finding) for finding in composed.findings[:1])
                unlikely -= PER_SENSE * self._support(composed, alignment, words, shares)
                readings.append(Reading(composed, alignment, words, alignment.cost + unlikely))
            if readings:
                found.append((share, readings))
        mass_of: dict[object, float] = {}
        for share, readings in found:
            key = min(readings, key=lambda r: r.cost).key
            mass_of[key] = mass_of.get(key, 0.0) + share
        best = max(mass_of.values(), default=1.0) or 1.0  # an engine may give nothing but zeros
        out: dict[object, Reading] = {}
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
            found = np.array([not_expected(no, tags, step) for no, tags in self._alike], np.float32)
            self._expected[step] = found
        return found[self._likeness][self._kind]


LEAST_SHARE = 1e-3
"""Share of the best reading's below which a reading is not held less likely any more."""
DOUBTFUL = 0.3
"""Cost of a reading whose value can hardly be so."""
LEAST_MEASURED = 0.2
"""Probability by all words of a measurement of any kind below which a number that is not read off is none."""
MOST_SURE = 0.99
"""Probability that what one reading means counts with at most."""


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
    read = with_number(finding, meant_words(heard), step)
    return read is not None and read.value == finding.value


def _is_misread(match: Match, heard: str | Hypothesis, step: Step | None, shares: Shares) -> bool:
    """Tell whether the grammars took a count for a reading ("did it three times, all fine"), a denial for a "no"
    that takes something back ("no slop in it", "all engine and no car"), or what was seen for a command ("that's a
    pass"), by what all words speak for."""
    meaning = likeliest(shares)
    if match.finding is None:
        if match.command == "no":
            return bool(match.changes) and says_more(shares)
        return match.command in COMMAND_RULES.values() and is_no_command(match.command or "", shares)
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


