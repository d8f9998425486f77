"""Words to findings: JSGF grammars, spoken numbers, phonetic matching."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fieldassist.phrases.matcher import Match, Matcher
    from fieldassist.phrases.phrase_set import PhraseSet, load_phrases

__all__ = ["Match", "Matcher", "PhraseSet", "load_phrases"]

_MODULES = {"Match": "matcher", "Matcher": "matcher", "PhraseSet": "phrase_set", "load_phrases": "phrase_set"}


def __getattr__(name: str) -> object:
    """Load the matcher when it is first asked for: an engine in a process of its own needs the phonemes only."""
    if name not in _MODULES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{_MODULES[name]}"), name)
