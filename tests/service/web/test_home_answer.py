"""The homeowner's page speaks to a homeowner: all that the advice can say has words there, and plain ones."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from typing import Any

import pytest

from eavefall_model.advice.assess import assess
from eavefall_model.advice.cautions import CAUTIONS
from eavefall_model.advice.measure_next import FIRST_STEPS
from eavefall_model.advice.rulebook import load_rules
from eavefall_model.advice.say import CLASSES, GUARDS, Voice, chance_words, say, voice_of
from eavefall_model.advice.schema import Advice, Caution, Reason
from eavefall_model.house.fields import FIELDS
from eavefall_model.house.place_photos import HOME_TREE
from eavefall_model.survey import Survey
from eavefall_model.vocabulary import FINENESS_CLASSES
from eavefall_service.journeys.prequote import PreQuote
from eavefall_service.web.homeowner.answer import HOLES, HomeAnswer, home_answer
from eavefall_service.web.homeowner.questions import QUESTIONS, SHOTS
from eavefall_service.web.homeowner.steps import PAGES, steps_of

from ...model.advice.test_every_rule_speaks import ELSEWHERE, HOUSES, house

RULES = load_rules().rules
OWNER = Voice("owner", "us", one_eave=True)
# Words of the trade, of the file format and of the engine; and anything said to the estimator.
JARGON = re.compile(
    r"\b(owner|household|rep|estimator|survey|eaves?|fineness|class|designation|openings?|downspouts?|outlets?|"
    r"litter|blinds|drip line|gauge|drop test|species|draws|pitch|roof run|foliage|take-off|surface|"
    r"no-guard-needed|guards?|a hand)\b|[{}_]",
    re.IGNORECASE,
)
CLIMB = re.compile(r"\b(ladders?|climb\w*|onto the roof)\b", re.IGNORECASE)
FORBIDS = re.compile(r"\b(never|nobody|no climbing|stay on the ground)\b", re.IGNORECASE)


def answer_to(advice: Advice, survey: Survey) -> HomeAnswer:
    months = advice.interval_months
    classes = tuple(
        name for name in (*FINENESS_CLASSES, "no-guard-needed") if advice.class_probability[name] >= 0.1
    )
    return home_answer(PreQuote(classes, months.low, months.high, advice))


def lines_of(answer: HomeAnswer) -> list[str]:
    steps = [*answer.first, *answer.yours, *answer.visit]
    return [
        answer.fine,
        *answer.fine_lines,
        answer.worth,
        *answer.worth_lines,
        answer.often,
        *answer.often_lines,
        *answer.reasons,
        *(step.text for step in steps),
        *answer.cautions,
    ]


@pytest.fixture(scope="module")
def advised() -> list[tuple[Survey, Advice]]:
    """Houses among which every shipped rule speaks, but for those that need a photo or an office's file."""
    return [(survey, assess(survey, draws=300)) for survey in HOUSES]


@pytest.fixture(scope="module")
def pines() -> tuple[Survey, Advice]:
    survey = house({"species": "Pinus strobus", "name": HOME_TREE})
    return survey, assess(survey, draws=300)


# ---- nothing that the advice can say is without words


def test_every_rule_has_words_for_a_homeowner() -> None:
    assert all(rule.to_owner for rule in RULES)


def test_every_first_step_and_every_input_has_words_for_a_homeowner() -> None:
    own = {kind for kind, field in FIELDS.items() if field.ask is not None and field.ask.of_owner}
    assert set(PAGES) == set(FIRST_STEPS) | own


def test_every_class_and_guard_has_words_for_a_homeowner() -> None:
    assert set(CLASSES["owner"]) == set(CLASSES["estimator"])
    assert set(GUARDS["owner"]) == set(GUARDS["estimator"])
    assert set(HOLES) == set(FINENESS_CLASSES)


def test_every_reason_of_the_engine_can_be_told(advised: list[tuple[Survey, Advice]]) -> None:
    told = set()
    for _, advice in advised:
        for reason in advice.reasons:
            line = say(reason, voice_of(advice, "owner", "us"))
            assert line is not None, f"{reason.rule} lacks a figure that its words quote"
            assert not JARGON.search(line), (reason.rule, line)
            told.add(reason.rule)
    assert {rule.id for rule in RULES} - told == ELSEWHERE


# ---- plain words, and nobody is sent up a ladder


def texts() -> Iterator[str]:
    yield from (rule.to_owner or "" for rule in RULES)
    yield from (owner for _, owner in FIRST_STEPS.values())
    for ask in filter(None, (field.ask for field in FIELDS.values())):
        yield from filter(None, (ask.of_owner, ask.at_visit))
    yield from (owner for _, owner in CAUTIONS.values())
    yield from (*CLASSES["owner"].values(), *HOLES.values(), *GUARDS["owner"].values())
    for shot in SHOTS:
        yield from (shot.title, shot.how)
    for question in QUESTIONS:
        yield from (question.text, *(text for _, text in question.answers))


@pytest.mark.parametrize("text", list(texts()))
def test_no_word_of_the_trade_and_no_climbing(text: str) -> None:
    bare = re.sub(r"{[\w:]+}", "it", text)
    assert not JARGON.search(bare)
    assert not CLIMB.search(bare) or FORBIDS.search(bare)
    assert not re.search(r"ask the (owner|homeowner)", bare, re.IGNORECASE)


def test_whole_answers_are_plain(advised: list[tuple[Survey, Advice]]) -> None:
    for survey, advice in advised:
        answer = answer_to(advice, survey)
        assert answer.reasons
        assert len(answer.reasons) <= 3
        assert answer.cautions[0].startswith("Please stay on the ground.")
        for line in lines_of(answer):
            assert not JARGON.search(line), line
            assert not CLIMB.search(line) or FORBIDS.search(line), line


def test_links_of_steps_lead_to_a_shot_or_a_question() -> None:
    places = {f"photos#shot-{shot.key}" for shot in SHOTS} | {f"questions#q-{each.key}" for each in QUESTIONS}
    assert set(PAGES.values()) <= places


# ---- same facts


def test_figures_stay_those_of_the_reason(pines: tuple[Survey, Advice]) -> None:
    _, advice = pines
    reason = next(each for each in advice.reasons if each.rule == "thinnest-needle-decides")
    given = {
        "thin_needle_tree": (HOME_TREE, "Back pines"),
        "thin_needle_mm": 0.5712,
        "thin_needle_range_mm": (0.55, 0.5949),
        "needed_opening_mm": 0.5,
    }
    figures = tuple(
        figure.model_copy(update={"value": given[figure.name]})
        for figure in reason.figures
        if figure.name in given
    )
    line = say(reason.model_copy(update={"figures": figures}), OWNER)
    assert line is not None
    assert line.replace("\u00a0", " ") == (
        "The thinnest needles that reach your gutter in any number come from the tree nearest the roof and "
        "“Back pines” and are about 0.57 mm (0.022 in) thick (0.55 to 0.59 mm). A needle slips in end first "
        "through any hole wider than it is thick, so the holes may be at most 0.5 mm (0.020 in) wide."
    )


@pytest.mark.parametrize(
    ("household", "said"),
    [({"cleanings_per_year": 2}, "You told us that twice a year is fine"), ({}, "reckoned with once a year")],
)
def test_what_the_household_said_is_told_apart_from_what_was_taken(
    household: dict[str, float], said: str
) -> None:
    survey = house({"species": "Quercus rubra", "count": 1, "distance": "25 m"}, household=household)
    advice = assess(survey, draws=200)
    assert advice.fineness_class == "no-guard-needed"
    answer = answer_to(advice, survey)
    assert answer.worth == "No"
    assert answer.fine.endswith("screen, to be on the safe side")
    assert any(said in line for line in answer.reasons)


def test_chances_and_their_order_are_those_of_the_advice(pines: tuple[Survey, Advice]) -> None:
    _, advice = pines
    rows = advice.measure_next[:4]
    yours, visit = steps_of(advice, OWNER)
    assert [step.text for step in yours] == [say(row, OWNER) for row in rows if row.by == "owner"]
    assert [step.text for step in visit] == [say(row, OWNER) for row in rows if row.by == "visit"]
    assert all(step.page for step in yours)
    assert not any(step.page for step in visit)
    for row in rows:
        chance = max(row.chance_changes_class, row.chance_changes_interval)
        of = "this answer" if row.chance_changes_class == chance else "how often cleaning is due"
        assert (say(row, OWNER) or "").endswith(f"(odds {chance_words(chance)} that it changes {of}).")


def test_two_kinds_of_needle_ask_for_one_photo(pines: tuple[Survey, Advice]) -> None:
    _, advice = pines
    width = {"input": "source.Pinus strobus..width", "by": "owner"}
    row = advice.measure_next[0].model_copy(update=width)
    other = row.model_copy(update={"input": "source.Picea abies..width", "chance_changes_class": 0.01})
    yours, visit = steps_of(advice.model_copy(update={"measure_next": (row, other)}), OWNER)
    assert ([step.text for step in yours], visit) == ([say(row, OWNER)], ())
    seen = tuple(each.model_copy(update={"by": "visit"}) for each in (row, other))
    yours, visit = steps_of(advice.model_copy(update={"measure_next": seen}), OWNER)
    assert (yours, len(visit)) == ((), 1)


# ---- the kinds of answer


def test_a_class_comes_with_what_it_may_also_turn_out_to_be(pines: tuple[Survey, Advice]) -> None:
    _, advice = pines
    quote = PreQuote(("fine", "extra-fine", "no-guard-needed"), 9, 60, advice)
    answer = home_answer(quote)
    assert answer.fine == "An extra-fine screen, to be on the safe side"
    assert answer.fine_lines[-1].endswith("turn out to be a fine screen or no screen at all.")
    assert answer.often.replace("\u00a0", " ") == "Every 9 months to more than five years"
    assert answer.first == ()


def test_an_end_of_the_answers_that_would_need_the_kind_is_told(pines: tuple[Survey, Advice]) -> None:
    _, advice = pines
    sure, unsure = (home_answer(PreQuote(("fine", *more), 9, 60, advice)) for more in ((), ("unsure",)))
    told = "must know the kind of tree first"
    assert not any(told in line for line in sure.fine_lines)
    assert any(told in line for line in unsure.fine_lines)


def test_while_the_kind_is_unknown_no_screen_is_named_and_the_steps_come_in_order() -> None:
    survey = house({"name": HOME_TREE})
    advice = assess(survey, draws=300)
    assert advice.fineness_class == "unsure"
    answer = answer_to(advice, survey)
    assert answer.fine == "We can't say yet"
    assert "don't know the kind of the tree nearest the roof" in answer.reasons[0]
    assert [step.text for step in answer.first] == [FIRST_STEPS[row.code][1] for row in advice.find_out_first]
    assert [step.page for step in answer.first] == [PAGES[row.code] for row in advice.find_out_first]
    assert not any("to be on the safe side" in line for line in lines_of(answer))
    assert all(step.page not in {each.page for each in answer.first} for step in answer.yours)


def test_nothing_known_of_trees_is_no_promise() -> None:
    survey = house()
    answer = answer_to(assess(survey, draws=100), survey)
    assert answer.fine == "We can't say yet"
    assert "If none stands near your house" in answer.fine_lines[0]
    assert answer.first[0].page == "questions"
    assert not answer.nothing_likely


# ---- the pages as they are served


def text_of(page: str) -> str:
    """What a reader sees: the page without its head, scripts, drawings and tags."""
    body = re.sub(r"(?s)<(script|style|svg|head)\b.*?</\1>", " ", page)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())


def test_every_page_of_a_homeowner_is_plain(visitor: Any, rep: Any, survey: str, tree_photo: bytes) -> None:
    address = rep.post(f"/api/1/surveys/{survey}/links", json={"days": 3}).json()["address"]
    home = f"/h/{address.rsplit('/', 1)[1]}"
    answers = {"near": "over", "tall": "taller", "storeys": "two", "kind": "both", "accept": "1"}
    pages = [
        visitor.get(home),
        visitor.post(f"{home}/consent", data={}),
        visitor.post(f"{home}/consent", data={"agree": "yes"}),
        visitor.post(f"{home}/photos/tree", files={"file": tree_photo}),
        visitor.post(f"{home}/photos/house", files={"file": tree_photo}),
        visitor.post(f"{home}/photos/leaf", files={"file": b"no photo"}),
        visitor.get(f"{home}/questions"),
        visitor.post(f"{home}/questions", data=answers),
        visitor.post(f"{home}/send"),
        visitor.get(home),
        visitor.get("/privacy"),
        visitor.get("/h/not-a-link", headers={"Accept": "text/html"}),
    ]
    for page in pages:
        text = text_of(page.text)
        assert len(text) > 60
        assert not JARGON.search(text), (page.url.path, JARGON.search(text))
        assert not CLIMB.search(text) or FORBIDS.search(text), page.url.path


# ---- an office's own rules


def reason_of(rule: str, estimator: str, owner: str | None) -> Reason:
    return Reason(
        rule=rule,
        sentence=estimator,
        to_estimator=estimator,
        to_owner=owner,
        source="office",
        mark="judgement",
    )


def test_a_rule_of_an_offices_own_is_left_out_and_its_caution_is_not(pines: tuple[Survey, Advice]) -> None:
    survey, advice = pines
    own = reason_of("our-habit", "Ask the owner about it.", None)
    bees = "Bees nest under these tiles."
    careful = Caution(topic="bees", sentence=bees, to_estimator=bees, to_owner=bees)
    changed = advice.model_copy(update={"reasons": (own,), "cautions": (*advice.cautions, careful)})
    answer = answer_to(changed, survey)
    assert answer.reasons == ("The office's own rules decided this. Ask the office what they are.",)
    assert answer.cautions[-1] == bees


def test_what_an_office_says_to_the_owner_is_said_as_it_says_it(pines: tuple[Survey, Advice]) -> None:
    survey, advice = pines
    own = reason_of("our-habit", "Charge two visits.", "we come twice a year, in May and November.")
    answer = answer_to(advice.model_copy(update={"reasons": (own,)}), survey)
    assert answer.reasons == ("We come twice a year, in May and November.",)
