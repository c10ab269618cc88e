"""Times to need on cases with an answer by arithmetic, and in the right order."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files
from typing import Any

import numpy as np
import pytest

from eavefall_model.advice.outcome import Outcome, run
from eavefall_model.advice.rulebook import load_rules, parse_rules
from eavefall_model.litter.waiting import GuardTimes, guard_times, open_gutter
from eavefall_model.screens.guards import Surface, load_guards
from eavefall_model.shed.visits import GAP_MONTHS, YEARS, visits
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


MEAN = np.ones((2, 300, YEARS))


def courses(inside: np.ndarray, outlet: np.ndarray) -> np.ndarray:
    """Broadleaf litter into the gutter and to its outlet."""
    return np.stack([np.zeros(12), inside, np.zeros(12), outlet])


def test_an_open_gutter_takes_capacity_over_load_when_litter_comes_evenly() -> None:
    found = outcome()
    even = np.full(12, 1 / 12)
    load = np.full((300, 1), 0.5)
    _, times = open_gutter([load], [courses(even, np.zeros(12))], MEAN, found.capacity)
    cap = found.capacity
    # At the end of the month in which it is full; the last visit of the five years by how full it is then.
    whole = np.ceil(12 * cap.gutter_kg_m / (0.5 * cap.kept))
    whole = np.maximum(whole, GAP_MONTHS)
    near = (whole < 20) & (np.abs(whole - 12 * cap.gutter_kg_m / (0.5 * cap.kept)) > 1e-9)
    assert near.sum() > 100
    np.testing.assert_allclose(times.months[near], whole[near], rtol=0.12)
    assert (times.months[near] <= whole[near] + 1e-9).mean() > 0.3
    assert (times.first == 0).all()


def test_the_outlet_blocks_first_when_everything_catches_there() -> None:
    found = outcome()
    even = np.full(12, 1 / 12)
    _, times = open_gutter([np.full((300, 1), 0.1)], [courses(even, even * 50)], MEAN, found.capacity)
    assert (times.first == 2).all()


def surface(slope: str = "roof", slope_deg: float = 0.0, roughness: float = 0.1) -> Surface:
    return Surface.model_validate({"slope": slope, "slope_deg": slope_deg, "roughness": roughness})


def months(found: Outcome, face: Surface) -> GuardTimes:
    return guard_times(
        found.house,
        found.guards["woven_micromesh"].litter,
        found.sources.years,
        found.capacity,
        face,
        found.settings,
    )


def test_a_steeper_smoother_screen_waits_longer_for_the_same_litter() -> None:
    found = outcome()
    flat = months(found, surface("level", 0)).months
    sloped = months(found, surface("level", 25)).months
    rough = months(found, surface("level", 25, roughness=0.9)).months
    assert (sloped >= flat - 1e-9).all()
    assert (rough <= sloped + 1e-9).all()
    assert np.median(sloped) > 1.2 * np.median(flat)


def test_a_screen_that_lets_go_of_nothing_is_brushed_when_what_it_stops_has_gathered() -> None:
    # Nothing slides on, and what hardly clears itself lies as it came: the plain calendar of all that is
    # stopped.
    found = outcome(rules=RULES.replace("slides_over_share: {value: 0.6,", "slides_over_share: {value: 0.0,"))
    got = months(found, surface("level", 0.0, roughness=1.0)).months
    on_top = found.guards["woven_micromesh"].litter.surface
    least = visits(
        on_top, found.capacity.surface_kg_m, found.sources.years[[1, 0, 1, 1, 0]][:, :, None]
    ).months
    soon = least < 4
    assert soon.sum() > 20
    # What is stuck in the holes covers more than it weighs, so a little less than the plain course takes.
    assert 0.8 <= np.median(got[soon] / least[soon]) < 1.2


def test_more_on_the_screen_never_waits_longer() -> None:
    found = outcome()
    litter = found.guards["woven_micromesh"].litter
    last = months(found, surface()).months
    for factor in (1.5, 3.0, 10.0):
        more = replace(litter, surface=litter.surface * factor)
        now = guard_times(
            found.house, more, found.sources.years, found.capacity, surface(), found.settings
        ).months
        assert (now <= last + 1e-9).all()
        last = now
    none = replace(litter, surface=litter.surface * 0)
    assert (
        guard_times(found.house, none, found.sources.years, found.capacity, surface(), found.settings).months
        == 60
    ).all()


@pytest.mark.parametrize("kind", ["wire_netting", "perforated_panel", "woven_micromesh"])
def test_litter_is_split_without_loss(kind: Any) -> None:
    litter = outcome().guards[kind].litter
    on_top = litter.surface.sum(axis=(0, 3))
    np.testing.assert_allclose(litter.below + on_top, litter.year, rtol=1e-6)


def test_rules_are_the_shipped_ones() -> None:
    assert parse_rules(RULES).digest == load_rules().digest
