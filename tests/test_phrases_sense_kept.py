"""What was learned from example wordings is kept as it was learned, and anything else is told."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldassist.phrases.sense import from_bytes, learn, to_bytes

MODEL = learn(
    [
        (("it", "slips", "bad"), "upshift", "slip"),
        (("slips", "a", "bit"), "upshift", "slip"),
        (("no", "leaks"), "leaks", "no leak"),
        (("dry", "no", "leaks"), "leaks", "no leak"),
    ]
)


def test_a_model_comes_back_bit_for_bit() -> None:
    again = from_bytes(to_bytes(MODEL))
    assert (again.meanings, again.features) == (MODEL.meanings, MODEL.features)
    assert np.array_equal(again.weights, MODEL.weights)
    said = [("slips", 0.8), ("bad", 1.0)]
    assert again.shares(said, "upshift") == MODEL.shares(said, "upshift")


@settings(max_examples=40, deadline=None)
@given(st.binary(max_size=80), st.integers(0, 10_000))
def test_whatever_else_it_is_is_told_by_one_kind_of_error(junk: bytes, at: int) -> None:
    whole = to_bytes(MODEL)
    at %= len(whole)
    data = whole[:at] + junk + whole[at + len(junk) :]
    if data != whole:
        with pytest.raises(ValueError, match="digest"):
            from_bytes(data)
