"""A gutter's section in millimeters, and where the eye is that sees its rims and its face at given angles.

x runs from the front rim towards the house, z up from the rims.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.errors import EavefallError, GaugeError
from eavefall_model.house.eave_arrays import GUTTER_DEPTH_SHARE
from eavefall_model.units import MM_PER_INCH, parse_length_m
from eavefall_model.vocabulary import PROFILES, Profile

Array = NDArray[np.float64]
# Sections as shares of the top opening's width and of the depth; usual shapes of the trade (common
# practice, no source).
_K_STYLE: Final = (
    (1.0, 0.0),
    (1.0, -1.0),
    (0.36, -1.0),
    (0.34, -0.6),
    (0.12, -0.42),
    (0.0, -0.25),
    (0.0, 0.0),
)
_BOX: Final = ((1.0, 0.0), (1.0, -1.0), (0.0, -1.0), (0.0, 0.0))
_ARC: Final = tuple(
    (0.5 + 0.5 * math.cos(turn), -math.sin(turn)) for turn in np.linspace(0, math.pi, 19).tolist()
)
_SECTIONS: Final = {"k_style": _K_STYLE, "box": _BOX, "half_round": _ARC}
# How far the front lip or bead reaches over the opening, as a share of its width (common practice, no
# source).
_LIP: Final = 0.09
_WIDTHS_MM: Final = (75.0, 260.0)
_LEAST_DEG, _MOST_DEG = 15.0, 80.0


@dataclass(frozen=True)
class GutterSize:
    """Profile, width of the top opening front to back, and depth, mm."""

    profile: Profile
    width_mm: float
    depth_mm: float

    @staticmethod
    def standard(profile: Profile, width_mm: float) -> GutterSize:
        """As deep as gutters of this profile and width are taken to be everywhere else."""
        return GutterSize(profile, width_mm, width_mm * GUTTER_DEPTH_SHARE[profile])

    @staticmethod
    def parse(text: str) -> GutterSize:
        """From ``k_style:5in``, ``half_round:6 in`` or ``box:125 mm``; raises ``gauge-reference-unknown``."""
        name, _, size = text.strip().lower().partition(":")
        profile = next((each for each in PROFILES if each == name), None)
        try:
            width_mm = 1000 * parse_length_m(size) if profile else 0.0
        except EavefallError:
            width_mm = 0.0
        if profile is None or not _WIDTHS_MM[0] <= width_mm <= _WIDTHS_MM[1]:
            raise GaugeError(
                "gauge-reference-unknown",
                f"{text!r} is no gutter that we know.",
                "Name its profile and the width of its opening: k_style:5in, half_round:6in or box:125mm.",
            )
        return GutterSize.standard(profile, width_mm)

    @property
    def name(self) -> str:
        """As :meth:`parse` reads it."""
        return f"{self.profile}:{self.width_mm / MM_PER_INCH:.3g}in"

    @property
    def lip_mm(self) -> float:
        """How far the front lip reaches over the opening."""
        return _LIP * self.width_mm

    def section_mm(self) -> Array:
        """The sheet from the back rim round the bottom to the front rim, (N, 2)."""
        return np.array(_SECTIONS[self.profile]) * [self.width_mm, self.depth_mm]

    def back_x_mm(self, z_mm: Array) -> Array:
        """x of the back wall at heights ``z_mm``, at most 0."""
        if self.profile != "half_round":
            return np.full_like(z_mm, self.width_mm)
        low = np.clip(-z_mm / self.depth_mm, 0, 1)
        return np.asarray(self.width_mm / 2 * (1 + np.sqrt(1 - low**2)))

    def front_x_mm(self, z_mm: Array) -> Array:
        """x of the front wall at heights ``z_mm``, at most 0."""
        if self.profile == "half_round":
            return np.asarray(self.width_mm - self.back_x_mm(z_mm))
        front = self.section_mm()[2:]
        return np.asarray(np.interp(z_mm, front[:, 1], front[:, 0]))


@dataclass(frozen=True)
class Eye:
    """Where the eye is in the plane of the section, mm, and the angle at which it sees the back rim, rad."""

    x_mm: float
    z_mm: float
    back_rad: float
    misfit_rad: float

    @property
    def elevation_deg(self) -> float:
        """How far above the level the eye is over the front rim."""
        return math.degrees(math.atan2(self.z_mm, -self.x_mm))

    def depth_below_rim_mm(self, size: GutterSize, below_back_rad: float) -> float:
        """Where a ray that runs ``below_back_rad`` under the back rim meets the back wall, mm below the
        rim; more than the depth where it meets the bottom first."""
        z: Array = np.asarray(-np.linspace(0, 1, 400) * size.depth_mm, np.float64)
        x = size.back_x_mm(z)
        angle = np.arctan2(z - self.z_mm, x - self.x_mm)
        # Round sections turn back at the bottom: the first crossing counts.
        at = int(np.argmax(angle <= self.back_rad - below_back_rad))
        if angle[at] > self.back_rad - below_back_rad:
            return 1.05 * size.depth_mm
        return float(-z[at])


def find_eye(size: GutterSize, opening_rad: float, face_rad: float) -> Eye:
    """The eye that sees the opening (back rim to lip) and the face (lip to its lowest visible edge) under
    these angles.

    Two angles fix two coordinates: the nearest on a grid over elevation and distance, twice refined.
    """
    outline = size.section_mm()
    elevation, away = math.radians(45), 500.0
    half_turn, ratio = math.radians(34), 8.0
    best = (0.0, 0.0, 0.0, math.inf)
    for _ in range(5):
        turns = np.clip(
            elevation + half_turn * np.linspace(-1, 1, 41), math.radians(_LEAST_DEG), math.radians(_MOST_DEG)
        )
        aways = away * ratio ** np.linspace(-1, 1, 41)
        turn, far = (each.ravel() for each in np.meshgrid(turns, aways))
        x, z = size.width_mm / 2 - far * np.cos(turn), far * np.sin(turn)
        angles = np.arctan2(outline[:, 1][:, None] - z, outline[:, 0][:, None] - x)
        lip = np.arctan2(-z, size.lip_mm - x)
        back = angles[0]
        opening, face = back - lip, lip - angles.min(axis=0)
        misfit = np.hypot(np.log(opening / opening_rad), np.log(np.maximum(face, 1e-4) / face_rad))
        at = int(misfit.argmin())
        best = (float(x[at]), float(z[at]), float(back[at]), float(misfit[at]))
        elevation, away = float(turn[at]), float(far[at])
        half_turn, ratio = half_turn / 6, ratio ** (1 / 5)
    return Eye(*best)
