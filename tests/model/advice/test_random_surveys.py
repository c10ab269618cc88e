"""Random surveys, sensible and silly, give finite, ordered, valid answers.

The environment variable EAVEFALL_RANDOM_SURVEYS sets how many.
"""

from __future__ import annotations

import os
from typing import Any

import numpy as np
import pytest

from eavefall_model.advice.assess import assess
from eavefall_model.advice.validate import faults
from eavefall_model.species.table import load_taxa
from eavefall_model.survey import Survey

COUNT = int(os.environ.get("EAVEFALL_RANDOM_SURVEYS", "120"))
NAMES = sorted(load_taxa())


def random_survey(rng: np.random.Generator) -> dict[str, Any]:
    """Any fields given or left out, any values the survey format allows, from nothing to absurd."""

    def maybe(value: Any, chance: float = 0.6) -> Any:
        return value if rng.random() < chance else None

    def pick(*choices: Any) -> Any:
        return choices[int(rng.integers(len(choices)))]

    def meters(high: float) -> str:
        return f"{high * rng.random() ** 2:.4f} m"

    def only(fields: dict[str, Any]) -> dict[str, Any]:
        return {key: value for key, value in fields.items() if value not in (None, {})}

    eaves = []
    for at in range(int(rng.integers(1, 7))):
        gutter = only(
            {
                "profile": maybe(pick("half_round", "k_style", "box")),
                "width": maybe(f"{rng.integers(0, 300)} mm"),
                "depth": maybe(f"{rng.integers(0, 200)} mm", 0.2),
                "condition": maybe(pick("sound", "worn", "failing")),
            }
        )
        spout = only(
            {
                "outlets": int(rng.integers(1, 5)),
                "size": maybe(f"{rng.integers(0, 150)} mm"),
                "shape": maybe(pick("round", "rectangular")),
            }
        )
        eaves.append(
            only(
                {
                    "name": f"eave {at}",
                    "length": maybe(meters(40)),
                    "height": maybe(meters(12)),
                    "roof_run": maybe(meters(15)),
                    "pitch": maybe(f"{80 * rng.random():.2f} deg"),
                    "facing": maybe(int(rng.integers(360))),
                    "roof": maybe(pick("shingle", "tile", "metal", "slate", "wood", "membrane")),
                    "shaded_or_mossy": maybe(pick(True, False)),
                    "gutter": gutter,
                    "downspout": maybe(spout),
                    "inside_corners": int(rng.integers(3)),
                }
            )
        )
    trees = [
        only(
            {
                "name": f"tree {at}",
                "count": int(rng.integers(1, 12)),
                "species": maybe(NAMES[int(rng.integers(len(NAMES)))], 0.5),
                "form": maybe(
                    pick("long_needle", "short_needle", "scale_leaf", "broad_leaf", "small_leaflet"), 0.4
                ),
                "foliage": maybe(pick("needle", "broad", "bare"), 0.4),
                "distance": maybe(meters(80)),
                "height": maybe(meters(50)),
                "crown_radius": maybe(meters(20)),
                "overhang": maybe(meters(6), 0.3),
                "bearing": maybe(int(rng.integers(360))),
                "eave": maybe(f"eave {int(rng.integers(len(eaves)))}"),
            }
        )
        for at in range(int(rng.integers(0, 6)))
    ]
    tests = []
    if trees and rng.random() < 0.2:
        dropped = int(rng.integers(1, 200))
        passed = int(rng.integers(0, dropped + 1))
        tests.append(
            {
                "opening_mm": float(np.round(0.2 + 6 * rng.random(), 2)),
                "dropped": dropped,
                "passed": passed,
                "tree": maybe("tree 0"),
            }
        )
    return only(
        {
            "name": "random",
            "hemisphere": pick("north", "south"),
            "eaves": eaves,
            "trees": trees,
            "wind": only(
                {
                    "from": maybe(int(rng.integers(360))),
                    "prevails": maybe(pick("weakly", "clearly", "strongly")),
                }
            ),
            "rain": only({"intensity": maybe(f"{rng.integers(20, 400)} mm/h")}),
            "household": only(
                {
                    "cleanings_per_year": maybe(float(np.round(6 * rng.random(), 1)), 0.4),
                    "accepts_brushing": maybe(pick(True, False)),
                    "ladder_reach": maybe(pick(True, False)),
                }
            ),
            "wildfire": maybe(pick(True, False), 0.3),
            "drop_tests": [only(test) for test in tests],
        }
    )


@pytest.mark.parametrize("block", range(10))
def test_random_surveys_give_finite_ordered_answers(block: int) -> None:
    rng = np.random.default_rng(2026 + block)
    for _ in range(COUNT // 10):
        data = random_survey(rng)
        advice = assess(Survey.model_validate(data), draws=24)
        assert faults(advice) == (), data
        assert faults(advice.model_dump(mode="json")) == (), data
        assert {reason.mark for reason in advice.reasons} <= {
            "found", "from memory", "judgement", "common practice, no source",
        }  # fmt: skip
