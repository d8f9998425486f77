"""The folder of a Vosk model: the network's file and the decoder's options."""

from __future__ import annotations

from pathlib import Path

from fieldassist.acoustic.features import MFCC_CONF
from fieldassist.acoustic.layers import Network
from fieldassist.acoustic.nnet3 import write_model

MODEL_CONF = (
    "--min-active=200\n--max-active=3000\n--beam=13.0\n--lattice-beam=6.0\n--acoustic-scale=1.0\n"
    "--frame-subsampling-factor=3\n--endpoint.silence-phones=1\n"
    # An utterance is cut out before it comes to the decoder, which must not cut it again at a pause.
    "--endpoint.rule2.min-trailing-silence=20.0\n--endpoint.rule3.min-trailing-silence=20.0\n"
    "--endpoint.rule4.min-trailing-silence=20.0\n"
)


def write_folder(network: Network, folder: Path) -> None:
    """Write `am/final.mdl`, `conf/mfcc.conf` and `conf/model.conf`; a graph is made apart."""
    write_model(network, folder / "am" / "final.mdl")
    (folder / "conf").mkdir(parents=True, exist_ok=True)
    (folder / "conf" / "mfcc.conf").write_text(MFCC_CONF)
    (folder / "conf" / "model.conf").write_text(MODEL_CONF)
