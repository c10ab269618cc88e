"""The office audit by keyboard: queue, evidence, correction beside the others', send back, confirm, CSV."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from ..service.web.conftest import PASSWORD
from .conftest import PHOTOS

pytestmark = pytest.mark.browser


def test_audit_by_keyboard(make_person, tmp_path):
    rita = make_person()
    rita.sign_in("rita")
    survey = rita.new_survey("Audit me")
    rita.page.set_input_files("#choose", PHOTOS / "winter-maple.jpg")
    card = rita.page.locator("article.photo").first
    expect(card).to_have_attribute("data-state", "tagged")
    rita.say_what_it_shows(card, "Scale leaves")
    expect(rita.page.get_by_text("Rep says:")).to_be_visible()
    rita.page.goto(f"/rep/{survey}/answer")
    rita.page.click("button:has-text('Send to office')")
    expect(rita.page.locator("h1 .tag")).to_have_text("With the office")

    aldo = make_person("desk")
    page = aldo.page
    page.goto("/sign-in")
    page.fill("[name=name]", "aldo")
    page.fill("[name=password]", PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/office")
    expect(page.locator("[data-row]").first).to_be_visible()
    aldo.shot("office-queue")
    page.keyboard.press("j")
    assert page.evaluate("document.activeElement.matches('[data-row]')")
    page.locator("[data-row]", has_text="Audit me").focus()
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/office/s/{survey}")
    page.keyboard.press("n")
    page.keyboard.press("1")
    photo = page.locator("[data-photo]").first
    expect(photo.locator("[data-evidence]").first).to_have_attribute("aria-pressed", "true")
    sides = photo.locator(".sides")
    expect(sides.locator("tr", has_text="Rep")).to_contain_text("Scale leaves")
    aldo.say_what_it_shows(photo, "Bare crown")
    expect(page.locator(".sides tr", has_text="Auditor").first).to_contain_text("Bare crown")
    expect(page.locator(".sides tr", has_text="Rep").first).to_contain_text("Scale leaves")
    aldo.shot("office-survey")
    page.keyboard.press("b")
    page.keyboard.type("Which side does it stand on?")
    page.locator("#send-back button").click()
    page.wait_for_url(lambda url: f"/office/s/{survey}" not in url)

    rita.page.goto(f"/rep/{survey}/answer")
    expect(rita.page.get_by_text("Which side does it stand on?").first).to_be_visible()
    rita.shot("rep-question")
    rita.page.fill("#reply textarea", "North of the drive.")
    rita.page.click("#reply button")
    expect(rita.page.locator("h1 .tag")).to_have_text("With the office")

    page.goto(f"/office/s/{survey}")
    expect(page.get_by_text("North of the drive.").first).to_be_visible()
    # The two forms never stand open together over the answer.
    page.keyboard.press("x")
    expect(page.locator("#correct")).to_have_attribute("open", "")
    page.keyboard.press("Escape")
    page.keyboard.press("b")
    expect(page.locator("#send-back")).to_have_attribute("open", "")
    assert page.locator("#correct").get_attribute("open") is None
    page.keyboard.press("Escape")
    # One key confirms, says so and can be taken back.
    page.keyboard.press("c")
    page.wait_for_url(lambda url: f"/office/s/{survey}" not in url)
    expect(page.get_by_role("status")).to_contain_text("Audit me")
    aldo.shot("office-confirmed")
    page.keyboard.press("z")
    page.wait_for_url(f"**/office/s/{survey}?did=reopen*")
    expect(page.get_by_role("status")).to_contain_text("Back in the queue")
    page.keyboard.press("c")
    page.wait_for_url(lambda url: f"/office/s/{survey}" not in url)
    page.goto(f"/office/surveys?q={survey}")
    expect(page.locator("tbody tr")).to_contain_text("Confirmed")
    aldo.shot("office-search")
    with page.expect_download() as download:
        page.click("text=As CSV")
    table = tmp_path / "surveys.csv"
    download.value.save_as(table)
    assert survey in table.read_text()
    page.goto("/office/overview")
    expect(page.locator("h1")).to_have_text("Overview")
    aldo.shot("office-overview")
