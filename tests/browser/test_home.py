"""The homeowner at home: with a script, without one, with a signal that fails, with a link that is over."""

from __future__ import annotations

import sqlite3

import pytest
from playwright.sync_api import expect

from .conftest import PHOTOS

pytestmark = pytest.mark.browser


def give_link(make_person, name: str) -> tuple[str, str, object]:
    rita = make_person()
    rita.sign_in("rita")
    survey = rita.new_survey(name)
    rita.page.goto(f"/rep/{survey}/share")
    rita.page.click("text=Make a link")
    address = rita.page.input_value("#new-link")
    rita.shot("rep-share")
    return survey, "/h/" + address.rsplit("/", 1)[1], rita


def answer_questions(page) -> None:
    for name, value in (("near", "over"), ("tall", "twice"), ("storeys", "two"), ("kind", "needle")):
        page.check(f"[name={name}][value={value}]")
    page.click("button.go")


def test_five_shots_to_a_first_answer(make_person, wire):
    _, link, _ = give_link(make_person, "3 Juniper Rise")
    home = make_person()
    page = home.page
    page.goto(link)
    home.shot("home-welcome")
    page.check("[name=agree]")
    page.click("button.go")
    page.wait_for_url("**/photos")

    page.set_input_files("#pick-house", PHOTOS / "back-pines.jpg")
    expect(page.locator("[data-shot=house] .taken-one")).to_have_count(1)
    # The same photo for another shot is refused where the sender is looking, and can be put away.
    page.locator("#shot-gutter").scroll_into_view_if_needed()
    page.set_input_files("#pick-gutter", PHOTOS / "back-pines.jpg")
    expect(page.locator("#queue .note.bad")).to_be_in_viewport()
    expect(page.locator("#queue-now")).to_be_hidden()
    page.click("text=Put away")
    expect(page.locator("#queue")).to_be_hidden()
    page.set_input_files("#pick-leaf", PHOTOS / "front-oak.jpg")  # no card in it
    expect(page.locator("[data-shot=leaf] [data-problem]").first).to_be_visible()
    home.shot("home-retake")

    # The signal fails in the middle of a photo and comes back.
    on_its_way = wire.stall("/shots/tree", up_bytes=20_000)
    page.set_input_files("#pick-tree", PHOTOS / "winter-maple.jpg")
    home.until("document.querySelector('#queue progress')?.value > 0.1")
    assert on_its_way.reached.wait(60)
    wire.cut()
    expect(page.locator("#queue-state")).to_contain_text("No signal")
    wire.mend()
    page.reload()
    expect(page.locator("[data-shot=tree] .taken-one")).to_have_count(1)
    expect(page.locator("#queue")).to_be_hidden()
    home.shot("home-photos")

    page.locator("[data-shot=leaf] .taken-one button").click()
    expect(page.locator("[data-shot=leaf] .taken-one")).to_have_count(0)
    page.click("a.button.big")
    home.shot("home-questions")
    answer_questions(page)
    page.wait_for_url("**/answer")
    expect(page.locator(".answer")).to_have_count(4)
    expect(page.get_by_text("It is not a quote.")).to_be_visible()
    home.shot("home-answer")
    page.click("button:has-text('Send to office')")
    expect(page.get_by_text("There is nothing more that you must do.")).to_be_visible()


def test_without_javascript(make_person):
    _, link, _ = give_link(make_person, "5 Juniper Rise")
    home = make_person("desk", java_script_enabled=False)
    page = home.page
    page.goto(link)
    page.check("[name=agree]")
    page.click("button.go")
    page.set_input_files("[data-shot=tree] input[name=file]", PHOTOS / "winter-maple.jpg")
    page.locator("[data-shot=tree] button", has_text="Send this photo").click()
    expect(page.locator("[data-shot=tree] .taken-one")).to_have_count(1)
    expect(page.locator("[data-shot=tree] .taken-one img")).to_be_visible()
    home.shot("home-plain")
    page.click("a.button.big")
    answer_questions(page)
    page.wait_for_url("**/answer")
    page.click("button:has-text('Send to office')")
    expect(page.get_by_text("There is nothing more that you must do.")).to_be_visible()


def test_withdrawn_and_expired_links(make_person, process):
    survey, link, rita = give_link(make_person, "9 Juniper Rise")
    home = make_person()
    home.page.goto(link)
    expect(home.page.locator("h1")).to_contain_text("9 Juniper Rise")
    rita.page.goto(f"/rep/{survey}/share")
    rita.page.click("button:has-text('Withdraw')")
    expect(rita.page.get_by_text("withdrawn").first).to_be_visible()
    home.page.goto(link)
    expect(home.page.locator("h1")).to_contain_text("withdrawn")
    home.shot("home-withdrawn")

    rita.page.click("text=Make a link")
    second = "/h/" + rita.page.input_value("#new-link").rsplit("/", 1)[1]
    rows = sqlite3.connect(process.data / "eavefall.db", timeout=30)
    rows.execute("UPDATE links SET expires_at = '2020-01-01' WHERE survey_id = ?", (survey,))
    rows.commit()
    rows.close()
    home.page.goto(second)
    expect(home.page.locator("h1")).to_contain_text("time is over")
    home.shot("home-expired")
