"""Words to findings: JSGF grammars, spoken numbers, phonetic matching."""

from fieldassist.phrases.matcher import Match, Matcher
from fieldassist.phrases.phrase_set import PhraseSet, load_phrases

__all__ = ["Match", "Matcher", "PhraseSet", "load_phrases"]
