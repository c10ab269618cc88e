"""What must hold on every page: axe-core, dark and light, 200 % zoom, narrow reflow, targets, weight, keys.

Each page is loaded once, as on a phone, and then looked at in every width and both colors.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe

from .conftest import PHOTOS, VIEWPORTS, Person

pytestmark = pytest.mark.browser
MOST_BYTES = 150_000
TABS = (
    "", "/trees", "/house", "/measure", "/plan", "/taps", "/angles", "/needles", "/handful", "/gutter",
    "/drop-test", "/answer",
    "/show", "/share",
)  # fmt: skip
TARGET_PX = 44  # WCAG 2.2, 2.5.5 Target Size (Enhanced)
SERIOUS = ("serious", "critical")
# 683 px is 1366 at 200 %, 320 px the reflow width of WCAG 1.4.10, 844 px a phone on its side.
ZOOMED = ((320, 640), (683, 384), (844, 384))
SMALL_PHONE = (360, 740)
# Colors are all that differs between dark and light; both are looked at whole in one width.
AXE = (
    ("phone", "light", None),
    ("phone", "dark", ["color-contrast"]),
    ("desk", "dark", None),
    ("desk", "light", ["color-contrast"]),
)


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
        # Three answers stand here, and the one button of whoever reads them.
        "answers": [f"{link}/answer", f"/rep/{survey}/answer", f"/office/s/{survey}"],
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


def resize(person: Person, size: tuple[int, int]) -> None:
    person.page.set_viewport_size({"width": size[0], "height": size[1]})


def weighed(person: Person, site: str, place: str) -> Iterator[str]:
    """Loads a page, and says what is heavy before photos or comes from somebody else."""
    sizes: list[int] = []
    elsewhere: list[str] = []

    def weigh(response) -> None:
        if not response.url.startswith((site, "blob:", "data:")):
            elsewhere.append(response.url)
        elif "/pictures/" not in response.url and response.ok:
            sizes.append(len(response.body()))

    person.page.on("response", weigh)
    person.page.goto(place)
    person.page.wait_for_load_state("networkidle")
    person.page.remove_listener("response", weigh)
    assert sizes
    yield from (f"asks {url}" for url in elsewhere)
    if sum(sizes) > MOST_BYTES:
        yield f"{sum(sizes) / 1000:.0f} kB before photos"


def below_the_fold(person: Person) -> Iterator[str]:
    """All three answers, and the one button, at 360 × 740 above what is fixed to the screen's foot."""
    resize(person, SMALL_PHONE)
    foot = person.page.evaluate(
        """Math.min(740, ...[...document.querySelectorAll(".tabs")]
              .filter((each) => getComputedStyle(each).position === "fixed")
              .map((each) => each.getBoundingClientRect().top))"""
    )
    assert person.page.locator(".three .headline").count() == 3
    for each in person.page.locator(".three .headline, #send .button, #send button").all():
        box = each.bounding_box()
        assert box is not None
        if box["y"] + box["height"] > foot:
            yield f"below the fold: {each.inner_text()}"


def small_targets(person: Person) -> Iterator[str]:
    """What is too small for a finger in a glove."""
    found = person.page.evaluate(
        """(least) => [...document.querySelectorAll(
          'button, .button, select, nav a, .list a, label.chip, label.tick, label.band,' +
          'input:not([type=hidden]):not([type=radio]):not([type=checkbox]):not(.sr), textarea')]
          .filter((each) => each.checkVisibility())
          .map((each) => [each.outerHTML.slice(0, 80), each.getBoundingClientRect()])
          .filter(([, box]) => box.width > 1 && (box.height < least - 0.5 || box.width < least - 0.5))
          .map(([html, box]) => `${html} ${box.width.toFixed(0)}x${box.height.toFixed(0)}`)""",
        TARGET_PX,
    )
    yield from (f"small: {each}" for each in found)


def sideways(person: Person) -> Iterator[str]:
    """Where zoomed text would be scrolled sideways."""
    for size in ZOOMED:
        resize(person, size)
        across = person.page.evaluate("document.scrollingElement.scrollWidth")
        if across > size[0]:
            yield f"{across} px wide on {size[0]}"


def barriers(person: Person) -> Iterator[str]:
    """What axe-core calls serious."""
    person.page.evaluate(Axe().axe_script)
    for view, scheme, rules in AXE:
        resize(person, VIEWPORTS[view])
        person.page.emulate_media(color_scheme=scheme)
        options = {"resultTypes": ["violations"], **({"runOnly": rules} if rules else {})}
        answer = person.page.evaluate("(options) => axe.run(document, options)", options)
        assert rules or len(answer["passes"]) > 10
        for violation in answer["violations"]:
            if violation["impact"] in SERIOUS:
                targets = [node["target"] for node in violation["nodes"]][:3]
                yield f"{view}, {scheme}: {violation['id']} {targets}"


def by_keys(person: Person) -> Iterator[str]:
    """What Tab never reaches, and what it reaches without a mark around it."""
    page = person.page
    most = page.evaluate(
        """() => {
          const shown = (each) => each.checkVisibility() && !each.closest("[inert], :disabled");
          const controls =
            'a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex="0"]';
          window.byKeys = {
            unmarked: [], left: new Set([...document.querySelectorAll(controls)].filter(shown)) };
          document.activeElement?.blur();
          scrollTo(0, 0);
          return 2 * window.byKeys.left.size + 10;
        }"""
    )
    for _ in range(most):
        page.keyboard.press("Tab")
        left = page.evaluate(
            """() => {
              const at = document.activeElement, { left, unmarked } = window.byKeys;
              if (!left.has(at)) return left.size;
              // Of radio buttons one has the Tab key, the arrows have the others.
              const sister = (each) => at.type === "radio" && each.name === at.name && each.form === at.form;
              for (const each of [...left]) if (each === at || sister(each)) left.delete(each);
              const marked = (each) => each && getComputedStyle(each).outlineStyle !== "none"
                && parseFloat(getComputedStyle(each).outlineWidth) > 0;
              // A drawing is in meters, and its lines grow thick by the screen's pixels.
              const thick = (each) => getComputedStyle(each).vectorEffect === "non-scaling-stroke"
                && parseFloat(getComputedStyle(each).strokeWidth) >= 5;
              if (![at, at.closest("label"), at.parentElement].some(marked)
                && ![...at.querySelectorAll("*")].some(thick)) unmarked.push(at.outerHTML.slice(0, 80));
              return left.size;
            }"""
        )
        if left == 0:
            break
    yield from page.evaluate(
        """() => [...[...byKeys.left].map((each) => "no key reaches " + each.outerHTML.slice(0, 80)),
                  ...byKeys.unmarked.map((each) => "unmarked: " + each)]"""
    )


def moving(person: Person) -> Iterator[str]:
    """What still moves for somebody who asked for less motion."""
    yield from person.page.evaluate(
        """() => [...document.querySelectorAll("*")].filter((each) => {
             const style = getComputedStyle(each);
             return [style.animationName !== "none" && style.animationDuration, style.transitionDuration]
               .some((all) => all && all.split(",").some((one) => parseFloat(one) > 0.01));
           }).map((each) => "moves: " + each.outerHTML.slice(0, 80))"""
    )


@pytest.mark.parametrize("who", ["open", "rita", "aldo"])
def test_every_page(chromium, process, places, who):
    person = Person(chromium, process.url, "phone", reduced_motion="reduce")
    if who != "open":
        person.sign_in(who)
    person.context.new_cdp_session(person.page).send("Network.setCacheDisabled", {"cacheDisabled": True})
    wrong: list[tuple[str, str]] = []
    for place in places[who]:
        person.page.emulate_media(color_scheme="light")
        resize(person, VIEWPORTS["phone"])
        found = [*weighed(person, process.url, place), *small_targets(person)]
        if place in places["answers"]:
            found += below_the_fold(person)
        # What is one tap away counts too.
        person.page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
        found += [*by_keys(person), *moving(person), *sideways(person), *barriers(person)]
        wrong += [(place, each) for each in found]
    person.context.close()
    assert wrong == []
    assert person.errors == []
