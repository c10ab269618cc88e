"""What a tree may be: species over form over photos, site photos where there are none of it, gauges."""

from __future__ import annotations

from typing import Any, Literal

import pytest

from eavefall_model.advice.assess import assess
from eavefall_model.errors import SurveyError
from eavefall_model.gauge.schema import GaugeResult, GaugeSummary
from eavefall_model.house.place_photos import PHOTO_TREE, with_photo_trees
from eavefall_model.house.tree_kinds import gather
from eavefall_model.survey import Survey
from eavefall_model.tags.schema import FoliageVerdict, PhotoQuality, PhotoTags, Verdict
from eavefall_model.vocabulary import FORMS


def tag(photo: str, needle: float, broad: float, bare: float = 0.02, **forms: float) -> PhotoTags:
    rest = (1 - sum(forms.values())) / (5 - len(forms))
    return PhotoTags(
        photo=photo,
        sha256=photo * 4,
        foliage={"needle": needle, "broad": broad, "bare": bare},
        form={form: forms.get(form, rest) for form in FORMS},
        verdict=Verdict(
            foliage=FoliageVerdict(needle="unsure", broad="unsure", bare="unsure"),
            form="unsure",
            form_set=FORMS,
        ),
        quality=PhotoQuality(width_px=999, height_px=999, sharpness=1, exposure=0.5, clipped=0, problems=()),
        model="test",
    )


def gauge(photo: str, p5: float, sd: float = 0.06, n: int = 30) -> GaugeResult:
    summary = GaugeSummary(
        n=n, n_complete=n, length_p5_mm=90, length_median_mm=110, length_p95_mm=130, width_p5_mm=p5,
        width_median_mm=p5 * 1.1, width_p95_mm=p5 * 1.2, width_sd_mm=sd, needles_per_bundle=None,
        form="long_needle",
        refusing_opening_mm=None, refusing_designation=None,
    )  # fmt: skip
    return GaugeResult(
        photo=photo, sha256="0", reference="card", px_per_mm=30, px_per_mm_sd=0.1, tilt_deg=2, needles=(),
        summary=summary, refused=None, version="test",
    )  # fmt: skip


def survey(*trees: dict[str, Any], photos: tuple[dict[str, Any], ...] = ()) -> Survey:
    eave = {"name": "back", "length": "12 m", "roof_run": "5 m", "pitch": "6/12", "facing": "N"}
    near = {"distance": "4 m", "height": "22 m", "crown_radius": "5 m", "count": 4, "eave": "back"}
    return Survey.model_validate(
        {"name": "h", "eaves": [eave], "trees": [{**near, **tree} for tree in trees], "photos": list(photos)}
    )


Answer = Literal["yes", "no", "unsure"]
PINE_PHOTO = tag("p.jpg", 0.98, 0.03, long_needle=0.9)
OAK_PHOTO = tag("o.jpg", 0.03, 0.98, broad_leaf=0.9)


def test_species_over_form_over_photos_over_nothing() -> None:
    photos = ({"file": "p.jpg", "of": "d"},)
    found = gather(
        survey(
            {"name": "a", "species": "red oak", "form": "long_needle"},
            {"name": "b", "form": "short_needle"},
            {"name": "c", "foliage": "broad"},
            {"name": "d"},
            {"name": "e"},
            photos=photos,
        ),
        {"p.jpg": PINE_PHOTO},
        {},
    )
    assert [each.known for each in found] == ["species", "form", "foliage", "photos", "nothing"]
    assert found[0].candidates[0].taxon.name == "Quercus rubra"
    assert found[1].candidates[0].taxon.form == "short_needle"
    assert found[2].needle_chance == 0
    assert found[3].needle_chance > 0.9
    assert 0.3 < found[4].needle_chance < 0.6
    for each in found:
        assert sum(candidate.chance for candidate in each.candidates) == pytest.approx(1)


def test_site_photos_speak_for_trees_without_their_own() -> None:
    photos = ({"file": "o.jpg"}, {"file": "p.jpg", "of": "b"})
    found = gather(
        survey({"name": "a"}, {"name": "b"}, photos=photos), {"p.jpg": PINE_PHOTO, "o.jpg": OAK_PHOTO}, {}
    )
    assert found[0].needle_chance < 0.1
    assert found[1].needle_chance > 0.9


def test_photos_of_pines_and_of_oaks_change_the_class() -> None:
    photos = ({"file": "x.jpg", "of": "a"},)
    pines = assess(survey({"name": "a"}, photos=photos), {"x.jpg": PINE_PHOTO}, draws=500)
    oaks = assess(survey({"name": "a"}, photos=photos), {"x.jpg": OAK_PHOTO}, draws=500)
    assert pines.fineness_class == "extra-fine"
    assert oaks.fineness_class in ("open", "coarse", "medium")


def sure(photo: PhotoTags, needle: Answer, broad: Answer) -> PhotoTags:
    """The same photo with an answer."""
    foliage = FoliageVerdict(needle=needle, broad=broad, bare="no")
    return photo.model_copy(update={"verdict": photo.verdict.model_copy(update={"foliage": foliage})})


def test_photos_that_contradict_each_other_are_named() -> None:
    tags = {"p.jpg": sure(PINE_PHOTO, "yes", "no"), "o.jpg": sure(OAK_PHOTO, "no", "yes")}
    photos = ({"file": "p.jpg", "of": "a"}, {"file": "o.jpg", "of": "a"})
    advice = assess(survey({"name": "a"}, photos=photos), tags, draws=300)
    assert set(advice.check_photos) == {"p.jpg", "o.jpg"}
    sentence = next(reason.sentence for reason in advice.reasons if reason.rule == "photos-disagree")
    assert "o.jpg" in sentence
    assert "p.jpg" in sentence


def test_a_leafless_crown_is_broadleaf_or_larch() -> None:
    bare = tag("x.jpg", 0.02, 0.05, 0.97, long_needle=0.5)
    (found,) = gather(survey({"name": "a"}, photos=({"file": "x.jpg", "of": "a"},)), {"x.jpg": bare}, {})
    assert found.needle_chance < 0.25


def test_a_tree_seen_but_not_listed_is_added_with_wide_defaults() -> None:
    empty = survey(photos=({"file": "p.jpg"},))
    assert with_photo_trees(empty, {"p.jpg": PINE_PHOTO}).trees[0].name == PHOTO_TREE
    assert with_photo_trees(empty, {"p.jpg": tag("p.jpg", 0.1, 0.1, 0.1)}).trees == ()
    advice = assess(empty, {"p.jpg": PINE_PHOTO}, draws=300)
    assert advice.interval_unguarded_months.typical < 60
    assert {"trees[0].distance", "trees[0].count"} <= {assumed.field for assumed in advice.assumed}


def test_an_unknown_species_is_named_with_its_field() -> None:
    with pytest.raises(SurveyError) as caught:
        assess(survey({"name": "a", "species": "Pinus strobbus"}), draws=50)
    assert caught.value.field == "trees[0].species"
    assert "Pinus strobus" in caught.value.hint


def test_a_gauge_overrules_the_table_by_its_precision() -> None:
    photos = ({"file": "g.jpg", "of": "a", "shows": "gauge", "reference": "card"},)
    unknown = survey({"name": "a", "form": "long_needle"}, photos=photos)
    assert assess(unknown, draws=500).fineness_class == "extra-fine"
    thick = assess(unknown, {}, {"g.jpg": gauge("g.jpg", 1.45)}, draws=500)
    assert thick.fineness_class == "medium"
    assert "measured-needles-overrule" in {reason.rule for reason in thick.reasons}
    thin = assess(unknown, {}, {"g.jpg": gauge("g.jpg", 0.55)}, draws=500)
    assert thin.fineness_class == "extra-fine"
    # A poor measurement moves a known species little, a good one far.
    known = survey({"name": "a", "species": "Pinus taeda"}, photos=photos)
    poor = assess(known, {}, {"g.jpg": gauge("g.jpg", 1.5, sd=0.6, n=2)}, draws=500)
    good = assess(known, {}, {"g.jpg": gauge("g.jpg", 1.5, sd=0.05, n=60)}, draws=500)

    def thinnest(advice: Any) -> float:
        reason = next(each for each in advice.reasons if each.rule == "thinnest-needle-decides")
        return float(next(each.value for each in reason.figures if each.name == "thin_needle_mm"))

    assert thinnest(poor) < 1.1 < 1.35 < thinnest(good)


def test_a_gauge_photo_tells_needles_where_nothing_else_does() -> None:
    photos = ({"file": "g.jpg", "shows": "gauge", "reference": "card"},)
    (found,) = gather(survey({"name": "a"}, photos=photos), {}, {"g.jpg": gauge("g.jpg", 1.2)})
    assert found.needle_chance == 1
    assert found.candidates[0].taxon.form == "long_needle"


def test_an_unknown_tree_is_unsure_and_the_photo_is_asked_for() -> None:
    advice = assess(survey({"name": "a"}), draws=800)
    assert advice.fineness_class == "unsure"
    assert advice.opening_mm is None
    assert any("find out what kind a is" in next_.sentence.lower() for next_ in advice.measure_next)
    assert advice.flips == ()
