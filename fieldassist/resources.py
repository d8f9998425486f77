"""Where the shipped, human-edited files are: inside the wheel, or at the top of a checkout."""

from __future__ import annotations

from pathlib import Path

from fieldassist.errors import UserError

_PACKAGE = Path(__file__).resolve().parent


def shipped(folder: str) -> Path:
    """Return the directory of a shipped folder: `grammars`, `checklists` or `audio_fixtures`.

    An installed wheel carries them in `fieldassist/_shipped`; a checkout (editable install) has them
    at its top level. Raises UserError when neither is there, which means a broken installation.
    """
    for base in (_PACKAGE / "_shipped", _PACKAGE.parent):
        candidate = base / folder
        if candidate.is_dir():
            return candidate
    raise UserError(f"{folder}: not found in this installation; install fieldassist again")
