"""What the net must beat: the majority class, and colour and texture statistics with logistic regression."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from eavefall_model.tags.preprocess import to_square
from eavefall_training.pack import HELD_OUT, Pack

__all__ = ["colour_texture", "majority_scores", "statistics_scores"]


def colour_texture(rgb: NDArray[np.uint8]) -> NDArray[np.float64]:
    """46 numbers: mean, spread and eight-bin histogram of hue, saturation and value; gradients by direction
    and scale."""
    small = to_square(rgb, 128)
    hsv = cv2.cvtColor(small, cv2.COLOR_RGB2HSV).astype(np.float32)
    out: list[float] = []
    for channel, top in zip(range(3), (180.0, 256.0, 256.0), strict=True):
        values = hsv[..., channel] / top
        out += [float(values.mean()), float(values.std())]
        out += (np.histogram(values, bins=8, range=(0, 1))[0] / values.size).tolist()
    grey = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY).astype(np.float32) / 255
    for _ in range(2):
        gx, gy = cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)
        size, angle = np.hypot(gx, gy), np.arctan2(gy, gx) % np.pi
        by_direction = np.histogram(angle, bins=6, range=(0, np.pi), weights=size)[0] / size.size
        out += [float(size.mean()), float(size.std()), *by_direction.tolist()]
        grey = cv2.pyrDown(grey).astype(np.float32)
    return np.array(out)


def majority_scores(pack: Pack) -> NDArray[np.float64]:
    """Needle-minus-broad score of a guesser that always says the commoner class (broad)."""
    return np.full(len(pack), -1.0)


def statistics_scores(pack: Pack) -> NDArray[np.float64]:
    """Needle-minus-broad scores, each picture from a model that never saw its fold; photos only."""
    features = np.stack([colour_texture(pack.pixels(i)) for i in range(len(pack))])
    single = pack.foliage[:, 0] != pack.foliage[:, 1]
    usable = single & (np.array(pack.kinds) == "photo")
    score = np.full(len(pack), np.nan)
    for k in [*range(int(pack.fold.max()) + 1), HELD_OUT]:
        learn = usable & (pack.fold != k) & (pack.fold != HELD_OUT)
        model = make_pipeline(
            StandardScaler(), LogisticRegression(C=0.1, class_weight="balanced", max_iter=2000)
        )
        model.fit(features[learn], pack.foliage[learn, 0])
        score[pack.fold == k] = model.decision_function(features[pack.fold == k])
    return score
