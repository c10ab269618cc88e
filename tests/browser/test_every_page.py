"""What must hold on every page: axe-core, dark and light, 200 % zoom, narrow reflow, target size, weight."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe

from .conftest import PHOTOS, Person

pytestmark = pytest.mark.browser
MOST_BYTES = 150_000
TABS = (
    "", "/trees", "/house", "/measure", "/plan", "/taps", "/angles", "/needles", "/handful",
    "/drop-test", "/answer",
    "/show", "/share",
)  # fmt: skip
TARGET_PX = 44  # WCAG 2.2, 2.5.5 Target Size (Enhanced)
SERIOUS = ("serious", "critical")


@pytest.fixture(scope="module")
def places(chromium, process):
    """One address of every kind of page, over a survey with something in it."""
    rita = Person(chromium, process.url, "desk")
    rita.sign_in("rita")
    survey = rita.new_survey("Every page")
    rita.page.set_input_files("#choose", PHOTOS / "back-pines.jpg")
    rita.page.wait_for_selector("article.photo[data-state=tagged]")
    rita.page.goto(f"/rep/{survey}/trees")
    rita.page.fill("#tree-form [name=name]", "Pines")
    rita.page.fill("#tree-form [name=distance]", "12 ft")
    rita.page.click("#tree-form button.go")
    rita.page.wait_for_selector(".list strong:has-text('Pines')")
    rita.page.goto(f"/rep/{survey}/share")
    rita.page.click("text=Make a link")
    link = "/h/" + rita.page.input_value("#new-link").rsplit("/", 1)[1]
    rita.page.goto(link)
    rita.page.check("[name=agree]")
    rita.page.click("button.go")
    rita.page.set_input_files("#pick-house", PHOTOS / "back-pines.jpg")
    rita.page.wait_for_selector("[data-shot=house] .taken-one")
    rita.page.goto(f"/rep/{survey}/answer")
    rita.page.click("button:has-text('Send to office')")
    rita.page.wait_for_selector("h1 .tag:has-text('With the office')")
    rita.context.close()
    return {
        "open": [
            "/sign-in",
            "/privacy",
            "/nowhere",
            f"{link}/consent",
            f"{link}/photos",
            f"{link}/questions",
            f"{link}/answer",
        ],
        "rita": [
            "/rep",
            "/rep/offline",
            *(f"/rep/{survey}{tab}" for tab in TABS),
        ],
        "aldo": [
            "/office",
            "/office/surveys",
            "/office/overview",
            "/second-factor",
            f"/office/s/{survey}",
            *(f"/office/statistics{tab}" for tab in ("", "/agreement", "/drift", "/outcomes", "/models")),
        ],
    }


def unfold(person: Person) -> None:
    """What is one tap away counts too."""
    person.page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")


def test_the_answers_stand_above_the_fold_of_a_small_phone(chromium, process, places):
    """All three answers, and the rep's one button, at 360 × 740 above what is fixed to the screen's foot."""
    for who, end in (("open", "/answer"), ("rita", "/answer"), ("aldo", "/office/s/")):
        place = next(each for each in places[who] if each.endswith(end) or each.startswith(end))
        person = Person(chromium, process.url, "phone")
        person.page.set_viewport_size({"width": 360, "height": 740})
        if who != "open":
            person.sign_in(who)
        person.page.goto(place)
        foot = person.page.evaluate(
            """Math.min(740, ...[...document.querySelectorAll(".tabs")]
                  .filter((each) => getComputedStyle(each).position === "fixed")
                  .map((each) => each.getBoundingClientRect().top))"""
        )
        assert person.page.locator(".three .headline").count() == 3
        wanted = person.page.locator(".three .headline, #send .button, #send button")
        lowest = max(each.bounding_box()["y"] + each.bounding_box()["height"] for each in wanted.all())
        person.context.close()
        assert lowest <= foot, place


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("who", ["open", "rita", "aldo"])
def test_axe_finds_nothing_serious(chromium, process, places, who, scheme, view):
    person = Person(chromium, process.url, view, color_scheme=scheme)
    if who != "open":
        person.sign_in(who)
    found = []
    for place in places[who]:
        person.page.goto(place)
        person.page.wait_for_load_state("networkidle")
        if scheme == "dark":
            person.shot(f"dark-{place.strip('/').replace('/', '-')[-20:]}")
        unfold(person)
        answer = Axe().run(person.page).response
        assert len(answer["passes"]) > 10
        for violation in answer["violations"]:
            if violation["impact"] in SERIOUS:
                targets = [node["target"] for node in violation["nodes"]][:3]
                found.append((place, violation["id"], targets))
    person.context.close()
    assert found == []


@pytest.mark.parametrize("who", ["open", "rita", "aldo"])
@pytest.mark.parametrize("width", [320, 683, 844])
def test_no_sideways_scrolling_when_zoomed(chromium, process, places, who, width):
    """683 px is 1366 at 200 %, 320 px the reflow width of WCAG 1.4.10, 844 px a phone on its side."""
    person = Person(chromium, process.url, "desk")
    if who != "open":
        person.sign_in(who)
    person.page.set_viewport_size({"width": width, "height": 640 if width == 320 else 384})
    wide = []
    for place in places[who]:
        person.page.goto(place)
        unfold(person)
        across = person.page.evaluate("document.scrollingElement.scrollWidth")
        if across > width:
            wide.append((place, across))
        person.shot(f"zoom-{width}-{place.strip('/').replace('/', '-')[-20:]}")
    person.context.close()
    assert wide == []


@pytest.mark.parametrize("who", ["open", "rita", "aldo"])
def test_targets_are_large_enough_for_gloves(chromium, process, places, who):
    person = Person(chromium, process.url, "phone")
    if who != "open":
        person.sign_in(who)
    small = []
    for place in places[who]:
        person.page.goto(place)
        small += [
            (place, found)
            for found in person.page.evaluate(
                """(least) => [...document.querySelectorAll(
                  'button, .button, select, nav a, .list a, label.chip, label.tick, label.band,' +
                  'input:not([type=hidden]):not([type=radio]):not([type=checkbox]):not(.sr), textarea')]
                  .filter((each) => each.checkVisibility())
                  .map((each) => [each.outerHTML.slice(0, 80), each.getBoundingClientRect()])
                  .filter(([, box]) => box.width > 1 && (box.height < least - 0.5 || box.width < least - 0.5))
                  .map(([html, box]) => `${html} ${box.width.toFixed(0)}x${box.height.toFixed(0)}`)""",
                TARGET_PX,
            )
        ]
    person.context.close()
    assert small == []


@pytest.mark.parametrize("who", ["open", "rita", "aldo"])
def test_pages_are_light_before_photos_and_ask_nobody_else(chromium, process, places, who):
    person = Person(chromium, process.url, "phone", service_workers="block")
    if who != "open":
        person.sign_in(who)
    heaviest = 0
    for place in places[who]:
        sizes: list[int] = []
        elsewhere: list[str] = []

        def weigh(response, sizes=sizes, elsewhere=elsewhere) -> None:
            if not response.url.startswith((process.url, "blob:", "data:")):
                elsewhere.append(response.url)
            elif "/pictures/" not in response.url and response.ok:
                sizes.append(len(response.body()))

        person.page.on("response", weigh)
        person.context.new_cdp_session(person.page).send("Network.setCacheDisabled", {"cacheDisabled": True})
        person.page.goto(place)
        person.page.wait_for_load_state("networkidle")
        person.page.remove_listener("response", weigh)
        heaviest = max(heaviest, sum(sizes))
        assert elsewhere == []
        assert sum(sizes) < MOST_BYTES, place
    person.context.close()
    print(f"\n{who}: heaviest page {heaviest / 1000:.0f} kB before photos, of {len(places[who])}")
