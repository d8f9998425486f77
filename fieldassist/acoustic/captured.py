"""A function of tensors that runs many small steps, recorded once for each set of shapes and then replayed.

Passes over time launch thousands of small kernels; launched one by one from Python they take longer than they
run. On a GPU the launches are recorded as one graph; elsewhere the function is simply called.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import torch
from torch import Tensor

_Key = tuple[tuple[int, ...], ...]


class Captured:
    """Calls `function`, which must not look at its tensors' values from Python nor change its arguments."""

    def __init__(self, function: Callable[..., tuple[Tensor, ...]]) -> None:
        self.function = function
        self.recorded: dict[_Key, tuple[Any, tuple[Tensor, ...], tuple[Tensor, ...]]] = {}
        self.pool: Any = None

    @torch.no_grad()  # type: ignore[untyped-decorator, unused-ignore]
    def __call__(self, *given: Tensor) -> tuple[Tensor, ...]:
        """The function's results, good until the next call with the same shapes."""
        if given[0].device.type != "cuda":
            return self.function(*given)
        key = tuple(tuple(tensor.shape) for tensor in given)
        if key not in self.recorded:
            self.recorded[key] = self._record(given)
        graph, inputs, results = self.recorded[key]
        for place, tensor in zip(inputs, given, strict=True):
            place.copy_(tensor)
        graph.replay()
        return results

    def _record(self, given: tuple[Tensor, ...]) -> tuple[Any, tuple[Tensor, ...], tuple[Tensor, ...]]:
        inputs = tuple(tensor.clone() for tensor in given)
        aside = torch.cuda.Stream()
        aside.wait_stream(torch.cuda.current_stream())
        with torch.cuda.stream(aside):
            self.function(*inputs)
        torch.cuda.current_stream().wait_stream(aside)
        graph = torch.cuda.CUDAGraph()
        with torch.cuda.graph(graph, pool=self.pool):
            results = self.function(*inputs)
        self.pool = self.pool or graph.pool()
        return graph, inputs, results
