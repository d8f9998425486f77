"""What an engine is to expect in a car, told to it in its own process.

On a first drive its grammar is compiled there, while the matcher's is compiled in the program's; later ones find
the graph of it and need no grammar.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from fieldassist.phrases.phrase_set import PhraseSet, load_phrases

if TYPE_CHECKING:
    from fieldassist.words.contained import ContainedEngine
    from fieldassist.words.sphinx_engine import SphinxEngine
    from fieldassist.words.vosk_engine import VoskEngine


def expect_car(engine: ContainedEngine, gears: int) -> tuple[str, ...]:
    """Let an engine expect all that can be said in a car with so many forward gears.

    Returns the words that it lacks. Raises UserError for broken grammars.
    """
    return engine.expect_by(f"{listen.__module__}:{listen.__name__}", gears)


def listen(engine: VoskEngine | SphinxEngine, gears: int) -> tuple[str, ...]:
    """What `expect_car` has done in the engine's process."""
    return engine.use_promised(_phrases().to_listen_for(gears, engine.weighs_talk))


@cache
def _phrases() -> PhraseSet:
    """Kept, since an utterance over a prompt that is heard twice asks for them again."""
    return load_phrases()
