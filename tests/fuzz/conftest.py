"""Closes a run of the fuzz tests with what was fed."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from feeding import LEAST_NIGHTLY, NIGHTLY, TALLY, summary


@pytest.hookimpl(hookwrapper=True)
def pytest_sessionfinish(session: pytest.Session) -> Iterator[None]:
    """A nightly run of everything that was too small is a failed one."""
    whole = {"test_fuzz_readers.py", "test_fuzz_pages.py"} <= {item.path.name for item in session.items}
    fed = sum(one.inputs for one in TALLY)
    if NIGHTLY and whole and fed < LEAST_NIGHTLY and session.exitstatus == pytest.ExitCode.OK:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
    yield


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if TALLY:
        terminalreporter.section("fed")
        for line in summary(TALLY):
            terminalreporter.write_line(line)
