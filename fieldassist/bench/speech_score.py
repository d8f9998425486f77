"""Scores of the hearing benchmark: what counts as right, wrong and missed, and how sure the shares are."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.stats import chi2

from fieldassist.bench.speech_data import Sentence, is_number_error, is_right
from fieldassist.finding import Finding


@dataclass(frozen=True)
class Task:
    """A clip to be heard and what to compare the outcome with."""

    file: str
    step: str
    part: str
    """`cabin`, `talk`, `orders` (heard whole) or `orders_cut` (cut out by the endpointer first)"""
    snr: float | None
    sentence: int = -1
    speaker: str = ""
    speech_seconds: float = 0.0
    """Length of the speech in the clip."""
    speech_end: float = 0.0
    slots: str = ""
    """JSON of the slots of a spoken order."""
    trained: bool = False
    """Our model was trained on this clip."""


@dataclass
class Score:
    """Counts over the clips of one condition."""

    clips: int = 0
    meant: int = 0
    right: int = 0
    wrong: int = 0
    missed: int = 0
    asked: int = 0
    """Of the missed: asked back."""
    numbers: int = 0
    number_errors: int = 0
    talk: int = 0
    talk_taken: int = 0


def wilson(part: int, whole: int, z: float = 1.96) -> tuple[float, float]:
    """95 % interval of a share, 0..1 (E. B. Wilson, "Probable inference, the law of succession, and statistical
    inference", JASA 22, 1927)."""
    if not whole:
        return 0.0, 1.0
    share, extra = part / whole, z * z / whole
    centre = (share + extra / 2) / (1 + extra)
    half = z * math.sqrt(share * (1 - share) / whole + extra / (4 * whole)) / (1 + extra)
    return max(0.0, centre - half), min(1.0, centre + half)


def rate_interval(count: int, hours: float) -> tuple[float, float]:
    """95 % interval of a rate per hour from a count (F. Garwood, "Fiducial limits for the Poisson distribution",
    Biometrika 28, 1936)."""
    low = chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    return float(low) / hours, float(chi2.ppf(0.975, 2 * count + 2)) / 2 / hours


def judge(outcome: dict[str, Any], sentence: Sentence) -> str:
    """`right`, `wrong`, `asked` or `missed` for what is meant; `taken` or `quiet` for talk."""
    accepted = [heard for heard in outcome["heard"] if heard["decision"] == "accept"]
    if not sentence.meant:
        return "taken" if accepted else "quiet"
    good = [_fits(heard, sentence) for heard in accepted]
    if good and all(good):
        return "right"
    if good:
        return "wrong"
    return "asked" if any(heard["decision"] == "ask" for heard in outcome["heard"]) else "missed"


def _fits(heard: dict[str, Any], sentence: Sentence) -> bool:
    if sentence.command is not None:
        return bool(heard["command"] == sentence.command)
    findings = [Finding.from_json(finding) for finding in heard["findings"]]
    return bool(findings) and all(is_right(finding, sentence) for finding in findings)


def count_in(score: Score, verdict: str, outcome: dict[str, Any], sentence: Sentence) -> None:
    score.clips += 1
    if not sentence.meant:
        score.talk += 1
        score.talk_taken += verdict == "taken"
        return
    score.meant += 1
    score.right += verdict == "right"
    score.wrong += verdict == "wrong"
    score.missed += verdict in ("missed", "asked")
    score.asked += verdict == "asked"
    if sentence.number:
        score.numbers += 1
        score.number_errors += any(
            is_number_error(Finding.from_json(finding), sentence)
            for heard in outcome["heard"] if heard["decision"] == "accept" for finding in heard["findings"]
        )  # fmt: skip


def scored(tasks: Sequence[Task], result: dict[str, Any], sentences: Sequence[Sentence]) -> dict[str, Any]:
    """All counts of one engine; `result` is what the hearing process gave."""
    cabin: dict[str, Score] = {}
    manners: dict[str, dict[str, Score]] = {}
    orders: dict[str, dict[str, list[int]]] = {}
    latency: list[float] = []
    talk: dict[str, dict[str, float]] = {}
    for task, outcome in zip(tasks, result["outcomes"], strict=True):
        if task.part == "cabin":
            sentence = sentences[task.sentence]
            verdict = judge(outcome, sentence)
            by_manner = manners.setdefault(sentence.manner, {}).setdefault(noise_name(task.snr), Score())
            for score in (cabin.setdefault(noise_name(task.snr), Score()), by_manner):
                count_in(score, verdict, outcome, sentence)
            if sentence.meant and outcome["heard"]:
                last = outcome["heard"][-1]
                latency.append(last["at"] - task.speech_end + last["work"])
        elif task.part == "talk":
            for group in ("all", "in training" if task.trained else "held out"):
                counts = talk.setdefault(group, {"hours": 0.0, "entries": 0, "commands": 0, "asks": 0})
                counts["hours"] += task.speech_seconds / 3600
                for heard in outcome["heard"]:
                    if heard["decision"] == "accept":
                        counts["commands" if heard["command"] else "entries"] += 1
                    counts["asks"] += heard["decision"] == "ask"
        else:
            count = orders.setdefault(task.part, {}).setdefault(noise_name(task.snr), [0, 0])
            count[0] += outcome["slots"] == json.loads(task.slots)
            count[1] += 1
    minutes = sum(outcome["seconds"] for outcome in result["outcomes"]) / 60
    return {
        "cabin": cabin,
        "manners": manners,
        "orders": orders,
        "talk": talk,
        "latency": [float(np.percentile(latency, q)) for q in (50, 95)] if latency else None,
        "cpu_per_minute": sum(outcome["cpu"] for outcome in result["outcomes"]) / minutes,
        **result["cost"],
    }


def noise_name(snr: float | None) -> str:
    """`clean`, or the ratio in dB."""
    return "clean" if snr is None else f"{snr:g} dB"
