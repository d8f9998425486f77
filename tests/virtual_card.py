"""A sound card that is not there: a PulseAudio server of the tests' own, with a microphone and a loudspeaker.

Both are null sinks. What is played into `mic` comes out of the default input; what the program plays to the
default output is recorded from `speaker`. Debian packages: pulseaudio, pulseaudio-utils, libasound2-plugins,
libportaudio2.
"""

from __future__ import annotations

import contextlib
import ctypes.util
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from fieldassist.sound.wave import write_wave
from fieldassist.words.recognizer import SAMPLE_RATE, Samples

PACKAGES = "pulseaudio pulseaudio-utils libasound2-plugins libportaudio2"


class VirtualCard:
    """Plays into the microphone and records the loudspeaker."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        runtime = folder / "run"
        runtime.mkdir(mode=0o700)
        self.environment = {**os.environ, "XDG_RUNTIME_DIR": str(runtime), "HOME": str(folder)}
        for name in ("PULSE_SERVER", "PULSE_SINK", "PULSE_SOURCE", "DBUS_SESSION_BUS_ADDRESS"):
            self.environment.pop(name, None)
        self._players: list[subprocess.Popen[bytes]] = []
        self.server = subprocess.Popen(
            ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--disable-shm=yes",
             f"--log-target=file:{folder / 'server.log'}", "-L", "module-native-protocol-unix",
             "-L", "module-cli-protocol-unix",
             "-L", "module-null-sink sink_name=speaker rate=48000",
             "-L", "module-null-sink sink_name=mic rate=48000"],
            env=self.environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self._number = 0

    def begin(self) -> None:
        """Wait until the server answers. Raises RuntimeError when it does not."""
        for _ in range(100):
            if self.server.poll() is not None:
                break
            with contextlib.suppress(subprocess.CalledProcessError):
                self.control("set-default-sink", "speaker")
                self.control("set-default-source", "mic.monitor")
                return
            time.sleep(0.05)
        raise RuntimeError((self.folder / "server.log").read_text()[-300:])

    def control(self, *words: str) -> str:
        return subprocess.run(
            ["pactl", *words], env=self.environment, check=True, capture_output=True, text=True, timeout=10
        ).stdout

    def say(self, samples: Samples, wait: bool = True) -> None:
        """Play into the microphone."""
        self._number += 1
        path = self.folder / f"said{self._number}.wav"
        write_wave(path, samples)
        player = subprocess.Popen(
            ["paplay", "--device=mic", "--latency-msec=30", str(path)], env=self.environment,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self._players.append(player)
        if wait:
            player.wait(timeout=60)

    @contextlib.contextmanager
    def recording(self) -> Iterator[Path]:
        """Record the loudspeaker while in the block; the path is a file of raw 16-bit mono 16 kHz samples."""
        path = self.folder / f"heard{time.monotonic_ns()}.raw"
        with path.open("wb") as file:
            recorder = subprocess.Popen(
                ["parec", "--device=speaker.monitor", "--latency-msec=30", f"--rate={SAMPLE_RATE}", "--channels=1",
                 "--format=s16le", "--raw"],
                env=self.environment, stdout=file, stderr=subprocess.DEVNULL,
            )  # fmt: skip
            try:
                while path.stat().st_size == 0:  # an idle null sink sleeps for up to two seconds
                    time.sleep(0.05)
                yield path
            finally:
                recorder.terminate()
                recorder.wait()

    @contextlib.contextmanager
    def echoing(self, decibels: float) -> Iterator[None]:
        """Let the microphone hear the loudspeaker, so much louder or softer, while in the block."""
        module = self.control(
            "load-module", "module-loopback", "source=speaker.monitor", "sink=mic", "latency_msec=80",
            "source_dont_move=true", "sink_dont_move=true",
        ).strip()  # fmt: skip
        for line in self.control("list", "short", "sink-inputs").splitlines():
            number, _, client = line.split()[:3]
            if client == "-":  # of a module, not of a program
                self.control("set-sink-input-volume", number, f"{decibels:g}dB")
        try:
            yield
        finally:
            self.control("unload-module", module)

    def plug_out(self, name: str) -> None:
        """Take a device away."""
        for line in self.control("list", "short", "modules").splitlines():
            if f"sink_name={name} " in f"{line} ":
                self.control("unload-module", line.split()[0])

    def cut_off(self) -> None:
        """End the streams that are being recorded from the microphone, as the loss of its plug does."""
        for line in self.control("list", "short", "source-outputs").splitlines():
            number, source = line.split()[:2]
            if source == self._index_of("mic.monitor"):
                subprocess.run(
                    ["pacmd", "kill-source-output", number], env=self.environment, check=True, timeout=10,
                    capture_output=True,
                )  # fmt: skip

    def _index_of(self, source: str) -> str:
        lines = self.control("list", "short", "sources").splitlines()
        return next(line.split()[0] for line in lines if line.split()[1] == source)

    def plug_in(self, name: str) -> None:
        """Bring a device back, as the default."""
        self.control("load-module", "module-null-sink", f"sink_name={name}", "rate=48000")
        if name == "mic":
            self.control("set-default-source", "mic.monitor")
        else:
            self.control("set-default-sink", name)

    def end(self) -> None:
        for player in self._players:
            player.kill()
            player.wait()
        self.server.terminate()
        try:
            self.server.wait(timeout=5)
        except subprocess.TimeoutExpired:
            self.server.kill()
            self.server.wait()


def heard(path: Path) -> Samples:
    """Return what a recording holds so far."""
    return np.frombuffer(path.read_bytes()[: path.stat().st_size // 2 * 2], np.int16)


@contextlib.contextmanager
def virtual_card() -> Iterator[VirtualCard]:
    """A running card; skips the test, with the reason, where there can be none."""
    missing = [tool for tool in ("pulseaudio", "pactl", "paplay", "parec") if shutil.which(tool) is None]
    if missing:
        pytest.skip(f"no virtual sound card: {', '.join(missing)} not installed (Debian: {PACKAGES})")
    if ctypes.util.find_library("portaudio") is None:
        pytest.skip(f"no virtual sound card: PortAudio not installed (Debian: {PACKAGES})")
    folder = Path(tempfile.mkdtemp(prefix="card-"))
    card = VirtualCard(folder)
    try:
        try:
            card.begin()
        except (RuntimeError, OSError) as error:
            pytest.skip(f"no virtual sound card: the server does not run here ({str(error).strip()[-200:]})")
        saved = {name: os.environ.get(name) for name in ("XDG_RUNTIME_DIR", "HOME")}
        os.environ.update(XDG_RUNTIME_DIR=str(folder / "run"), HOME=str(folder))
        try:
            yield card
        finally:
            for name, value in saved.items():
                os.environ.pop(name) if value is None else os.environ.update({name: value})
    finally:
        card.end()
        shutil.rmtree(folder, ignore_errors=True)
