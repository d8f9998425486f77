"""The graph run by PyTorch, against ONNX Runtime on graphs built here; skipped without torch and onnx."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fieldassist.errors import UserError

pytest.importorskip("torch", reason="torch is not installed (extra train)")
onnx = pytest.importorskip("onnx", reason="onnx is not installed (extra train)")
onnxruntime = pytest.importorskip("onnxruntime", reason="onnxruntime is not installed (extra train)")

from fieldassist.acoustic.kokoro import Network  # noqa: E402

FLOAT, INT64 = 1, 7
node = onnx.helper.make_node


def _both(
    nodes: list[Any], constants: dict[str, np.ndarray], given: dict[str, np.ndarray], output: str = "y"
) -> tuple[np.ndarray, np.ndarray]:
    """The output by PyTorch and by ONNX Runtime."""
    info = onnx.helper.make_tensor_value_info
    graph = onnx.helper.make_graph(
        nodes, "graph",
        [info(name, INT64 if v.dtype == np.int64 else FLOAT, [None] * v.ndim) for name, v in given.items()],
        [onnx.helper.make_tensor_value_info(output, FLOAT, None)],
        [onnx.numpy_helper.from_array(value, name) for name, value in constants.items()],
    )  # fmt: skip
    opsets = [onnx.helper.make_opsetid("", 20), onnx.helper.make_opsetid("com.microsoft", 1)]
    data = onnx.helper.make_model(graph, opset_imports=opsets, ir_version=9).SerializeToString()
    session = onnxruntime.InferenceSession(data, providers=["CPUExecutionProvider"])
    return Network(data).run(given)[0], session.run(None, given)[0]


def _quantised(weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    scale = np.float32(np.abs(weight).max() / 127)
    return np.rint(weight / scale).astype(np.int8), np.asarray(scale)


@pytest.mark.parametrize("columns", [False, True])
def test_a_product_of_integers_agrees_up_to_the_rounding_of_its_input(columns: bool) -> None:
    rng = np.random.default_rng(0)
    weight, scale = _quantised(rng.normal(size=(16, 8)).astype(np.float32))
    zero = np.zeros((), np.int8)
    if columns:
        scale = scale * rng.uniform(0.5, 1.0, 8).astype(np.float32)
    nodes = [
        node("DynamicQuantizeLinear", ["x"], ["q", "s", "z"]),
        node("MatMulInteger", ["q", "w", "z", "wz"], ["i"]), node("Cast", ["i"], ["f"], to=FLOAT),
        node("Mul", ["s", "ws"], ["both"]), node("Mul", ["f", "both"], ["m"]), node("Add", ["b", "m"], ["y"]),
    ]  # fmt: skip
    constants = {"w": weight, "wz": zero, "ws": scale, "b": rng.normal(size=8).astype(np.float32)}
    ours, theirs = _both(nodes, constants, {"x": rng.normal(size=(1, 5, 16)).astype(np.float32)})
    assert ours.shape == theirs.shape
    assert np.abs(ours - theirs).max() < 0.15  # 16 products, each rounded by up to 0.5 / 255 of a range of about 5
    assert np.corrcoef(ours.ravel(), theirs.ravel())[0, 1] > 0.999


@pytest.mark.parametrize(("stride", "dilation"), [(1, 1), (2, 1), (1, 3)])
def test_a_convolution_of_integers_agrees(stride: int, dilation: int) -> None:
    rng = np.random.default_rng(1)
    weight, scale = _quantised(rng.normal(size=(4, 6, 3)).astype(np.float32))
    bias = rng.normal(size=4).astype(np.float32)
    form = {"strides": [stride], "dilations": [dilation], "pads": [dilation, dilation], "kernel_shape": [3]}
    nodes = [
        node("DynamicQuantizeLinear", ["x"], ["q", "s", "z"]), node("Mul", ["s", "ws"], ["both"]),
        node("Div", ["b", "both"], ["steps"]), node("Floor", ["steps"], ["whole"]),
        node("Cast", ["whole"], ["bi"], to=6), node("Reshape", ["bi", "shape"], ["br"]),
        node("ConvInteger", ["q", "w", "z", "wz"], ["i"], **form), node("Add", ["i", "br"], ["a"]),
        node("Cast", ["a"], ["f"], to=FLOAT), node("Mul", ["f", "both"], ["y"]),
    ]  # fmt: skip
    constants = {"w": weight, "wz": np.zeros((), np.int8), "ws": scale, "b": bias, "shape": np.array([1, 4, 1])}
    ours, theirs = _both(nodes, constants, {"x": rng.normal(size=(1, 6, 30)).astype(np.float32)})
    assert ours.shape == theirs.shape
    assert np.abs(ours - theirs).max() < 0.15
    assert np.corrcoef(ours.ravel(), theirs.ravel())[0, 1] > 0.999


def test_an_lstm_of_both_directions_agrees() -> None:
    rng = np.random.default_rng(2)
    size, hidden = 6, 4
    w, r = (rng.integers(-127, 128, (2, n, 4 * hidden)).astype(np.int8) for n in (size, hidden))
    constants = {
        "w": w, "r": r, "b": rng.normal(size=(2, 8 * hidden)).astype(np.float32),
        "h": rng.normal(size=(2, 1, hidden)).astype(np.float32),
        "c": rng.normal(size=(2, 1, hidden)).astype(np.float32),
        "ws": np.array([0.01, 0.012], np.float32), "wz": np.zeros(2, np.int8),
        "rs": np.array([0.008, 0.011], np.float32), "rz": np.zeros(2, np.int8),
    }  # fmt: skip
    names = ["x", "w", "r", "b", "", "h", "c", "", "ws", "wz", "rs", "rz"]
    lstm = node(
        "DynamicQuantizeLSTM", names, ["y", "last", "cell"], domain="com.microsoft", direction="bidirectional",
        hidden_size=hidden, input_forget=0,
    )  # fmt: skip
    ours, theirs = _both([lstm], constants, {"x": rng.normal(size=(9, 1, size)).astype(np.float32)})
    assert ours.shape == theirs.shape == (9, 2, 1, hidden)
    assert np.abs(ours - theirs).max() < 0.05


def test_shapes_resizing_and_transposed_convolution_agree() -> None:
    rng = np.random.default_rng(3)
    nodes = [
        node("Shape", ["x"], ["shape"]), node("Gather", ["shape", "two"], ["length"], axis=0),
        node("Unsqueeze", ["length", "zero"], ["one"]), node("Concat", ["front", "one"], ["new"], axis=0),
        node("Reshape", ["x", "new"], ["flat"]), node("Reshape", ["flat", "back"], ["again"]),
        node("ConvTranspose", ["again", "w", "b"], ["up"], strides=[2], pads=[1, 1], output_padding=[1], group=4),
        node("Resize", ["up", "", "twice"], ["more"], mode="nearest", nearest_mode="floor",
             coordinate_transformation_mode="asymmetric"),
        node("Resize", ["more", "", "third"], ["y"], mode="linear", coordinate_transformation_mode="half_pixel"),
    ]  # fmt: skip
    constants = {
        "two": np.array(2), "zero": np.array([0]), "front": np.array([4]), "back": np.array([1, 4, -1]),
        "w": rng.normal(size=(4, 1, 3)).astype(np.float32), "b": rng.normal(size=4).astype(np.float32),
        "twice": np.array([1, 1, 2], np.float32), "third": np.array([1, 1, 1 / 3], np.float32),
    }  # fmt: skip
    ours, theirs = _both(nodes, constants, {"x": rng.normal(size=(1, 4, 9)).astype(np.float32)})
    assert ours.shape == theirs.shape
    assert np.abs(ours - theirs).max() < 1e-5


def test_a_spectrum_agrees_and_silence_has_the_phase_zero() -> None:
    rng = np.random.default_rng(4)
    nodes = [node("STFT", ["x", "hop", "window", "size"], ["y"], onesided=1)]
    constants = {"hop": np.array(5), "size": np.array(20), "window": np.hanning(20).astype(np.float32)}
    ours, theirs = _both(nodes, constants, {"x": rng.normal(size=(1, 100, 1)).astype(np.float32)})
    assert ours.shape == theirs.shape
    assert np.abs(ours - theirs).max() < 1e-4
    phase = [node("Div", ["a", "b"], ["d"]), node("Atan", ["d"], ["y"])]
    zeros = {"a": np.zeros(3, np.float32), "b": np.zeros(3, np.float32)}
    assert _both(phase, {}, zeros)[0].tolist() == [0.0, 0.0, 0.0]


def test_an_unknown_operator_and_a_broken_file_are_named(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="operator Det is not known here"):
        _both([node("Det", ["x"], ["y"])], {}, {"x": np.eye(3, dtype=np.float32)})
    broken = tmp_path / "broken.onnx"
    broken.write_bytes(b"\xff\xff not a graph")
    with pytest.raises(UserError, match=r"broken\.onnx: not an ONNX file"):
        Network(broken)
