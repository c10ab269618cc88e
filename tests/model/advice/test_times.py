"""Times to need on cases with an answer by arithmetic, and in the right order."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files
from typing import Any

import numpy as np
import pytest

from eavefall_model.advice.outcome import Outcome, run
from eavefall_model.advice.rulebook import load_rules, parse_rules
from eavefall_model.advice.times import GuardTimes, guard_times, open_gutter
from eavefall_model.screens.guards import Surface, load_guards
from eavefall_model.shed.months import months_to_gather
from eavefall_model.survey import Survey

RULES = files("eavefall_model.advice").joinpath("rules.yaml").read_text(encoding="utf-8")


def outcome(pitch: str = "6/12", species: str = "Pinus strobus", rules: str = RULES) -> Outcome:
    survey = Survey.model_validate(
        {
            "name": "h",
            "eaves": [{"name": "back", "length": "12 m", "roof_run": "5 m", "pitch": pitch, "facing": "N"}],
            "trees": [
                {
                    "name": "t",
                    "species": species,
                    "distance": "4 m",
                    "height": "20 m",
                    "crown_radius": "5 m",
                    "count": 4,
                }
            ],
        }
    )
    return run(survey, {}, {}, parse_rules(rules), load_guards(), seed=0, draws=300)


def test_an_open_gutter_takes_capacity_over_load_when_litter_comes_evenly() -> None:
    found = outcome()
    even = np.full(12, 1 / 12)
    load = np.full((300, 1), 0.5)
    _, times = open_gutter([load], [(even, np.zeros(12))], found.capacity)
    cap = found.capacity
    expected = 12 * cap.gutter_kg_m / (0.5 * cap.kept)
    near = expected < 60
    np.testing.assert_allclose(times.months[near], expected[near], rtol=1e-9)
    assert (times.first == 0).all()


def test_the_outlet_blocks_first_when_everything_catches_there() -> None:
    found = outcome()
    even = np.full(12, 1 / 12)
    _, times = open_gutter([np.full((300, 1), 0.5)], [(even, even * 50)], found.capacity)
    assert (times.first == 2).all()


def surface(slope: str = "roof", slope_deg: float = 0.0, roughness: float = 0.1) -> Surface:
    return Surface.model_validate({"slope": slope, "slope_deg": slope_deg, "roughness": roughness})


def months(found: Outcome, face: Surface) -> GuardTimes:
    return guard_times(
        found.site, found.guards["woven_micromesh"].litter, found.capacity, face, found.settings
    )


def test_a_steeper_smoother_screen_waits_longer_for_the_same_litter() -> None:
    found = outcome()
    flat = months(found, surface("level", 0)).months
    sloped = months(found, surface("level", 25)).months
    rough = months(found, surface("level", 25, roughness=0.9)).months
    assert (sloped >= flat - 1e-9).all()
    assert (rough <= sloped + 1e-9).all()
    assert np.median(sloped) > 1.2 * np.median(flat)


def test_a_screen_never_beats_one_that_lets_go_of_nothing_by_arithmetic() -> None:
    # Nothing slides on and a level rough face clears little: near, and not below, what plain gathering takes.
    found = outcome(rules=RULES.replace("slides_over_share: {value: 0.6,", "slides_over_share: {value: 0.0,"))
    got = months(found, surface("level", 0.0, roughness=1.0)).months
    litter = np.sum(found.guards["woven_micromesh"].litter.surface, axis=0)
    least = months_to_gather(litter, found.capacity.surface_kg_m)
    soon = least < 3
    assert soon.sum() > 50
    assert np.median(got[soon] / least[soon]) == pytest.approx(1.1, abs=0.15)


def test_more_on_the_screen_never_waits_longer() -> None:
    found = outcome()
    litter = found.guards["woven_micromesh"].litter
    last = months(found, surface()).months
    for factor in (1.5, 3.0, 10.0):
        more = replace(litter, surface=tuple(each * factor for each in litter.surface))
        now = guard_times(found.site, more, found.capacity, surface(), found.settings).months
        assert (now <= last + 1e-9).all()
        last = now
    none = replace(litter, surface=tuple(each * 0 for each in litter.surface))
    assert (guard_times(found.site, none, found.capacity, surface(), found.settings).months == 60).all()


@pytest.mark.parametrize("kind", ["wire_netting", "perforated_panel", "woven_micromesh"])
def test_litter_is_split_without_loss(kind: Any) -> None:
    litter = outcome().guards[kind].litter
    on_top = np.sum([each.sum(axis=2) for each in litter.surface], axis=0)
    np.testing.assert_allclose(litter.below + on_top, litter.year, rtol=1e-6)


def test_rules_are_the_shipped_ones() -> None:
    assert parse_rules(RULES).digest == load_rules().digest
