"""An invented office in a data directory: people, houses, photos, audits and later visits, to look around in.

Everything in it is made up, and the photos are rendered by our own code. It is written through the same
door as the work of real people; only its clock is pretended.
"""

from __future__ import annotations

import random
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from eavefall_model.advice import Advice, OfficeSettings
from eavefall_model.errors import ServiceError
from eavefall_model.photo import decode
from eavefall_model.reading import Reading, read_photo
from eavefall_model.tags.tagger import Tagger
from eavefall_model.vocabulary import FINENESS_CLASSES, Shows
from eavefall_service.demo.invented_houses import (
    STANDS,
    InventedTree,
    drawn_logo,
    house_document,
    house_name,
    photo_take,
)
from eavefall_service.journeys import accounts, decisions, photos, surveys
from eavefall_service.journeys.actor import UPKEEP, Actor, Role
from eavefall_service.journeys.administration.settings import Letterhead, set_letterhead
from eavefall_service.journeys.advice import advise, latest_advice, store_advice
from eavefall_service.journeys.door import changing, changing_office
from eavefall_service.journeys.needs import needs_of, score_of
from eavefall_service.journeys.photos import PhotoFacts, PhotoMeta
from eavefall_service.journeys.survey_view import load_view
from eavefall_service.office import facts, outcomes, samples
from eavefall_service.statistics.weeks import week_of
from eavefall_service.storage import Database, PhotoFolder
from eavefall_service.storage.clock import pretending, to_text
from eavefall_service.storage.rows import SurveyRow
from eavefall_service.storage.statistics_rows import FactRow

Progress = Callable[[str, int, int], None]
_WEEKS: Final = 26
_CLOSED_WEEKS: Final = (9, 10)
_BRANCHES: Final = ("Hill country", "Lake shore", "North valley")
_REPS: Final = (("rita", 0), ("remo", 0), ("runa", 1), ("rolf", 1), ("rhea", 2), ("rufus", 2))
# Numbers from 555-0100 to 555-0199 are kept free for stories, in every area code of North America.
_OFFICE: Final = ("Quillwort Gutters (invented)", "555-0142")
_WORDS: Final = {"confirm": "Agreed.", "correct": "The needles are short.", "send_back": "Which side is it?"}


@dataclass(frozen=True)
class Person:
    """Somebody of the invented office, with the password to sign in by."""

    name: str
    role: Role
    branch: str
    password: str

    @property
    def actor(self) -> Actor:
        """Who acts."""
        return Actor(self.name, self.role, self.branch)


@dataclass
class _Making:
    """What is at hand while the office is made. A photo that was read once is not read again."""

    database: Database
    folder: PhotoFolder
    tagger: Tagger
    pick: random.Random
    people: list[Person]
    settings: OfficeSettings
    secret: str
    readings: dict[str, Reading] = field(default_factory=dict)

    def one_of(self, role: Role) -> Actor:
        """Somebody of this role."""
        return self.pick.choice([person.actor for person in self.people if person.role == role])


def fill_office(
    data: Path,
    *,
    houses: int = 60,
    seed: int = 7,
    secret: str,
    progress: Progress = lambda _what, _done, _total: None,
) -> list[Person]:
    """Make the office in ``data``; returns its people with their passwords, which are new each time.

    Parameters
    ----------
    secret : str
        Key of the server that will open it (see ``Settings``).
    progress : callable
        Told what is being done, how many are done and how many there are.

    Raises
    ------
    ServiceError
        ``request-invalid`` where ``data`` already holds something.
    """
    if data.exists() and (not data.is_dir() or any(data.iterdir())):
        raise ServiceError("request-invalid", f"{data} is there already and not empty.", "Name a new folder.")
    data.mkdir(parents=True, exist_ok=True, mode=0o700)
    database, pick = Database.of(data), random.Random(seed)
    start = datetime.now(UTC).replace(hour=9, minute=0) - timedelta(weeks=_WEEKS)
    try:
        with pretending(start):
            people = _people(database)
            with changing_office(database, people[0].actor, "change settings") as session:
                set_letterhead(session, Letterhead(*_OFFICE, drawn_logo()), by=people[0].actor)
        folder, settings = PhotoFolder(data / "photos"), OfficeSettings()
        making = _Making(database, folder, Tagger.load(), pick, people, settings, secret)
        for number, moment in enumerate(_moments(pick, start, houses)):
            progress("Surveying invented houses", number, houses)
            _survey(making, number, moment)
        with changing_office(database, UPKEEP, "keep statistics") as session:
            facts.refresh_facts(session, folder.original)
        _sample_and_read(making, progress)
        _visit_again(making, progress)
        return people
    finally:
        database.close()


def _people(database: Database) -> list[Person]:
    office: list[tuple[str, Role, str]] = [("ada", "admin", "")]
    office += [(name, "auditor", "") for name in ("aldo", "anna")]
    office += [(name, "rep", _BRANCHES[branch]) for name, branch in _REPS]
    people = [Person(name, role, branch, secrets.token_urlsafe(9)) for name, role, branch in office]
    with changing_office(database, Actor("demo", "admin"), "change people") as session:
        for each in people:
            accounts.add_user(session, each.name, each.role, each.password, by=UPKEEP, branch=each.branch)
    return people


def _moments(pick: random.Random, start: datetime, n: int) -> list[datetime]:
    """Times over the half year, oldest first; in two weeks nobody surveyed."""
    weeks = [week for week in range(_WEEKS) if week not in _CLOSED_WEEKS]
    return sorted(
        start + timedelta(weeks=pick.choice(weeks), days=pick.randrange(5), minutes=pick.randrange(480))
        for _ in range(n)
    )


def _survey(making: _Making, number: int, moment: datetime) -> None:
    """A house surveyed, handed in two hours later, decided within days; the newest are still under way."""
    pick, actor = making.pick, making.one_of("rep")
    survey_id, stand, age = f"{pick.getrandbits(64):016x}", pick.choice(STANDS), datetime.now(UTC) - moment
    with pretending(moment):
        with changing_office(making.database, actor, "make survey") as session:
            known = house_document(pick, stand)
            row = surveys.create(session, survey_id, house_name(pick), actor, known=known)
            row.consent_training = pick.random() < 0.6
            row.origin = "homeowner" if number % 10 == 4 else "rep"
        for tree in stand:
            for file, shows in tree.photos:
                sha256 = _photo(making, actor, survey_id, file, shows, tree.name)
                if shows == "tree" and pick.random() < 0.4:
                    _look_at(making, actor, survey_id, sha256, tree)
        if pick.random() < 0.3:
            _photo(making, actor, survey_id, "gutter", "gutter", "Back")
        if stand[0].form == "long_needle" and pick.random() < 0.2:
            _photo(making, actor, survey_id, "needles-card", "gauge", stand[0].name)
    if age > timedelta(days=12) or number % 2:
        with pretending(min(moment + timedelta(hours=2), datetime.now(UTC))):
            _hand_in(making, actor, survey_id)
    # An office that is alive lets nothing wait for more than a few weeks.
    if age > timedelta(weeks=6) or (age > timedelta(weeks=1) and pick.random() < 0.4):
        with pretending(moment + timedelta(days=pick.randrange(1, 4))):
            _decide(making, making.one_of("auditor"), survey_id)


def _photo(making: _Making, actor: Actor, survey_id: str, file: str, shows: Shows, of: str) -> str:
    """A photo sent and read; returns its SHA-256."""
    pixels, data = photo_take(making.pick, file)
    incoming = making.folder.begin()
    incoming.write(data)
    sha256 = incoming.sha256
    if pixels not in making.readings:
        making.readings[pixels] = read_photo(data, name=file, shows=shows, tagger=making.tagger)
    read = making.readings[pixels]
    photo = decode(data, name=file, fit_px=making.tagger.fit_px)
    meta = PhotoMeta(shows, of, reference="card" if shows == "gauge" else None)
    facts_of = PhotoFacts(sha256, len(data), photo.width_px, photo.height_px)
    with making.folder.lock, changing(making.database, actor, "send photo", survey_id) as (session, survey):
        row = photos.add_photo(session, survey, actor, facts_of, meta, most=20, most_gauge=5)
        if read.tags is not None:
            photos.add_tags(
                session, row.id, read.tags.model_copy(update={"photo": row.name, "sha256": sha256})
            )
        if read.gauge is not None:
            photos.add_gauge(session, row.id, read.gauge.model_copy(update={"sha256": sha256}))
        making.folder.keep(incoming)
    return sha256


def _look_at(making: _Making, actor: Actor, survey_id: str, sha256: str, tree: InventedTree) -> None:
    with changing(making.database, actor, "correct tags", survey_id) as (session, survey):
        photo = photos.photo_of(session, survey_id, sha256)
        photos.correct(session, survey, photo, actor, tree.foliage, tree.form)


def _hand_in(making: _Making, actor: Actor, survey_id: str) -> None:
    with making.database.read() as session:
        inputs = load_view(session, survey_id, actor).inputs(making.settings)
    advice = advise(inputs)
    with changing(making.database, actor, "submit", survey_id) as (session, row):
        store_advice(session, row, inputs, advice)
        if making.pick.random() < 0.15 and advice.fineness_class in FINENESS_CLASSES:
            other = _neighbor(making.pick, advice.fineness_class)
            decisions.decide(session, row, actor, "override", text="Seen on the spot.", fineness_class=other)
        decisions.decide(session, row, actor, "submit")
        _set_needs(making, session, row, advice)


def _decide(making: _Making, actor: Actor, survey_id: str) -> None:
    chance = making.pick.random()
    kind: decisions.Kind = "confirm" if chance < 0.8 else "correct" if chance < 0.9 else "send_back"
    with changing(making.database, actor, kind, survey_id) as (session, row):
        latest = latest_advice(session, survey_id)
        if latest is None:
            return
        other = _neighbor(making.pick, latest.fineness_class) if kind == "correct" else None
        decisions.decide(session, row, actor, kind, text=_WORDS[kind], fineness_class=other)
        _set_needs(making, session, row, Advice.model_validate(latest.body))


def _neighbor(pick: random.Random, said: str) -> str:
    at = next((at for at, each in enumerate(FINENESS_CLASSES) if each == said), 2)
    return FINENESS_CLASSES[at + 1 if at == 0 or (at < 4 and pick.random() < 0.5) else at - 1]


def _set_needs(making: _Making, session: Session, row: SurveyRow, advice: Advice) -> None:
    session.flush()
    seen, said = photos.views(session, row.id), decisions.decisions_of(session, row.id)
    row.needs = needs_of(row.id, row.origin, advice, seen, said, making.secret)
    row.need_score = score_of(row.needs)


def _sample_and_read(making: _Making, progress: Progress) -> None:
    """Two samples; the older one read by all who should, of the newer one a few are left to read."""
    first, second = (person.actor for person in making.people if person.role == "auditor")
    this = week_of(to_text(datetime.now(UTC)))
    for weeks_ago, left in ((13, 0), (0, 3)):
        with pretending(datetime.now(UTC) - timedelta(weeks=weeks_ago, hours=1)):
            with changing_office(making.database, first, "draw sample") as session:
                drawn = samples.make_draw(
                    session, first, this - weeks_ago - 13, this - weeks_ago - 1, 16, seed=weeks_ago,
                    readers=[first.name, second.name],
                )  # fmt: skip
                ids = [one.survey_id for one in samples.sampled_in(session, drawn.id, "")]
            for place, survey_id in enumerate(ids[: len(ids) - left]):
                progress("Reading blind", place, len(ids))
                for reader in (first, second) if place % 4 == 0 else (first,):
                    with changing(making.database, reader, "read blind", survey_id) as (session, _):
                        said = session.get_one(FactRow, survey_id).rep_class
                        if making.pick.random() > 0.88:
                            said = _neighbor(making.pick, said)
                        samples.read_blind(session, reader, survey_id, said)


def _visit_again(making: _Making, progress: Progress) -> None:
    """Later visits to the oldest houses, and one factor accepted."""
    with making.database.read() as session:
        oldest = session.scalars(select(FactRow.survey_id).order_by(FactRow.at).limit(18)).all()
        kept = {survey_id: latest_advice(session, survey_id) for survey_id in oldest}
        houses = [
            (survey_id, outcomes.predicted_for(run.body, "none").typical)
            for survey_id, run in kept.items()
            if run is not None
        ]
    for place, (survey_id, typical) in enumerate(houses):
        progress("Visiting again", place, len(houses))
        months = round(min(120.0, max(1.0, typical * making.pick.uniform(0.4, 1.3))), 1)
        # Made up: in this office gutters fill a little sooner than predicted.
        found = "clogged" if typical * making.pick.lognormvariate(-0.2, 0.5) < months else "clean"
        actor = making.one_of("auditor")
        with changing_office(making.database, actor, "record outcome") as session:
            outcomes.record_outcome(session, actor, survey_id, "none", found, months)
    auditor = making.one_of("auditor")
    with changing_office(making.database, auditor, "accept factor") as session:
        outcomes.accept_scale(session, auditor, "none")
