"""The write-up as one self-contained HTML file: no script, nothing fetched, pictures inside."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path

from fieldassist import __version__
from fieldassist.errors import UserError
from fieldassist.pages.case import Case, read_case
from fieldassist.pages.pictures import applied_table, pictures
from fieldassist.pages.templating import STATIC, templates
from fieldassist.pages.writeup import percent, write_up


def write_report(session_path: str | Path, html_path: str | Path) -> Path:
    """Write the report of a session and return its path.

    The file is replaced in one step, so that a failure leaves an earlier one whole. Raises UserError when
    the session cannot be read or the file cannot be written.
    """
    target = Path(html_path)
    text = report_html(read_case(session_path))
    part = target.with_name(target.name + ".part")
    try:
        part.write_text(text, encoding="utf-8", errors="replace")
        part.replace(target)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise UserError(f"{target}: cannot be written ({error.strerror})") from None
    return target


def report_html(case: Case) -> str:
    """Return the report of a session as a whole HTML document."""
    style = (STATIC / "report.css").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    heads, rows = applied_table(case)
    return (
        templates()
        .get_template("report.html")
        .render(
            w=write_up(case.events, case.unit_title, case.step_names, case.planned),
            pictures=pictures(case),
            chart_heads=heads,
            chart_rows=rows,
            percent=percent,
            style=style,
            style_hash=f"sha256-{digest}",
            file_name=case.path.name,
            version=__version__,
        )
    )
