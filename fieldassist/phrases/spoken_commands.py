"""Commands with a reason beside them, voice notes, and what is no command though some of its words name one."""

from __future__ import annotations

from functools import cached_property

from fieldassist.phrases import decision
from fieldassist.phrases.as_words import mostly_talk, plain_text
from fieldassist.phrases.automaton import Automaton
from fieldassist.phrases.covering import covering_sentences
from fieldassist.phrases.own_words import Shares, likeliest
from fieldassist.phrases.phrase_set import PhraseSet
from fieldassist.phrases.wordings import COMMAND, TALK
from fieldassist.words.recognizer import Hypothesis

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
NO_COMMAND = 0.02
"""Probability by all words of a command below which it is none where they speak for something else."""
RATHER_COMMAND = 0.8
"""Probability by all words at which it is another command than the one that some of them name."""
ANSWERS = ("yes", "no")


class SpokenCommands:
    """Finds commands in more words than a command has."""

    def __init__(self, phrases: PhraseSet) -> None:
        self._phrases = phrases
        notes = phrases.rule("commands.note")
        self._note_starts = [sentence.split() for sentence in covering_sentences(notes, 50)]

    def within(self, heard: str | Hypothesis, shares: Shares) -> str | None:
        """Return the command that an utterance begins or ends with, in enough words: fewer where all its words
        speak for it too.

        The reason stands beside it: "skip this one, the road's wet".
        """
        if mostly_talk(heard) or (not isinstance(heard, str) and heard.confidence < 0.5):
            return None
        words = _without_leads(heard)
        while words and words[-1] in COMMAND_ENDS:
            words = words[:-1]
        found: list[tuple[bool, int, str]] = []
        none, seen = {name for name in self._automata if is_no_command(name, shares)}, says_more(shares)
        for length in range(1, min(len(words), LONGEST_COMMAND) + 1):
            for name, automaton in self._automata.items():
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
    def _automata(self) -> dict[str, Automaton]:
        return {name: self._phrases.rule(f"commands.{rule}") for rule, name in COMMAND_RULES.items()}

    def is_note(self, heard: str | Hypothesis) -> bool:
        """Tell whether an utterance begins with the command that keeps the rest of it as a voice note."""
        if mostly_talk(heard):
            return False
        words = _without_leads(heard)
        return any(words[: len(start)] == start for start in self._note_starts)


def _without_leads(heard: str | Hypothesis) -> list[str]:
    words = plain_text(heard)
    while words and words[0] in COMMAND_LEADS:
        words = words[1:]
    return words


def rather_meant(command: str, shares: Shares) -> str | None:
    """Return the command that all words speak for, where it is another than the one that some of them name: "i'm
    back, let's go on" does not go back."""
    meaning = likeliest(shares)
    other = meaning.removeprefix(f"{COMMAND} ")
    beyond_doubt = other != meaning and shares[meaning] >= RATHER_COMMAND
    return other if beyond_doubt and not {command, other} & set(ANSWERS) and other != command else None


def says_more(shares: Shares) -> bool:
    """Tell whether the words speak for something seen."""
    meaning = likeliest(shares)
    seen = meaning != TALK and not meaning.startswith(f"{COMMAND} ")
    return seen and shares[meaning] >= decision.OWN_WORDS_ACCEPT


def is_no_command(command: str, shares: Shares) -> bool:
    """Tell whether the words speak for something seen or for talk, and hardly for a command that some of them
    name."""
    meaning = likeliest(shares)
    other = not meaning.startswith(f"{COMMAND} ") and shares.get(meaning, 0.0) >= RATHER_COMMAND
    return other and shares.get(f"{COMMAND} {command}", 0.0) < NO_COMMAND
