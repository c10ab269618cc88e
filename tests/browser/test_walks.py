"""Each person's shortest way through, in a real browser: taps, letters, fields and screens are counted.

Run with ``-s`` to see the counts. A tap is a finger on the page: one to put the cursor into a field too, none
for the phone's own camera and keyboard. Signing in is not counted; a phone stays signed in.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Locator, Page, expect

from .conftest import PHOTOS, Person, Wire
from .test_rep import send_now

pytestmark = pytest.mark.browser
# The rep's least for two trees and one eave.
MOST_TAPS = 30
MOST_FIELDS = 6


@dataclass
class Walk:
    """A page with a finger that counts."""

    page: Page
    name: str
    taps: int = 0
    keys: int = 0
    letters: int = 0
    fields: int = 0
    screens: int = field(default=1)

    def __post_init__(self) -> None:
        self.page.on("framenavigated", self._screen)

    def _screen(self, frame: object) -> None:
        self.screens += frame == self.page.main_frame

    def tap(self, target: str | Locator) -> None:
        self.taps += 1
        (self.page.locator(target).first if isinstance(target, str) else target).click()

    def chip(self, name: str, value: str, form: str = "") -> None:
        self.tap(f"{form} label:has([name={name}][value='{value}'])")

    def type(self, target: str, text: str) -> None:
        place = self.page.locator(target).first
        if not place.evaluate("each => each === document.activeElement"):
            self.tap(place)
        place.fill("")
        place.press_sequentially(text)
        self.fields += 1
        self.letters += len(text)

    def press(self, *keys: str) -> None:
        """Keys that do something; letters of a text are counted by ``write``."""
        for key in keys:
            self.keys += 1
            self.page.keyboard.press(key)

    def write(self, text: str) -> None:
        self.page.keyboard.type(text)
        self.fields += 1
        self.letters += len(text)

    def photo(self, target: str, file: Path) -> None:
        self.taps += 1
        self.page.set_input_files(target, file)

    def told(self) -> None:
        print(
            f"\n{self.name}: {self.taps} taps, {self.keys} keys, {self.letters} letters, "
            f"{self.fields} fields, {self.screens} screens"
        )


def begun(make_person, name: str, house: str, **options: object) -> tuple[Person, Walk]:
    """The rep at the list of surveys, and a new one."""
    rita: Person = make_person(**options)
    rita.sign_in("rita")
    rita.page.goto("/rep")
    walk = Walk(rita.page, name)
    walk.type("#new-survey [name=name]", house)
    walk.tap("#new-survey button")
    rita.page.wait_for_url(re.compile(r"/rep/[0-9a-f]{16}$"))
    return rita, walk


def first_tree(walk: Walk) -> None:
    walk.tap(".tabs >> text=Trees")
    walk.type("#tree-form [name=distance]", "12")
    walk.chip("bearing", "NW", "#tree-form")
    walk.type("#tree-form [name=height]", "60")
    walk.chip("form", "long_needle", "#tree-form")
    walk.tap("#tree-form button.go")


def second_tree(walk: Walk) -> None:
    walk.type("#tree-form [name=distance]", "30")
    walk.chip("bearing", "E", "#tree-form")
    walk.tap("#tree-form button.go")


def all_eaves(walk: Walk) -> None:
    walk.tap(".tabs >> text=House")
    walk.type("#around-form [name=along]", "40")
    walk.tap("#around-form button[value=NW]")


def sent(walk: Walk) -> None:
    walk.tap(".tabs >> text=Answer")
    walk.tap("text=Send to office")
    expect(walk.page.locator("#send")).to_contain_text("The office has it")
    walk.told()
    assert walk.taps <= MOST_TAPS
    assert walk.fields <= MOST_FIELDS


def test_the_rep_with_signal(make_person):
    """Two trees, all eaves, two photos, sent to the office."""
    rita, walk = begun(make_person, "rep, with signal: two trees, four eaves, two photos, sent", "7 Elm")
    page = rita.page
    walk.photo("#camera", PHOTOS / "back-pines.jpg")
    expect(page.locator("article.photo")).to_have_count(1)
    walk.photo("#camera", PHOTOS / "front-oak.jpg")
    expect(page.locator("article.photo")).to_have_count(2)
    first_tree(walk)
    expect(page.locator("#list strong")).to_have_count(1)
    walk.tap("#list button:has-text('Same again')")
    expect(page.locator("#list strong")).to_have_count(2)
    walk.tap("#list a:has-text('Tree 2')")
    page.wait_for_url("**edit=Tree**")
    second_tree(walk)
    expect(page.locator("#list")).to_contain_text("30 ft, E")
    all_eaves(walk)
    expect(page.locator("#list strong")).to_have_count(4)
    sent(walk)


def test_the_rep_without_signal(make_person, wire: Wire):
    """The same house, the signal gone from the first photo until all is typed."""
    rita, walk = begun(
        make_person, "rep, signal gone in between: two trees, four eaves, one photo, sent", "9 Elm",
        keeps_pages=True,
    )  # fmt: skip
    page = rita.page
    rita.until("document.documentElement.dataset.kept === '1'")
    rita.until("navigator.serviceWorker.ready.then(() => navigator.serviceWorker.controller !== null)")
    wire.cut()
    walk.photo("#camera", PHOTOS / "back-pines.jpg")
    expect(page.locator("#queue-title")).to_have_text("Waiting to be sent: 1")
    first_tree(walk)
    expect(page.locator("#queue-title")).to_have_text("Waiting to be sent: 2")
    second_tree(walk)
    expect(page.locator("#queue-title")).to_have_text("Waiting to be sent: 3")
    all_eaves(walk)
    expect(page.locator("#queue-title")).to_have_text("Waiting to be sent: 4")
    walk.taps += 1
    send_now(page, wire)
    expect(page.locator("#queue")).to_be_hidden()
    expect(page.locator("#list strong")).to_have_count(4)
    sent(walk)


def link_for(make_person, name: str) -> str:
    rita: Person = make_person()
    rita.sign_in("rita")
    survey = rita.new_survey(name)
    rita.page.goto(f"/rep/{survey}/share")
    rita.page.click("text=Make a link")
    return "/h/" + rita.page.input_value("#new-link").rsplit("/", 1)[1]


ANSWERS = (("near", "over"), ("tall", "twice"), ("storeys", "two"), ("kind", "needle"), ("roof", "shingle"))


@pytest.mark.parametrize("signal", ["with signal", "signal gone in between"])
def test_the_homeowner(make_person, wire: Wire, signal):
    """Three photos, five questions, sent."""
    link = link_for(make_person, f"11 Elm, {signal}")
    home: Person = make_person(keeps_pages=signal != "with signal")
    page = home.page
    page.goto(link)
    walk = Walk(page, f"homeowner, {signal}: three photos, five questions, sent")
    walk.chip("agree", "yes")
    walk.tap("button.go")
    page.wait_for_url("**/photos")
    if signal != "with signal":
        home.until("document.documentElement.dataset.kept === '1'")
        home.until("navigator.serviceWorker.ready.then(() => navigator.serviceWorker.controller !== null)")
        wire.cut()
    for shot, file in (("house", "back-pines"), ("tree", "front-oak"), ("leaf", "pine-branch")):
        walk.photo(f"#take-{shot}", PHOTOS / f"{file}.jpg")
        if not wire.is_cut:
            expect(page.locator(f"[data-shot={shot}] .taken-one")).to_have_count(1)
    walk.tap("#go-on a")
    for name, value in ANSWERS:
        walk.tap(f"label:has([name={name}][value={value}])")
    if wire.is_cut:
        # Everything waits on the phone, also through a reload.
        expect(page.locator("#queue-title")).to_have_text("Waiting to be sent: 8")
        page.reload()
        expect(page.locator("[name=near][value=over]")).to_be_checked()
        wire.mend()
    walk.tap("button.go:has-text('first answer')")
    page.wait_for_url("**/answer")
    walk.tap("text=Send to office")
    expect(page.get_by_text("There is nothing more that you must do.")).to_be_visible()
    walk.told()
    assert walk.fields == 0


def handed_in(make_person, *houses: str) -> None:
    rita: Person = make_person()
    rita.sign_in("rita")
    for house in houses:
        survey = rita.new_survey(house)
        rita.page.goto(f"/rep/{survey}/answer")
        rita.page.click("text=Send to office")
        expect(rita.page.locator("#send")).to_contain_text("The office has it")


def test_the_office(make_person):
    """A survey out of the queue: looked at, confirmed; another corrected."""
    handed_in(make_person, "1 Confirm Street", "2 Confirm Street")
    aldo: Person = make_person("desk")
    aldo.sign_in("aldo")
    page = aldo.page
    page.goto("/office")
    walk = Walk(page, "office: one survey confirmed, one corrected")
    walk.tap("a:has-text('1 Confirm Street')")
    walk.tap("#confirm")
    expect(page.get_by_role("status").first).to_contain_text("1 Confirm Street")
    page.goto("/office")
    walk.tap("a:has-text('2 Confirm Street')")
    walk.tap("#correct summary")
    walk.taps += 2  # the phone's own list of a select: open it, choose
    page.select_option("#correct select", "fine")
    walk.type("#correct textarea", "Pines behind.")
    walk.tap("#correct button.go")
    expect(page.get_by_role("status").first).to_contain_text("Corrected")
    walk.told()
    assert walk.taps <= 8
    assert walk.fields == 1


def test_the_office_by_keys_alone(make_person):
    """One confirmed, taken back and confirmed again; one corrected; one sent back: no hand on the mouse."""
    houses = ("1 Key Street", "2 Key Street", "3 Key Street")
    handed_in(make_person, *houses)
    aldo: Person = make_person("desk")
    aldo.sign_in("aldo")
    page = aldo.page
    walk = Walk(page, "office, by keys alone: confirmed, undone, confirmed, corrected, sent back", screens=0)

    def from_queue(house: str) -> None:
        page.goto("/office")
        # The queue of the tests is everybody's: what lies before this house is not counted.
        for _ in range(page.locator("[data-row]").count()):
            page.keyboard.press("j")
            if house in page.evaluate("document.activeElement.textContent"):
                break
        walk.press("Enter")
        expect(page.locator("h1")).to_contain_text(house)
        # Its keys work once its script has run, and there is something to confirm once it is worked out.
        page.wait_for_load_state()
        expect(page.locator("#confirm")).to_be_visible()

    def told(text: str) -> None:
        expect(page.get_by_role("status").first).to_contain_text(text)
        page.wait_for_load_state()  # the next key works once the page's script has run

    from_queue(houses[0])
    walk.press("c")
    told("Confirmed: 1 Key Street")
    walk.press("z")
    told("Back in the queue: 1 Key Street")
    walk.press("c")
    told("Confirmed: 1 Key Street")
    from_queue(houses[1])
    walk.press("x", "f")  # the class by its first letter
    expect(page.locator("#correct select")).to_have_value("fine")
    walk.press("Tab", "Tab")
    walk.write("Pines behind.")
    walk.press("Tab", "Enter")
    told("Corrected: 2 Key Street")
    from_queue(houses[2])
    walk.press("b")
    walk.write("Which side?")
    walk.press("Tab", "Enter")
    told("Sent back: 3 Key Street")
    walk.told()
    assert walk.taps == 0
    assert walk.keys <= 15
