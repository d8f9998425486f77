"""A part that may crash or hang, kept in a process of its own.

The parent calls methods of an object that lives in the child. A child that dies or does not answer in time
is killed and reported as `WorkerLost`; the caller decides what to do again.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import secrets
import signal
import subprocess
import sys
from multiprocessing import AuthenticationError
from multiprocessing.connection import Client, Connection, Listener
from threading import Thread
from typing import Any

from fieldassist.errors import UserError

_CONNECT_SECONDS = 20.0


class WorkerLost(Exception):
    """The child died or did not answer in time; it has been killed."""


class Worker:
    """One child process that holds one object."""

    def __init__(self, factory: str, *arguments: object, ready_within: float = 60.0) -> None:
        """Start the child and build the object there.

        factory: `package.module:name` of what is called with the arguments (which must pickle).
        ready_within: seconds allowed for it. Raises what the factory raises as UserError, else WorkerLost.
        """
        key = secrets.token_hex(16)
        with Listener(None, authkey=key.encode()) as listener:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "fieldassist.words.worker", factory, str(listener.address)],
                stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
            assert self._process.stdin is not None
            self._process.stdin.write(key.encode() + b"\n")
            self._process.stdin.flush()
            self._connection = self._accept(listener)
        try:
            self._ask(arguments, ready_within)
        except BaseException:
            self.close()
            raise

    @property
    def pid(self) -> int:
        """Process id of the child."""
        return self._process.pid

    def call(self, method: str, *arguments: object, within: float) -> Any:
        """Call a method of the object in the child; wait at most `within` seconds.

        A function can be called as well, named `package.module:name`: it is given the object before the arguments.
        Raises UserError when the method does, WorkerLost when the child is gone, stuck or failed inside.
        """
        return self._ask((method, arguments), within)

    def get(self, attribute: str, *, within: float) -> Any:
        """Return an attribute of the object in the child; raises as `call` does."""
        return self._ask((attribute, None), within)

    def close(self) -> None:
        """End the child, by force where it does not go by itself."""
        self._connection.close()  # the child ends when its line goes dead
        if self._process.stdin is not None:
            self._process.stdin.close()
        try:
            self._process.wait(timeout=0.5)
        except subprocess.TimeoutExpired:
            self._kill()

    def _ask(self, message: object, within: float) -> Any:
        try:
            self._connection.send(message)
            if not self._connection.poll(within):
                self._kill()
                raise WorkerLost(f"no answer within {within:g} s")
            outcome, value = self._connection.recv()
        except (EOFError, OSError) as error:
            self._kill()
            raise WorkerLost(f"ended by itself ({self._process.returncode})") from error
        if outcome == "refused":
            raise UserError(value)
        if outcome == "failed":
            self._kill()
            raise WorkerLost(value)
        return value

    def _accept(self, listener: Listener) -> Connection:
        """Wait for the child to call in; a child that dies first must not leave us waiting for ever."""
        accepted: list[Connection] = []

        def wait() -> None:
            with contextlib.suppress(OSError, EOFError, AuthenticationError):
                accepted.append(listener.accept())

        waiting = Thread(target=wait, daemon=True)
        waiting.start()
        waited = 0.0
        while waiting.is_alive() and waited < _CONNECT_SECONDS and self._process.poll() is None:
            waiting.join(0.05)
            waited += 0.05
        waiting.join(0.2)
        if not accepted:
            self._kill()
            raise WorkerLost("did not start")
        return accepted[0]

    def _kill(self) -> None:
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()


def _serve(factory: str, address: str) -> None:
    """The child's side: build the object, then answer calls until the line goes dead."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's to handle
    key = sys.stdin.buffer.readline().strip()
    place: Any = tuple(address) if address.startswith("(") else address
    with Client(place, authkey=key) as connection:
        target = None
        while True:
            try:
                message = connection.recv()
            except (EOFError, OSError):
                return
            try:
                if target is None:
                    target = _named(factory)(*message)
                    connection.send(("ready", None))
                    continue
                name, arguments = message
                if ":" in name:
                    answer = _named(name)(target, *arguments)
                else:
                    member = getattr(target, name)
                    answer = member if arguments is None else member(*arguments)
                connection.send(("done", answer))
            except UserError as error:
                connection.send(("refused", str(error)))
            except Exception as error:
                connection.send(("failed", f"{type(error).__name__}: {error}"))


def _named(what: str) -> Any:
    """Return what `package.module:name` names."""
    module, _, name = what.partition(":")
    return getattr(importlib.import_module(module), name)


if __name__ == "__main__":
    _serve(sys.argv[1], sys.argv[2])
    os._exit(0)  # native libraries with threads of their own must not hold up the end
