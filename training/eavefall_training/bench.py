"""Cost of both looks against the bare scaled decode of the same bytes, in one run; ratios, not seconds."""

from __future__ import annotations

import io
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image

from eavefall_model.photo import decode
from eavefall_model.tags.tagger import Tagger
from eavefall_training.metrics import Measured, clustered


@dataclass(frozen=True)
class Bench:
    """Each figure with its number of repeats and a 95 % interval over them.

    ``first_over_decode``, ``both_over_decode``: processor time from bytes to the scores of the first look,
    and of both, over the bare scaled decode. ``peak_mb``: peak memory of fresh processes that only tag.
    """

    megabytes: float
    first_over_decode: Measured
    both_over_decode: Measured
    peak_mb: Measured


def photo_bytes(seed: int = 0, grain_px: float = 2.0) -> bytes:
    """A 12 MP JPEG of about the size a phone writes: smooth shapes, foliage-like grain.

    Finer grain makes more bytes: 4.3 MB at 2 px.
    """
    rng = np.random.default_rng(seed)
    coarse = rng.integers(40, 210, (48, 64, 3)).astype(np.uint8)
    smooth = cv2.resize(coarse, (4000, 3000), interpolation=cv2.INTER_CUBIC).astype(np.int16)
    grain = cv2.resize(
        rng.normal(0, 30, (round(3000 / grain_px), round(4000 / grain_px))).astype(np.float32), (4000, 3000)
    )
    out = io.BytesIO()
    picture = np.clip(smooth + grain[..., None], 0, 255).astype(np.uint8)
    Image.fromarray(picture).save(out, "JPEG", quality=90)
    return out.getvalue()


def bench(rounds: int = 25, fresh: int = 5) -> Bench:
    """Measure; every round does all in turn, so a busy machine slows all. ``fresh`` processes for memory."""
    data = photo_bytes()
    tagger = Tagger.load()
    cv2.setNumThreads(1)
    fit = tagger.fit_px

    def bare() -> None:
        image = Image.open(io.BytesIO(data))
        image.draft("RGB", (fit * 4 // 3, fit))
        image.load()

    def first() -> None:
        tagger.logits(decode(data, fit_px=fit))

    def both() -> None:
        photo = decode(data, fit_px=fit)
        tagger.logits(photo)
        tagger.closer_logits(photo)

    works = (bare, first, both)
    for work in works:
        work()
    spent = np.array([[_cpu(work) for work in works] for _ in range(rounds)])

    def over_bare(column: int) -> Measured:
        return clustered(
            lambda i: float(np.median(spent[i, column]) / np.median(spent[i, 0])),
            [str(i) for i in range(rounds)],
        )

    peaks = np.array([_peak_mb(data) for _ in range(fresh)])
    peak = clustered(lambda i: float(np.median(peaks[i])), [str(i) for i in range(fresh)])
    return Bench(len(data) / 1e6, over_bare(1), over_bare(2), peak)


_TAG_TEN = """
import sys
from eavefall_model.photo import decode
from eavefall_model.tags.tagger import Tagger
data, tagger = sys.stdin.buffer.read(), Tagger.load()
for _ in range(10):
    tagger.tag(decode(data, fit_px=tagger.fit_px), "bench")
# Not ru_maxrss: that starts from the size of the process that started this one.
with open("/proc/self/status") as status:
    print(next(int(line.split()[1]) / 1024 for line in status if line.startswith("VmHWM")))
"""


def _peak_mb(data: bytes) -> float:
    done = subprocess.run([sys.executable, "-c", _TAG_TEN], input=data, capture_output=True, check=True)
    return float(done.stdout)


def _cpu(work: Callable[[], None]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began
