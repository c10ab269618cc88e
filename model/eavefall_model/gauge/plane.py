"""Plane and scale with their uncertainty: every measure is taken under each pose that fits."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.pose import Pose

__all__ = ["Plane"]

FloatArray = NDArray[np.float64]
Measure = Callable[[Pose], float]


@dataclass(frozen=True)
class Plane:
    """Poses that explain the reference, with weights that add up to 1.

    ``rel_sd`` is what the reference's own size and height add to every length, relative. ``origin_px`` is the
    reference's middle in the photo.
    """

    poses: tuple[Pose, ...]
    weights: tuple[float, ...]
    rel_sd: float
    origin_px: tuple[float, float]

    @property
    def best(self) -> Pose:
        """The likeliest pose."""
        return self.poses[int(np.argmax(self.weights))]

    @property
    def tilt_deg(self) -> float:
        """Tilt, averaged over the poses."""
        return sum(w * pose.tilt_deg for w, pose in zip(self.weights, self.poses, strict=True))

    def mean_sd(self, measure: Measure) -> tuple[float, float]:
        """Mean and standard deviation of a length (mm) or scale (px/mm) over poses and within each.

        First-order propagation through the eight parameters of each pose, with the spread between poses and
        the reference's own relative error added in squares.
        """
        values, variances = [], []
        for pose in self.poses:
            here = measure(pose)
            shifts = [measure(pose.with_theta(pose.theta + shift)) - here for shift in pose.deviations()]
            values.append(here)
            variances.append(float(np.square(shifts).sum()))
        weights = np.array(self.weights)
        mean = float(weights @ values)
        between = float(weights @ np.square(np.array(values) - mean))
        within = float(weights @ variances)
        return mean, math.sqrt(between + within + (self.rel_sd * mean) ** 2)

    def mean(self, measure: Measure) -> float:
        """Mean over the poses only."""
        return sum(w * measure(pose) for w, pose in zip(self.weights, self.poses, strict=True))
