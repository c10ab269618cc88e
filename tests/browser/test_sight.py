"""Measuring with the phone in Chromium: emulated tilt and compass, no signal, fingers or keys only."""

from __future__ import annotations

import io
import math
import random
import re

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import expect

from eavefall_model.sighting.angles import height_from_angles
from eavefall_model.sighting.measured import Measured, bearing_taken_text, usual_sd_m
from eavefall_model.survey import TakenBearing, Tree
from eavefall_service.web.pages import told_measure

from .test_rep import send_now, survey_kept_on_phone

pytestmark = pytest.mark.browser
PACE_FT = 2.5


class Phone:
    """The page of a person whose phone can be pointed: elevation and magnetic heading of its back."""

    def __init__(self, person):
        self.person, self.page = person, person.page
        self.devtools = person.context.new_cdp_session(person.page)
        for kind in ("absolute-orientation", "relative-orientation"):
            there = {"enabled": True, "type": kind, "metadata": {"available": True}}
            self.devtools.send("Emulation.setSensorOverrideEnabled", there)

    def point(self, elevation_deg, heading_deg=0.0):
        # Held upright: beta is 90 level and grows as one looks up, alpha counts the other way round.
        turn, tip = math.radians(-heading_deg) / 2, math.radians(90 + elevation_deg) / 2
        turned = {
            "x": math.sin(tip) * math.cos(turn), "y": math.sin(tip) * math.sin(turn),
            "z": math.cos(tip) * math.sin(turn), "w": math.cos(tip) * math.cos(turn),
        }  # fmt: skip
        for kind in ("absolute-orientation", "relative-orientation"):
            reading = {"type": kind, "reading": {"quaternion": turned}}
            self.devtools.send("Emulation.setSensorOverrideReadings", reading)
        self.page.wait_for_timeout(500)  # older readings than this are no longer looked at


def test_the_pages_formulas_are_the_servers(make_person):
    """Same heights, errors and words from sight.js as from the Python, over random readings."""
    page = make_person().page
    page.goto("/sign-in")
    draw = random.Random(20263)
    cases = [
        {
            "distance": draw.uniform(2, 40),
            "how": draw.choice(["taped", "paced"]),
            "tops": [draw.uniform(5, 65) for _ in range(draw.choice([1, 2, 3, 4]))],
            "bases": [draw.uniform(-40, 4) for _ in range(draw.choice([1, 3]))],
        }
        for _ in range(200)
    ]
    found = page.evaluate(
        """async (cases) => {
          const sight = await import("/static/sight.js");
          return cases.map((each) => {
            const sd = sight.usualSd(each.how, each.distance);
            const height = sight.heightFromAngles(each.distance, sd, each.tops, each.bases);
            const say = (units) =>
              `${sight.lengthText(height.value, units)}, by angle, ± ${sight.sdText(height.sd, units)}`;
            return { ...height, us: say("us"), metric: say("metric") };
          });
        }""",
        cases,
    )
    for case, said in zip(cases, found, strict=True):
        away = Measured(case["distance"], usual_sd_m(case["how"], case["distance"]), case["how"])
        true = height_from_angles(away, case["tops"], case["bases"])
        assert said["value"] == pytest.approx(true.value_m, rel=1e-12)
        assert said["sd"] == pytest.approx(true.sd_m, rel=1e-12)
        taken = {"height": {"how": "angle", "sd": f"{true.sd_m:.12f} m"}}
        tree = Tree.model_validate({"name": "-", "height": f"{true.value_m:.12f} m", "taken": taken})
        for units in ("us", "metric"):
            words = told_measure(tree, "height", units).replace("\u00a0", " ")
            assert words == said[units]


def test_where_the_back_of_the_phone_points(make_person):
    """Against rotation matrices multiplied out, for phones held in any way; and the upright cases by hand."""
    page = make_person().page
    page.goto("/sign-in")
    draw = random.Random(7)
    held = [[draw.uniform(0, 360), draw.uniform(-180, 180), draw.uniform(-90, 90)] for _ in range(100)]
    held += [[0, 90, 0], [270, 90, 0], [0, 120, 0], [0, 60, 0]]
    found = page.evaluate(
        """async (held) => {
          const sight = await import("/static/sight.js");
          return held.map(([a, b, c]) => [sight.elevation(b, c), sight.heading(a, b, c)]);
        }""",
        held,
    )
    for angles, (elevation, heading) in zip(held, found, strict=True):
        a, b, c = (math.radians(each) for each in angles)
        turn = np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1]])
        tip = np.array([[1, 0, 0], [0, math.cos(b), -math.sin(b)], [0, math.sin(b), math.cos(b)]])
        roll = np.array([[math.cos(c), 0, math.sin(c)], [0, 1, 0], [-math.sin(c), 0, math.cos(c)]])
        east, north, up = turn @ tip @ roll @ [0, 0, -1]
        assert elevation == pytest.approx(math.degrees(math.asin(up)), abs=1e-6)
        off = (heading - math.degrees(math.atan2(east, north)) + 540) % 360 - 180
        assert off == pytest.approx(0, abs=1e-6)
    # Level to the north, level to the east, up 30, down 30.
    assert [round(each[0]) for each in found[-4:]] == [0, 0, 30, -30]
    assert [round(each[1]) % 360 for each in found[-4:]] == [0, 90, 0, 0]


def house_front(size=(1200, 900), ahead_m=12.0, eave_m=3.0, held_m=1.5):
    """A flat house front with a door, as a level 26 mm camera sees it: JPEG, and pixels of points on it."""
    focal = 26 / math.hypot(36, 24) * math.hypot(*size)

    def at(right, up, ahead=ahead_m):
        return size[0] / 2 + focal * right / ahead, size[1] / 2 - focal * (up - held_m) / ahead

    pixels = np.full((size[1], size[0], 3), (190, 215, 235), np.uint8)

    def box(left, right, low, high, color):
        (x0, y1), (x1, y0) = at(left, low), at(right, high)
        pixels[int(y0) : int(y1), int(x0) : int(x1)] = color

    pixels[int(at(0, 0)[1]) :] = (90, 130, 70)
    box(-5, 5, 0, eave_m, (205, 190, 160))
    box(-0.45, 0.45, 0, 2.032, (110, 60, 40))
    buffer = io.BytesIO()
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = 26
    Image.fromarray(pixels).save(buffer, "JPEG", exif=exif)
    return buffer.getvalue(), at


def document(person, survey):
    """The survey as the server has it; asked beside the page, which may be loading anew."""
    return person.context.request.get(f"/api/1/surveys/{survey}").json()["document"]


def meters(text):
    return float(text.split()[0])


def test_an_overhang_is_tapped_on_the_gable_and_paced_below(make_person, tmp_path):
    """Both eaves, the tip of the crown, and how far along the roof it hangs, 12 m from the wall."""
    rita = make_person()
    rita.sign_in("rita")
    survey, page = rita.new_survey("Gable"), rita.page
    rita.context.request.post(f"/rep/{survey}/trees", form={"key": "Oak", "name": "Oak"})
    data, at = house_front(eave_m=4.0)
    photo = tmp_path / "gable.jpg"
    photo.write_bytes(data)
    page.goto(f"/rep/{survey}/taps")
    page.select_option("#tap-target", label="Oak: overhang past the eave")
    expect(page.locator("#tap-how-gable")).to_be_visible()
    expect(page.locator("#tap-behind")).to_contain_text("Pace along the eave")
    page.set_input_files("#tap-choose", photo)
    canvas = page.locator("#tap-photo")
    points = [at(0, 2.032), at(0, 0), at(5, 4.0, 11.55), at(-3, 4.0, 11.55), at(0, 6.0, 14.0)]
    for number, (x, y) in enumerate(points, 1):
        expect(page.locator("#tap-step")).to_contain_text(f"{number} of 5")
        canvas.scroll_into_view_if_needed()
        box = canvas.bounding_box()
        page.mouse.click(box["x"] + x / 1200 * box["width"], box["y"] + y / 900 * box["height"])
    rita.shot("sight-gable")
    page.click("#tap-done")
    expect(page.locator("#measure-said")).to_contain_text("Pace along the eave")
    page.fill("#tap-far", "2 m")
    page.click("#tap-done")
    expect(page.locator("#measured")).to_contain_text("by photo")
    expect(page.locator("#queue")).to_be_hidden()
    assert meters(document(rita, survey)["trees"][0]["overhang"]) == pytest.approx(3, rel=0.06)


def test_two_trees_and_an_eave_without_signal_and_without_typing_a_number(make_person, wire, tmp_path):
    """Plan by finger, heights by tilt, directions by compass, eave by photo: all offline, then sent."""
    rita = make_person(keeps_pages=True)
    survey, page = survey_kept_on_phone(rita, "Out of reach"), rita.page
    page.evaluate(
        f"""fetch('/rep/{survey}/site', {{ method: 'POST', headers: {{ Accept: 'application/json' }},
              body: new URLSearchParams({{ place: 'WA|Seattle' }}) }}).then((answer) => answer.status)"""
    )
    page.goto(f"/rep/{survey}/angles")  # kept with the place's declination
    rita.until("document.documentElement.dataset.kept === '1'")
    wire.cut()

    # The plan: an eave along the north wall, a tree 7 m before it and one at its west end.
    page.goto(f"/rep/{survey}/plan")
    plan = page.locator("#plan")
    expect(plan.locator("[data-kind=eaves]")).to_have_count(1)

    def spot(east, north):
        return plan.evaluate(
            """(svg, [east, north]) => {
              const there = new DOMPoint(east, -north).matrixTransform(svg.getScreenCTM());
              return [there.x, there.y];
            }""",
            [east, north],
        )

    plan.scroll_into_view_if_needed()
    page.click("[data-mode=eave]")
    page.mouse.move(*spot(-6, 4))
    page.mouse.down()
    page.mouse.move(*spot(0, 4))
    page.mouse.move(*spot(6, 4))
    page.mouse.up()
    expect(page.locator("#measured")).to_contain_text("faces N (waits for signal)")
    for count, place in enumerate(((0, 9), (-6, 14)), 1):
        page.click("[data-mode=tree]")
        page.mouse.click(*spot(*place))
        expect(page.locator("#measured")).to_contain_text(f"Tree {count}: distance")
        expect(page.locator("#queue-title")).to_have_text(f"Waiting to be sent: {1 + count}")
    # Dragged 2 m farther north.
    page.mouse.move(*spot(0, 9))
    page.mouse.down()
    page.mouse.move(*spot(0, 10))
    page.mouse.move(*spot(0, 11))
    rita.shot("sight-plan")
    page.mouse.up()
    expect(page.locator("#queue-title")).to_have_text("Waiting to be sent: 4")

    # Heights by angle, 20 paces off: base 5 degrees down, top 35 up. Directions by compass.
    page.goto(f"/rep/{survey}/angles")
    phone = Phone(rita)
    for tree in ("Tree 1", "Tree 2"):
        page.select_option("#angle-target", label=f"{tree}: height")
        for _ in range(20):
            page.click("#pace-more")
        for name, elevation in (("base", -5), ("top", 35)):
            phone.point(elevation)
            for _ in range(3):
                page.click(f"[data-read={name}]")
            expect(page.locator(f"#{name}-readings")).to_contain_text("spread")
        expect(page.locator("#top-readings")).to_have_text("35.0°, 35.0°, 35.0°, spread 0.0°")
        rita.shot("sight-angles")
        page.click("#angle-keep")
        expect(page.locator("#measured")).to_contain_text(f"{tree}: ")
    page.select_option("#angle-target", label="Tree 2: direction from the house")
    phone.point(0, 300)
    for _ in range(3):
        page.click("[data-read=bearing]")
    expect(page.locator("#angle-found")).to_contain_text("(315°)")  # 15 degrees east of it at Seattle
    page.click("#angle-keep")

    # The eave by a photo with a door in it.
    data, at = house_front()
    photo = tmp_path / "front.jpg"
    photo.write_bytes(data)
    page.goto(f"/rep/{survey}/taps")
    page.select_option("#tap-target", label="Front: height above ground")
    page.set_input_files("#tap-choose", photo)
    expect(page.locator("#tap-step")).to_contain_text("top of the door")
    canvas = page.locator("#tap-photo")
    canvas.scroll_into_view_if_needed()
    box = canvas.bounding_box()
    for number, (right, up) in enumerate(((0, 2.032), (0, 0), (3, 3.0), (3, 0))):
        x, y = at(right, up)
        page.mouse.move(box["x"] + x / 1200 * box["width"], box["y"] + y / 900 * box["height"])
        page.mouse.down()
        if number == 2:
            expect(page.locator("#tap-glass")).to_be_visible()
            rita.shot("sight-taps")
        page.mouse.up()
    page.click("#tap-done")
    expect(page.locator("#measured")).to_contain_text("taps wait for signal")
    rita.shot("sight-offline")

    send_now(page, wire)
    expect(page.locator("#queue")).to_be_hidden()
    expect(page.locator("#measured")).to_contain_text("by photo")
    found = document(rita, survey)
    (eave,), (one, two) = found["eaves"], found["trees"]
    assert meters(eave["length"]) == pytest.approx(12, rel=0.03)
    assert eave["facing"] == "0.0 deg"
    assert meters(eave["height"]) == pytest.approx(3.0, rel=0.06)
    assert {field: how["how"] for field, how in eave["taken"].items()} == {
        "length": "drawn", "facing": "drawn", "height": "photo",
    }  # fmt: skip
    assert meters(one["distance"]) == pytest.approx(7, abs=0.5)
    tall = 20 * PACE_FT * 0.3048 * (math.tan(math.radians(35)) + math.tan(math.radians(5)))
    for tree in (one, two):
        assert meters(tree["height"]) == pytest.approx(tall, abs=0.01)
        assert tree["taken"]["height"]["how"] == "angle"
        assert tree["eave"] == "Front"
    assert meters(two["bearing"]) == pytest.approx(315, abs=1)
    assert two["taken"]["bearing"]["how"] == "angle"


def test_the_same_by_keys_alone(make_person, wire):
    """Tab, Enter, Space and arrows, no signal, no number typed: an eave and two trees on the plan, heights by
    tilt, directions by compass, the eave's height by photo; then sent."""
    rita = make_person(keeps_pages=True)
    survey, page = survey_kept_on_phone(rita, "By keys"), rita.page
    page.goto(f"/rep/{survey}/angles")
    rita.until("document.documentElement.dataset.kept === '1'")
    wire.cut()

    def tab_to(selector):
        for _ in range(120):
            if page.evaluate("(selector) => Boolean(document.activeElement?.matches(selector))", selector):
                return
            page.keyboard.press("Tab")
        raise AssertionError(f"never reached {selector}")

    def press(selector, times=1, key="Enter"):
        tab_to(selector)
        for _ in range(times):
            page.keyboard.press(key)

    press("main a[href$='/plan']")
    expect(page.locator("#plan [data-kind]")).to_have_count(1)
    press("[data-mode=eave]", 2)
    for _ in range(5):
        page.keyboard.press("ArrowRight")  # the new eave has the focus: 30 ft and 5
    expect(page.locator("#measure-said")).to_contain_text("35 ft long, faces S")
    for count, key in enumerate(("Shift+ArrowRight", "Shift+ArrowLeft"), 1):
        press("[data-mode=tree]", 2)
        for each in (key, "ArrowDown", "+"):
            page.keyboard.press(each)
        assert page.evaluate("document.activeElement.dataset.name") == f"Tree {count}"
        expect(page.locator("#measured")).to_contain_text(f"Tree {count}: distance")
        expect(page.locator("#queue-title")).to_have_text(f"Waiting to be sent: {1 + count}")
    for handle in page.locator("#plan [role=button]").all():
        assert re.search(
            r"^(Front|Tree \d): .*(rrow keys|Left and right)", handle.get_attribute("aria-label")
        )
    rita.shot("sight-keys")

    press("main a[href$='/angles']")
    expect(page.locator("#angle-target option")).to_have_count(6)
    phone = Phone(rita)
    for tree, heading in (("Tree 1", 120), ("Tree 2", 240)):
        # What is asked for next is chosen by itself, and has the focus.
        expect(page.locator("#angle-target option:checked")).to_have_text(f"{tree}: height")
        press("#pace-more", 16, "Space")
        for name, elevation in (("base", -6), ("top", 40)):
            phone.point(elevation)
            press(f"[data-read={name}]", 3)
            # The sensor's first word comes a moment after it is asked: the phone is held until then.
            expect(page.locator(f"#{name}-readings")).to_contain_text("spread")
        press("#angle-keep")
        expect(page.locator("#measured")).to_contain_text(f"{tree}: ")
        expect(page.locator("#angle-target option:checked")).to_have_text(f"{tree}: direction from the house")
        phone.point(0, heading)
        press("[data-read=bearing]", 3)
        expect(page.locator("#bearing-readings")).to_contain_text("spread")
        press("#angle-keep")
    expect(page.locator("#angle-target")).to_be_focused()
    page.keyboard.press("ArrowDown")
    expect(page.locator("#angle-target option:checked")).to_have_text("Front: where it faces")
    phone.point(0, 180)
    press("[data-read=bearing]", 3)
    expect(page.locator("#bearing-readings")).to_contain_text("spread")
    press("#angle-keep")

    press("main a[href$='/taps']")
    data, at = house_front()
    expect(page.locator("#tap-target option:checked")).to_have_text("Front: height above ground")
    tab_to("#tap-choose")
    # The key has come to it; the dialog is the browser's, what follows it is ours.
    page.set_input_files("#tap-choose", {"name": "front.jpg", "mimeType": "image/jpeg", "buffer": data})
    expect(page.locator("#tap-step")).to_contain_text("1 of 4")
    tab_to("#tap-photo")
    cross = [0.5, 0.5]
    for right, up in ((0, 2.032), (0, 0.2), (3, 3.0), (3, 0)):
        x, y = at(right, up)
        for axis, wanted, keys in (
            (0, x / 1200, ("ArrowLeft", "ArrowRight")),
            (1, y / 900, ("ArrowUp", "ArrowDown")),
        ):
            steps = round((wanted - cross[axis]) * 1000)
            key = keys[steps > 0]
            for _ in range(abs(steps) // 10):
                page.keyboard.press(key)
            for _ in range(abs(steps) % 10):
                page.keyboard.press(f"Shift+{key}")
            cross[axis] += steps / 1000
        page.keyboard.press("Enter")
    # The door's bottom was set too high: its handle is named, and keys move it.
    handles = page.locator("#tap-handles button")
    names = [each.get_attribute("aria-label") for each in handles.all()]
    for number, (name, word) in enumerate(
        zip(names, ("top of", "bottom of", "eave", "ground"), strict=True), 1
    ):
        assert name.startswith(f"Point {number}, ")
        assert word in name
    steps = round((at(0, 0)[1] - at(0, 0.2)[1]) / 0.9)
    tab_to("#tap-handles button:nth-child(2)")
    for _ in range(steps):
        page.keyboard.press("Shift+ArrowDown")
    assert handles.nth(1).get_attribute("aria-label") != names[1]
    rita.shot("sight-handles")
    press("#tap-done")
    expect(page.locator("#measured")).to_contain_text("taps wait for signal")

    tab_to("#queue-now")
    wire.mend()
    page.keyboard.press("Enter")  # nothing, if the queue goes by itself first
    expect(page.locator("#queue")).to_be_hidden()
    expect(page.locator("#measured")).to_contain_text("by photo")
    found = document(rita, survey)
    (eave,), trees = found["eaves"], found["trees"]
    assert meters(eave["height"]) == pytest.approx(3.0, rel=0.06)
    assert meters(eave["length"]) == pytest.approx(35 * 0.3048, abs=0.01)
    assert {field: how["how"] for field, how in eave["taken"].items()} == {
        "length": "drawn", "facing": "angle", "height": "photo",
    }  # fmt: skip
    tall = 16 * PACE_FT * 0.3048 * (math.tan(math.radians(40)) + math.tan(math.radians(6)))
    for tree, heading in zip(trees, (120, 240), strict=True):
        assert meters(tree["height"]) == pytest.approx(tall, abs=0.01)
        assert meters(tree["crown_radius"]) == pytest.approx(3.5 + 0.3048, abs=0.01)
        assert meters(tree["bearing"]) == pytest.approx(heading, abs=1)
        assert {field: how["how"] for field, how in tree["taken"].items()} == {
            "distance": "drawn", "bearing": "angle", "crown_radius": "drawn", "height": "angle",
        }  # fmt: skip


def test_typed_numbers_move_the_drawing_and_the_plan_does_not_move_them(make_person):
    rita = make_person()
    page = rita.page
    rita.sign_in("rita")
    survey = rita.new_survey("Typed first")
    page.goto(f"/rep/{survey}/trees")
    page.fill("#tree-form [name=name]", "Oak")
    page.fill("#tree-form [name=distance]", "30 ft")
    page.check("#tree-form [name=bearing][value=E]", force=True)
    page.click("#tree-form button.go")
    expect(page.locator(".list strong", has_text="Oak")).to_be_visible()
    page.goto(f"/rep/{survey}/plan")
    tree = page.locator("#plan [data-name=Oak]")
    expect(tree).to_have_attribute("aria-label", re.compile("30 ft from Front, E"))
    tree.focus()
    for _ in range(4):
        page.keyboard.press("ArrowRight")
    said = page.locator("#measure-said")
    expect(said).to_contain_text("30 ft stays")
    expect(page.locator("#measured")).to_contain_text("distance 30 ft")
    page.click("#measure-over button")
    expect(page.locator("#measured")).to_contain_text("distance 34 ft, by eye on the plan")
    assert (
        bearing_taken_text(90, TakenBearing(how="drawn")).replace("\u00a0", " ")
        == "E, by eye on the plan, ± 12°"
    )
    expect(page.locator("#measured")).to_contain_text("stands E, by eye on the plan")
