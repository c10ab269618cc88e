"""Cost of a full tag against the bare scaled decode of the same bytes, in one run; ratios, not seconds."""

from __future__ import annotations

import io
import multiprocessing
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

__all__ = ["Bench", "bench", "photo_bytes"]


@dataclass(frozen=True)
class Bench:
    """``full_over_decode``: processor time of bytes-to-tags over bare scaled decode (medians).

    ``two_over_one``: throughput of two processes over one. ``peak_mb``: peak memory of a fresh process that
    only tags.
    """

    megabytes: float
    full_over_decode: float
    two_over_one: float
    peak_mb: float
    rounds: int


def photo_bytes(seed: int = 0) -> bytes:
    """A 12 MP JPEG of about the size a phone writes: smooth shapes, foliage-like grain."""
    rng = np.random.default_rng(seed)
    coarse = rng.integers(40, 210, (48, 64, 3)).astype(np.uint8)
    smooth = cv2.resize(coarse, (4000, 3000), interpolation=cv2.INTER_CUBIC).astype(np.int16)
    grain = cv2.resize(rng.normal(0, 30, (1500, 2000)).astype(np.float32), (4000, 3000))
    out = io.BytesIO()
    picture = np.clip(smooth + grain[..., None], 0, 255).astype(np.uint8)
    Image.fromarray(picture).save(out, "JPEG", quality=90)
    return out.getvalue()


def bench(rounds: int = 15) -> Bench:
    """Measure; every round does both things in turn, so a busy machine slows both."""
    data = photo_bytes()
    tagger = Tagger.load()
    cv2.setNumThreads(1)
    fit = tagger.fit_px

    def bare() -> None:
        image = Image.open(io.BytesIO(data))
        image.draft("RGB", (fit * 4 // 3, fit))
        image.load()

    def full() -> None:
        tagger.tag(decode(data, fit_px=fit), "bench")

    bare()
    full()
    spent = [(_cpu(bare), _cpu(full)) for _ in range(rounds)]
    ratio = float(np.median([f for _, f in spent]) / np.median([b for b, _ in spent]))
    one = _throughput(data, 1, rounds)
    two = _throughput(data, 2, rounds)
    return Bench(len(data) / 1e6, ratio, two / one, _peak_mb(data), rounds)


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


def _throughput(data: bytes, workers: int, rounds: int) -> float:
    context = multiprocessing.get_context("spawn")
    with context.Pool(workers) as pool:
        pool.map(_many, [(data, 1)] * workers, chunksize=1)  # start-up is not throughput
        began = time.perf_counter()
        pool.map(_many, [(data, rounds)] * workers, chunksize=1)
        return workers * rounds / (time.perf_counter() - began)


def _many(job: tuple[bytes, int]) -> None:
    data, count = job
    cv2.setNumThreads(1)
    tagger = Tagger.load()
    for _ in range(count):
        tagger.tag(decode(data, fit_px=tagger.fit_px), "bench")
