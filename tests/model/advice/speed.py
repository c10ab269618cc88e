"""How long one answer takes: six eaves, twenty trees, 2,000 draws. Nothing here is a test.

python tests/model/advice/speed.py             processor seconds, without and with a history
python tests/model/advice/speed.py --profile   where they go
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import time
from typing import Any, Final

from eavefall_model.advice.assess import assess
from eavefall_model.survey import Survey

KINDS: Final = (
    "Pinus strobus", "Quercus rubra", "Acer rubrum", "Picea abies", "Betula papyrifera", "Pinus taeda",
    "Gleditsia triacanthos", "Thuja occidentalis", "Platanus x acerifolia", "Tilia cordata",
)  # fmt: skip
HISTORY: Final = {"last_cleaned_months_ago": 7, "now_full_fifths": 3, "overflowed": False}


def house(history: dict[str, Any]) -> Survey:
    """A large house: six eaves, two to a side where there is room, and twenty trees of ten kinds."""
    eaves = [
        {
            "name": f"eave {at}", "length": f"{8 + at} m", "height": f"{3 + at % 2 * 2.5} m",
            "roof_run": "5 m", "pitch": f"{4 + at}/12", "facing": 90 * at % 360, "roof": "shingle",
            "gutter": {"profile": "k_style", "width": "5 in"},
        }
        for at in range(6)
    ]  # fmt: skip
    trees = [
        {
            "name": f"tree {at}", "species": KINDS[at % len(KINDS)], "distance": f"{3 + at * 0.9:.1f} m",
            "height": f"{12 + at % 7} m", "eave": f"eave {at % 6}",
        }
        for at in range(20)
    ]  # fmt: skip
    wind = {"from": "W", "prevails": "clearly"}
    return Survey.model_validate(
        {"name": "large house", "month": 6, "eaves": eaves, "trees": trees, "wind": wind, "history": history}
    )


def main() -> None:
    """Print what was asked for."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--profile", action="store_true")
    parser.add_argument("--runs", type=int, default=5)
    asked = parser.parse_args()
    surveys = {"without a history": house({}), "with a history": house(HISTORY)}
    for survey in surveys.values():
        assess(survey)  # tables are read once
    for name, survey in surveys.items():
        if asked.profile:
            profile = cProfile.Profile()
            profile.runcall(assess, survey)
            print(name)
            pstats.Stats(profile).sort_stats("cumulative").print_stats(35)
            continue
        spent = []
        for _ in range(asked.runs):
            before = time.process_time()
            assess(survey)
            spent.append(time.process_time() - before)
        print(f"{name}: {min(spent):.2f} to {max(spent):.2f} s of one processor ({asked.runs} runs)")


if __name__ == "__main__":
    main()
