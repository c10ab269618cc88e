"""Tags one photo: ONNX Runtime on one thread, everything else read from the card beside the weights."""

from __future__ import annotations

import ctypes
import hashlib
from functools import lru_cache
from importlib import resources
from typing import Any, Final

import numpy as np
import onnxruntime as ort
from numpy.typing import NDArray

from eavefall_model.errors import EavefallError
from eavefall_model.photo import Photo
from eavefall_model.tags.card import Card, CloserLook, load_card
from eavefall_model.tags.decide import foliage_probability, form_probability, verdict
from eavefall_model.tags.evidence import ZOOM, evidence_map
from eavefall_model.tags.preprocess import cut, to_square
from eavefall_model.tags.schema import PhotoTags, Verdict
from eavefall_model.vocabulary import FOLIAGE, FORMS, Foliage, Form

LABELS: Final[tuple[Foliage | Form, ...]] = (*FOLIAGE, *FORMS)
_HERE: Final = "eavefall_model.tags"
# Of ONNX Runtime's levels of what it logs.
_ERRORS_ONLY: Final = 3


class Tagger:
    """The trained tagger.

    Holds one inference session; safe to share between threads that call it in turn. Make one with ``load``.

    Attributes
    ----------
    card : Card
        Labels, calibration, thresholds, figures, sources.
    model_id : str
        Name and the first twelve hexadecimal digits of the hash of weights and card.
    """

    def __init__(self, weights: bytes, card: Card) -> None:
        found = hashlib.sha256(weights).hexdigest()
        if found != card.weights_sha256:
            raise EavefallError(
                "weights-missing",
                f"The weights {card.weights_file} are not those the card describes.",
                "Install the package again.",
            )
        options = ort.SessionOptions()
        options.intra_op_num_threads = 1
        options.inter_op_num_threads = 1
        options.log_severity_level = _ERRORS_ONLY
        # Measured together: an arena that grows by what is asked, without planned patterns, peaks lowest.
        options.enable_mem_pattern = False
        grow = {"arena_extend_strategy": "kSameAsRequested"}
        self._session: Any = ort.InferenceSession(
            weights, options, providers=[("CPUExecutionProvider", grow)]
        )
        _hand_back_memory()
        self.card = card
        described = hashlib.sha256(weights + card.model_dump_json().encode()).hexdigest()
        self.model_id = f"{card.name}-{described[:12]}"

    @classmethod
    def load(cls) -> Tagger:
        """The tagger shipped in this package; the second call in a process costs nothing.

        Raises
        ------
        EavefallError
            ``weights-missing`` if the package was installed without its weights.
        """
        return _load()

    @property
    def fit_px(self) -> int:
        """What to pass to ``photo.decode(..., fit_px=)``: no more pixels than the tagger looks at."""
        return self.card.fit_px

    @property
    def evidence_px(self) -> int:
        """What to pass to ``photo.decode(..., fit_px=)`` for ``evidence``."""
        return self.card.input_px * ZOOM

    def tag(self, photo: Photo, name: str) -> PhotoTags:
        """Tags of one photo, under the name to show for it.

        The whole photo is looked at first. Where that leaves needles or broad leaves unsure, parts of it are
        looked at closer, and their answer is the one that counts.
        """
        foliage, form, answer = _read(self.logits(photo), self.card)
        closer = self.card.closer
        if closer is not None and "unsure" in (answer.foliage.needle, answer.foliage.broad):
            foliage, form, answer = _read(self.closer_logits(photo), closer)
        return PhotoTags(
            photo=name,
            sha256=photo.sha256,
            foliage=foliage,
            form=form,
            verdict=answer,
            quality=photo.quality,
            model=self.model_id,
        )

    def closer_logits(self, photo: Photo) -> NDArray[np.float32]:
        """Scores of the closer look, float32 (8,), the mean over its parts; the first look's without one."""
        closer = self.card.closer
        if closer is None:
            return self.logits(photo)
        # One part after the other: all at once would need more memory and be no faster.
        parts = [self._run(cut(photo.rgb, box))[0] for box in closer.boxes]
        return np.asarray(np.mean(parts, axis=0), dtype=np.float32)

    def logits(self, photo: Photo) -> NDArray[np.float32]:
        """Raw scores of the first look, float32 (8,), in the order ``LABELS``."""
        return self._run(photo.rgb)[0]

    def features(self, photo: Photo) -> NDArray[np.float32]:
        """Unit-length description of the photo, float32 (1280,): near-duplicates have dot products near 1."""
        features = self._run(photo.rgb)[1]
        return np.asarray(features / max(float(np.linalg.norm(features)), 1e-12), dtype=np.float32)

    def scores(self, photo: Photo) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """``logits`` (8,) and, from the same run, the unscaled features (1280,)."""
        return self._run(photo.rgb)

    def evidence(self, photo: Photo, label: Foliage) -> NDArray[np.float32]:
        """Where in the photo the answer came from: float32 (14, 14) in 0 to 1, see ``evidence_map``.

        Costs ten times a tag. Decode with ``fit_px=evidence_px``, or there is nothing to look closer at.
        """
        return evidence_map(photo.rgb, self.card.input_px, self._look, self.card.foliage[label])

    def _look(self, square: NDArray[np.uint8]) -> NDArray[np.float32]:
        (evidence,) = self._session.run(["evidence"], {"pixels": square[None]})
        return np.asarray(evidence[0, : len(FOLIAGE)], dtype=np.float32)

    def _run(self, rgb: NDArray[np.uint8]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        square = to_square(rgb, self.card.input_px)
        logits, features = self._session.run(["logits", "features"], {"pixels": square[None]})
        return logits[0], features[0]


def _read(
    logits: NDArray[np.float32], rules: Card | CloserLook
) -> tuple[dict[Foliage, float], dict[Form, float], Verdict]:
    foliage = foliage_probability(logits[: len(FOLIAGE)], rules.foliage)
    form = form_probability(logits[len(FOLIAGE) :], rules.form)
    return foliage, form, verdict(foliage, form, rules.foliage, rules.form)


def _hand_back_memory() -> None:
    """Return what loading left in the heap (20 MB of each worker) to the system, where the C library can."""
    try:
        ctypes.CDLL(None).malloc_trim(0)
    except (AttributeError, OSError, TypeError):  # glibc has it; others need no reminding or have no way
        return


@lru_cache(maxsize=1)
def _load() -> Tagger:
    folder = resources.files(_HERE)
    try:
        card = load_card()
        weights = folder.joinpath(card.weights_file).read_bytes()
    except FileNotFoundError as error:
        raise EavefallError(
            "weights-missing", "This installation has no tagger weights.", "Install the package again."
        ) from error
    return Tagger(weights, card)
