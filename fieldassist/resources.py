"""Where the human-edited files are: the shipped ones, and the shop's own in its home folder."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from fieldassist.errors import UserError

_PACKAGE = Path(__file__).resolve().parent


def home() -> Path:
    """Return the directory of the shop's own files and settings: FIELDASSIST_HOME, else `fieldassist` in the place
    where the system keeps settings. It need not exist."""
    if named := os.environ.get("FIELDASSIST_HOME"):
        return Path(named).expanduser()
    if sys.platform == "win32":
        base = os.environ.get("APPDATA")
        return (Path(base) if base else Path.home() / "AppData" / "Roaming") / "fieldassist"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "fieldassist"
    base = os.environ.get("XDG_CONFIG_HOME")
    return (Path(base) if base else Path.home() / ".config") / "fieldassist"


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
