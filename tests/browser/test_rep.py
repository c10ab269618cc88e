"""The rep in the driveway: one survey from the first photo to the report, with the signal lost on the way."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.sync_api import expect

from .conftest import PHOTOS

pytestmark = pytest.mark.browser


def send_now(page, wire) -> None:
    """Mends the wire and presses the button at once: it goes if the queue, trying by itself, comes first."""
    expect(page.locator("#queue-now")).to_be_visible()
    wire.mend()
    page.evaluate("document.getElementById('queue-now').click()")


def test_survey_from_arrival_to_report(make_person, tmp_path):
    rita = make_person()
    page = rita.page
    rita.sign_in("rita")
    survey = rita.new_survey("7 Larkspur Bend")

    page.set_input_files("#choose", PHOTOS / "back-pines.jpg")
    card = page.locator("article.photo").first
    expect(card).to_have_attribute("data-state", "tagged")
    expect(card.locator(".tag").first).to_be_visible()
    evidence = card.locator("[data-evidence]").first
    if evidence.count():
        evidence.click()
        expect(evidence).to_have_attribute("aria-pressed", "true")
        expect(card.locator("img").first).to_have_attribute("src", re.compile("evidence-"))
        rita.shot("rep-evidence")
    # Wrong tag: one tap, kept beside the model's.
    tags = card.locator(".tags").inner_text()
    rita.say_what_it_shows(card, "Short needles")
    expect(page.get_by_text("Rep says:")).to_be_visible()
    assert page.locator(".tags").first.inner_text() == tags
    rita.shot("rep-corrected")

    # Big keys.
    page.goto(f"/rep/{survey}/trees")
    page.fill("#tree-form [name=name]", "Back pines")
    page.click("[data-pad=f-distance]")
    for key in ("1", "2", "ft", "6", "in"):
        page.click(f'[data-key="{key}"]')
    rita.shot("rep-pad")
    page.click("#pad-take")
    assert page.input_value("[name=distance]") == "12 ft 6 in"
    # A tree's height by angle: 40 ft away, 45 degrees up and 5 down is 40 (1 + tan 5) = 43.5 ft.
    page.click("[data-pad=f-height]")
    page.click('[data-way="angle"]')
    page.fill("#angle-distance", "40 ft")
    page.fill("#angle-top", "45")
    page.fill("#angle-foot", "5")
    rita.shot("rep-angle")
    page.click("#pad-take")
    assert page.input_value("[name=height]") == "43 ft 6 in"
    # Ten paces of 2 ft 6 in.
    page.click("#tree-form summary")
    page.click("[data-pad=f-crown_radius]")
    page.click('[data-way="pace"]')
    for _ in range(4):
        page.click("#pace-plus")
    page.click("#pad-take")
    assert page.input_value("[name=crown_radius]") == "10 ft"
    rita.chip("bearing", "NW")
    page.click("#tree-form button.go")
    expect(page.locator(".list strong", has_text="Back pines")).to_be_visible()
    expect(page.locator("img.plan")).to_have_attribute("alt", re.compile("Back pines to the NW"))
    rita.shot("rep-trees")

    page.goto(f"/rep/{survey}/house?edit=Front")
    page.fill("#eave-form [name=length]", "40 ft")
    rita.page.locator("#eave-form label:has([name=facing][value=NW])").click()
    page.locator("#eave-form summary", has_text="Roof and gutter").click()
    page.fill("#eave-form [name=pitch]", "6/12")
    page.click("#eave-form button.go")
    expect(page.locator(".list", has_text="40 ft")).to_be_visible()
    rita.shot("rep-house")

    page.goto(f"/rep/{survey}/drop-test")
    for kind in ("passed", "stayed", "lodged", "stayed", "stayed"):
        page.click(f'[data-count="{kind}"]')
    expect(page.locator("#drop-state")).to_have_text("5 dropped: 1 through, 1 stuck, 3 on top")
    page.click("#drop-form button.go")
    expect(page.locator("table tbody tr")).to_have_count(1)
    page.goto(f"/rep/{survey}/needles")
    page.set_input_files("#choose", PHOTOS / "pine-branch.jpg")
    gauge = page.locator("article[data-gauge]").first
    expect(gauge).to_have_attribute("data-state", "tagged")
    rita.shot("rep-needles")

    page.goto(f"/rep/{survey}/answer")
    expect(page.locator(".answer")).to_have_count(3)
    rita.shot("rep-answer")
    page.click("text=Report and copies")
    with page.expect_download() as download:
        page.click("text=Report as PDF")
    paper = tmp_path / "report.pdf"
    download.value.save_as(paper)
    assert paper.read_bytes().startswith(b"%PDF-")
    page.click("button:has-text('Send to office')")
    expect(page.locator("h1 .tag")).to_have_text("With the office")
    # The whole region has changed: said where it is now, and no button to send it once more.
    expect(page.locator("#send")).to_contain_text("The office has it")
    expect(page.get_by_role("button", name="Send to office")).to_have_count(0)


def survey_kept_on_phone(rita, name: str) -> str:
    """A new survey whose pages are stored, with the worker in charge that shows them without signal."""
    rita.sign_in("rita")
    survey = rita.new_survey(name)
    rita.until("document.documentElement.dataset.kept === '1'")
    rita.page.reload()
    rita.until("navigator.serviceWorker.controller !== null")
    return survey


def test_signal_lost_in_the_middle_of_an_upload(make_person, wire, process):
    """Cut while a photo is on its way, reload without signal, mend: every photo arrives, once."""
    rita = make_person(keeps_pages=True)
    page = rita.page
    survey = survey_kept_on_phone(rita, "Down the valley")

    on_its_way = wire.stall("/photos?", up_bytes=20_000)
    page.set_input_files("#choose", [PHOTOS / "front-oak.jpg", PHOTOS / "winter-maple.jpg"])
    rita.until("document.querySelector('#queue progress')?.value > 0.1")
    assert on_its_way.reached.wait(60)
    wire.cut()
    expect(page.locator("#queue-title")).to_have_text("Waiting to be sent: 2")
    expect(page.locator("#queue-state")).to_contain_text("No signal")
    rita.shot("rep-queue")

    page.reload()
    expect(page.locator("#queue-title")).to_have_text("Waiting to be sent: 2")
    expect(page.locator("h1")).to_contain_text("Down the valley")
    # A tree typed without signal waits in the same queue.
    page.goto(f"/rep/{survey}/trees")
    page.fill("#tree-form [name=name]", "Oak")
    page.fill("#tree-form [name=distance]", "30 ft")
    page.click("#tree-form button.go")
    expect(page.locator("#queue-title")).to_have_text("Waiting to be sent: 3")
    rita.shot("rep-offline")

    send_now(page, wire)
    expect(page.locator("#queue")).to_be_hidden()
    expect(page.locator(".list strong", has_text="Oak")).to_be_visible()
    kept = rita.context.request.get(f"/api/1/surveys/{survey}/photos").json()
    assert len(kept) == 2
    for photo in kept:
        original = process.data / "photos/original" / photo["sha256"][:2] / photo["sha256"]
        assert original.read_bytes() in {
            (PHOTOS / f).read_bytes() for f in ("front-oak.jpg", "winter-maple.jpg")
        }


def test_signal_lost_while_pages_are_kept_for_later(make_person, wire):
    """Cut in the middle of a page on its way into the store: no error, and the next visit keeps the rest."""
    rita = make_person(keeps_pages=True)
    page = rita.page
    rita.sign_in("rita")
    survey = rita.new_survey("Over the ridge")
    rita.until("document.documentElement.dataset.kept === '1'")
    page.evaluate("caches.delete('eavefall-pages').then(() => null)")
    is_kept = f"caches.match('/rep/{survey}/%s').then((one) => Boolean(one))"

    # Its headers are through and the rest is not.
    on_its_way = wire.stall(f"GET /rep/{survey}/house ", down_bytes=4096)
    page.goto(f"/rep/{survey}")
    rita.until(is_kept % "trees")
    assert on_its_way.reached.wait(60)
    wire.cut()
    rita.until("document.documentElement.dataset.kept === '1'")
    assert not page.evaluate(is_kept % "house")

    wire.mend()
    page.reload()
    rita.until("document.documentElement.dataset.kept === '1'")
    assert page.evaluate(is_kept % "house")


def test_a_full_phone_still_shows_every_page(make_person, wire):
    rita = make_person(keeps_pages=True)
    page = rita.page
    survey = survey_kept_on_phone(rita, "No room left")
    page.evaluate("caches.delete('eavefall-pages').then(() => null)")
    full = {"origin": wire.url, "quotaSize": 1}
    rita.context.new_cdp_session(page).send("Storage.overrideQuotaForOrigin", full)

    page.goto(f"/rep/{survey}/trees")
    expect(page.locator("#tree-form [name=name]")).to_be_visible()
    expect(page.locator("h1")).to_contain_text("No room left")
    rita.until("document.documentElement.dataset.kept === '1'")
    assert not page.evaluate(f"caches.match('/rep/{survey}/trees').then((one) => Boolean(one))")


def test_new_survey_without_any_signal(make_person, wire):
    """Begun in a dead zone: a photo, two trees and an eave, a reload between; all of it arrives, once."""
    rita = make_person(keeps_pages=True)
    page = rita.page
    rita.sign_in("rita")
    page.goto("/rep")
    rita.until("document.documentElement.dataset.kept === '1'")
    rita.until("navigator.serviceWorker.ready.then(() => navigator.serviceWorker.controller !== null)")
    wire.cut()
    page.fill("#new-survey [name=name]", "Behind the hill")
    page.click("#new-survey button")
    page.wait_for_url(re.compile(r"/rep/offline#[0-9a-f]{16}$"))
    survey = page.url.rsplit("#", 1)[1]
    page.set_input_files("#choose", PHOTOS / "gutter.jpg")
    expect(page.locator("#queue-title")).to_have_text("Waiting to be sent: 2")
    for at, (distance, point) in enumerate((("12", "NW"), ("30", "E")), 3):
        page.locator("#tree-form [name=distance]").press_sequentially(distance)
        page.locator(f"#tree-form label:has([name=bearing][value={point}])").click()
        page.click("#tree-form button.go")
        expect(page.locator("#queue-title")).to_have_text(f"Waiting to be sent: {at}")
        expect(page.locator("#tree-form [name=distance]")).to_have_value("")
    page.click("summary:has-text('Add an eave')")
    page.locator("#eave-form [name=length]").press_sequentially("40")
    page.locator("#eave-form label:has([name=facing][value=NW])").click()
    # Half an eave survives a reload, and the list leads back to what was begun.
    page.reload()
    expect(page.locator("#queue-title")).to_have_text("Waiting to be sent: 4")
    expect(page.locator("#eave-form [name=length]")).to_have_value("40")
    rita.shot("rep-no-signal")
    page.goto("/rep")
    page.click("text=Go on with it")
    page.wait_for_url(f"**/rep/offline#{survey}")
    page.click("#eave-form button.go")
    expect(page.locator("#queue-title")).to_have_text("Waiting to be sent: 5")
    send_now(page, wire)
    page.wait_for_url(re.compile(r"/rep/[0-9a-f]{16}$"))
    expect(page.locator("h1")).to_contain_text("Behind the hill")
    expect(page.locator("article.photo")).to_have_count(1)
    page.goto(f"/rep/{survey}/trees")
    expect(page.locator("#list strong")).to_have_count(2)
    expect(page.locator("#list")).to_contain_text("12 ft, NW")
    expect(page.locator("#list")).to_contain_text("30 ft, E")
    page.goto(f"/rep/{survey}/house")
    expect(page.locator("#list strong")).to_have_count(1)
    expect(page.locator("#list")).to_contain_text("40 ft, looks to NW")


def test_refused_photo_stays_visible_with_the_reason(make_person, tmp_path: Path):
    rita = make_person()
    rita.sign_in("rita")
    rita.new_survey("Wrong file")
    wrong = tmp_path / "notes.jpg"
    wrong.write_text("not a photo at all")
    rita.page.set_input_files("#choose", wrong)
    expect(rita.page.locator("#queue .note.bad")).to_contain_text("is not a JPEG")
    rita.shot("rep-refused")
    rita.page.click("text=Put away")
    expect(rita.page.locator("#queue")).to_be_hidden()


def test_what_is_typed_is_kept(make_person, wire):
    """Half a tree survives another tab and a reload without signal; what is refused is back in its form."""
    rita = make_person(keeps_pages=True)
    page = rita.page
    survey = survey_kept_on_phone(rita, "Half a tree")
    page.goto(f"/rep/{survey}/trees")
    page.locator("#tree-form [name=distance]").press_sequentially("12")
    rita.chip("bearing", "SE")
    page.click(".tabs >> text=House")
    page.locator("#around-form [name=along]").press_sequentially("40")
    page.click(".tabs >> text=Trees")
    expect(page.locator("#tree-form [name=distance]")).to_have_value("12")
    expect(page.locator("[name=bearing][value=SE]")).to_be_checked()
    expect(page.locator("#tree-form [data-draft-told]")).to_be_visible()
    wire.cut()
    page.reload()
    expect(page.locator("#tree-form [name=distance]")).to_have_value("12")
    # Without signal it goes into the queue, and the form is free for the next tree.
    page.click("#tree-form button.go")
    expect(page.locator("#queue-title")).to_have_text("Waiting to be sent: 1")
    expect(page.locator("#tree-form [name=distance]")).to_have_value("")
    page.locator("#tree-form [name=distance]").press_sequentially("forty")
    page.click("#tree-form button.go")
    expect(page.locator("#queue-title")).to_have_text("Waiting to be sent: 2")
    send_now(page, wire)
    # The first is taken, the second comes back into its form with the error at its field.
    expect(page.locator("#tree-form [name=distance]")).to_have_attribute("aria-invalid", "true")
    expect(page.locator("#tree-form .wrong")).to_contain_text("Write a length such as")
    expect(page.locator("#tree-form [name=distance]")).to_have_value("forty")
    expect(page.locator("#queue")).to_be_hidden()
    page.fill("#tree-form [name=distance]", "20")
    page.click("#tree-form button.go")
    expect(page.locator(".list strong", has_text="Tree 2")).to_be_visible()
    expect(page.locator("#tree-form [name=distance]")).to_have_value("")
    expect(page.locator(".list")).to_contain_text("12 ft, SE")


def test_photos_refused_for_another_house_are_told_on_the_list(make_person, tmp_path: Path):
    rita = make_person()
    rita.sign_in("rita")
    first = rita.new_survey("First house")
    wrong = tmp_path / "notes.jpg"
    wrong.write_text("not a photo at all")
    rita.page.set_input_files("#choose", wrong)
    expect(rita.page.locator("#queue .note.bad")).to_be_visible()
    rita.new_survey("Second house")
    expect(rita.page.locator("#photo-count")).to_be_visible()
    expect(rita.page.locator("#queue")).to_be_hidden()
    rita.page.goto("/rep")
    expect(rita.page.locator("#queue .note.bad")).to_be_visible()
    rita.page.click("text=Open its survey")
    rita.page.wait_for_url(f"**/rep/{first}")
    expect(rita.page.locator("#queue .note.bad")).to_be_visible()
