"""Cost of a full tag against the bare scaled decode of the same bytes, in one run; ratios, not seconds."""

from __future__ import annotations

import io
import multiprocessing
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image

from eavefall_model.photo import decode
from eavefall_model.tags.tagger import Tagger
from eavefall_training.metrics import Measured, clustered

__all__ = ["Bench", "bench", "photo_bytes"]

# Other tasks that wanted a processor, on average over a pair, below which it counts as undisturbed.
_QUIET = 0.15


@dataclass(frozen=True)
class Bench:
    """Each figure with its number of repeats and a 95 % interval over them.

    ``full_over_decode``: processor time of bytes-to-tags over the bare scaled decode. ``two_over_one``:
    throughput of two processes over one. ``peak_mb``: peak memory of fresh processes that only tag.
    ``loops_two_over_one``: the same of bare arithmetic in turn with it: what the machine had to give.
    ``waiting``: other tasks that wanted a processor meanwhile, on average; each of the two counts only
    undisturbed pairs where there are three.
    """

    megabytes: float
    full_over_decode: Measured
    two_over_one: Measured
    loops_two_over_one: Measured
    waiting: float
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


def bench(
    rounds: int = 25,
    pairs: int = 7,
    fresh: int = 5,
    *,
    photos: int = 10,
    grain_px: float = 2.0,
    patience_s: float = 60.0,
) -> Bench:
    """Measure; every round does both things in turn, so a busy machine slows both.

    Parameters
    ----------
    rounds, pairs, fresh : int
        Repeats of the three figures, in the order of ``Bench``.
    photos : int
        That each worker tags in one of the ``pairs``.
    grain_px : float
        Of the picture, see ``photo_bytes``.
    patience_s : float
        How long to wait in all for moments in which nobody else computes.
    """
    data = photo_bytes(grain_px=grain_px)
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
    spent = np.array([(_cpu(bare), _cpu(full)) for _ in range(rounds)])
    each = [str(i) for i in range(rounds)]
    ratio = clustered(lambda i: float(np.median(spent[i, 1]) / np.median(spent[i, 0])), each)
    gain, loops, waiting = _two_over_one(data, pairs, photos, patience_s)
    peak = _middle([_peak_mb(data) for _ in range(fresh)])
    return Bench(len(data) / 1e6, ratio, _middle(gain), _middle(loops), waiting, peak)


def _middle(values: Sequence[float]) -> Measured:
    found = np.array(values)
    return clustered(lambda i: float(np.median(found[i])), [str(i) for i in range(len(found))])


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


def _two_over_one(
    data: bytes, pairs: int, photos: int, patience_s: float
) -> tuple[list[float], list[float], float]:
    """Gains of two workers over one, of tags and of bare loops in turn, and how many others wanted to run.

    Others spoil the measure, so every pair waits for a quiet moment while patience lasts, and pairs that
    somebody joined are left out if three quiet ones remain.
    """
    found: dict[bool, list[tuple[float, float]]] = {True: [], False: []}
    give_up = time.perf_counter() + patience_s
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        pool.map(_many, [(data, 2)] * 2, chunksize=1)  # start-up is not throughput
        for pair in range(2 * pairs):
            tags = pair % 2 == 0
            job = (data, photos) if tags else (b"", photos)
            _wait_for_quiet(give_up)
            taken, waiting = [], []
            for workers in (1, 2):
                began = time.perf_counter()
                running = pool.map_async(_many, [job] * workers, chunksize=1)
                while not running.ready():
                    running.wait(0.1)
                    waiting.append(_runnable() - workers)
                running.get()
                taken.append((time.perf_counter() - began) / workers)
            found[tags].append((taken[0] / taken[1], max(0.0, float(np.mean(waiting)))))
    kept = {tags: _undisturbed(each) for tags, each in found.items()}
    gains = {tags: [gain for gain, _ in each] for tags, each in kept.items()}
    return gains[True], gains[False], float(np.mean([w for each in kept.values() for _, w in each]))


def _undisturbed(pairs: list[tuple[float, float]]) -> list[tuple[float, float]]:
    quiet = [(gain, waiting) for gain, waiting in pairs if waiting < _QUIET]
    return quiet if len(quiet) >= 3 else pairs


def _wait_for_quiet(give_up: float) -> None:
    """Return when nothing else wanted a processor for a third of a second, or at ``give_up``."""
    calm = 0
    while calm < 6 and time.perf_counter() < give_up:
        calm = calm + 1 if _runnable() <= 0 else 0
        time.sleep(0.05)


def _runnable() -> int:
    """Tasks running or ready to run, this one left out (Linux; elsewhere none are seen)."""
    try:
        with open("/proc/loadavg", encoding="ascii") as handle:
            return int(handle.read().split()[3].split("/")[0]) - 1
    except OSError:
        return 0


def _many(job: tuple[bytes, int]) -> None:
    """Tag ``data`` so many times; without data, count so long instead."""
    data, count = job
    if not data:
        sum(i * i for i in range(count * 600_000))
        return
    cv2.setNumThreads(1)
    tagger = Tagger.load()
    for _ in range(count):
        tagger.tag(decode(data, fit_px=tagger.fit_px), "bench")
