"""Facts, samples, blind reads, tables, drift and outcomes over a real database."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image
from sqlalchemy import func, select

from eavefall_model.errors import ServiceError
from eavefall_service.journeys.actor import Actor
from eavefall_service.office import agreement_tables as tables
from eavefall_service.office import facts, outcomes, samples, watching
from eavefall_service.statistics.plans import single_plan
from eavefall_service.statistics.weeks import week_of
from eavefall_service.storage import Database
from eavefall_service.storage.rows import AdviceRow, DecisionRow, SurveyRow
from eavefall_service.storage.statistics_rows import FactRow

from . import filled

ANA = Actor("ana", "auditor")
BEN = Actor("ben", "auditor")
REP = Actor("rep-A1", "rep")
NOWHERE = Path("/nowhere")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A filled database whose facts are up to date, closed."""
    path = tmp_path_factory.mktemp("office") / "eavefall.db"
    made = Database(path)
    filled.fill(made, 900)
    with made.write() as session:
        facts.refresh_facts(session, lambda sha256: NOWHERE / sha256)
    made.close()
    return path


@pytest.fixture
def database(whole: Path, tmp_path: Path) -> Iterator[Database]:
    made = Database(Path(shutil.copy(whole, tmp_path)))
    yield made
    made.close()


def test_facts_follow_what_is_stored(database: Database) -> None:
    with database.read() as session:
        assert session.scalar(select(func.count()).select_from(FactRow)) == 900
        assert facts.waiting(session) == 0
        override = session.scalar(select(DecisionRow).limit(1))
        assert override is not None
        fact = session.get_one(FactRow, override.survey_id)
        assert (fact.rep_class, fact.corrected, fact.phone) == (override.fineness_class, 1, "unknown")
        assert fact.season == "winter"
        assert fact.week == week_of("2031-01-06T09:00:00.000Z")
        corrected = session.scalar(select(func.sum(FactRow.corrected)))
    assert 60 <= corrected <= 200  # 8 % of most, 45 % of some


def test_facts_take_up_changes_in_steps(database: Database) -> None:
    with database.write() as session:
        for survey_id in ("s000001", "s000002", "s000003"):
            session.get_one(SurveyRow, survey_id).changed_at = "2032-01-01T00:00:00.000Z"
            session.add(
                DecisionRow(survey_id=survey_id, at="2032", who="ana", role="auditor", kind="correct",
                            fineness_class="open", note="seen")
            )  # fmt: skip
        session.flush()
        assert facts.waiting(session) == 3
        assert facts.refresh_facts(session, lambda _: NOWHERE, limit=2) == 2
        assert facts.waiting(session) == 1
        assert facts.refresh_facts(session, lambda _: NOWHERE, limit=2) == 1
        assert session.get_one(FactRow, "s000003").auditor_class == "open"
        # New advice alone is noticed too.
        session.add(
            AdviceRow(survey_id="s000009", created_at="2032", input_sha256="0", model="tagger-b", rules="r",
                      fineness_class="fine", body=filled.advice_body("fine", 0.9))
        )  # fmt: skip
        session.flush()
        assert facts.refresh_facts(session, lambda _: NOWHERE) == 1
        assert session.get_one(FactRow, "s000009").model == "tagger-b"


def test_phone_is_read_from_the_photo_and_nothing_else(tmp_path: Path) -> None:
    image = Image.new("RGB", (40, 30))
    exif = image.getexif()
    exif[0x0110] = "Phone\x07 Nine"
    image.save(tmp_path / "a.jpg", exif=exif)
    (tmp_path / "b.jpg").write_bytes(b"no picture")
    assert facts.phone_of(tmp_path / "a.jpg") == "Phone Nine"
    assert facts.phone_of(tmp_path / "b.jpg") == "unknown"


def test_sample_is_drawn_kept_and_drawn_again(database: Database) -> None:
    week = week_of("2031-01-06")
    plan = single_plan(900, 4.0)
    with database.write() as session:
        row = samples.make_draw(session, ANA, week, week + 29, 80, plan=plan, readers=["ana", "ben"])
        drawn = samples.sampled_in(session, row.id, "ana")
        assert len(drawn) == 80
        assert drawn[0].weight == pytest.approx(900 / 80)
        assert sum(d.second_reader is not None for d in drawn) == 20
        assert row.plan["sample_size"] == 80
        assert samples.replay(session, row)
        session.get_one(FactRow, drawn[0].survey_id).rep = "somebody else"
        session.flush()
        assert not samples.replay(session, row)
    with database.write() as session, pytest.raises(ServiceError, match="others of the office"):
        samples.make_draw(session, REP, week, week, 5)
    with database.write() as session, pytest.raises(ServiceError, match="no survey to draw"):
        samples.make_draw(session, ANA, 1, 2, 5)


def test_blind_read_hides_answers_until_given_and_counts_once(database: Database) -> None:
    week = week_of("2031-01-06")
    with database.write() as session:
        row = samples.make_draw(session, ANA, week, week + 29, 12, seed=5)
        first = samples.sampled_in(session, row.id, "ana")[0]
        assert first.answers is None
        samples.read_blind(session, ANA, first.survey_id, "fine")
        session.flush()
        seen = samples.sampled_in(session, row.id, "ana")[0].answers
        assert seen is not None
        assert seen["ana"] == "fine"
        assert set(seen) == {"model", "rep", "ana"}
        assert samples.sampled_in(session, row.id, "ben")[0].answers is None
        with pytest.raises(ServiceError, match="already"):
            samples.read_blind(session, ANA, first.survey_id, "medium")
        with pytest.raises(ServiceError, match="fineness class"):
            samples.read_blind(session, BEN, first.survey_id, "finest")
        outside = next(s for s in ("s000000", "s000001", "s000002") if s not in
                       {d.survey_id for d in samples.sampled_in(session, row.id, "ana")})  # fmt: skip
        with pytest.raises(ServiceError, match="in no sample"):
            samples.read_blind(session, ANA, outside, "fine")


def test_tables_add_up(database: Database) -> None:
    week = week_of("2031-01-06")
    with database.write() as session:
        row = samples.make_draw(session, ANA, week, week + 29, 60, seed=5)
        for place, one in enumerate(samples.sampled_in(session, row.id, "ana")):
            fact = session.get_one(FactRow, one.survey_id)
            answer = "open" if place % 10 == 0 else fact.rep_class
            samples.read_blind(session, ANA, one.survey_id, answer)
            if place % 4 == 0:
                samples.read_blind(session, BEN, one.survey_id, answer)
        session.flush()
        everyone = tables.pair_table(session, "model-rep")
        # A rep who said nothing has not agreed: one in three spoke, and those who overruled the model.
        spoke = session.scalar(select(func.sum(FactRow.rep_spoke)))
        assert 300 <= spoke < 900
        assert everyone.n == spoke
        assert 0 < (everyone.agreement().value or 0) < 1
        assert sum(tables.pair_table(session, "model-rep", b).n for b in tables.branches(session)) == spoke
        silent = tables.silent_reps(session)
        assert (silent.events, silent.n) == (900 - spoke, 900)
        assert 0 < tables.pair_table(session, "rep-auditor").n < 60
        assert tables.pair_table(session, "model-auditor").n == 60
        two = tables.pair_table(session, "auditor-auditor")
        assert (two.n, two.agreement().value) == (15, 1.0)
        reads = tables.sample_reads(session)
        assert reads.rep_wrong.n == 60
        assert 0.02 <= (reads.rep_wrong.value or 0) <= 6 / 60 + 1e-9
        assert (reads.model_wrong.value or 0) >= (reads.rep_wrong.value or 0)
        assert "extra-fine" in everyone.labels
        assert "no-guard-needed" not in everyone.labels


def test_drift_is_found_in_the_branch_that_changed_and_designs_are_kept(database: Database) -> None:
    with database.write() as session:
        designs = watching.Designs(session)
        found = {s.group: s for s in watching.drift_series(session, "corrected", "branch", designs)}
        assert found["C"].watched.state == "alarm"
        assert found["C"].watched.alarms[0].week >= week_of("2031-01-06") + 18
        assert sum(week.share.n for s in found.values() for week in s.weeks) == 900
        assert designs.made
        designs.keep(session)
        session.flush()
        again = watching.Designs(session)
        assert {s.group: s for s in watching.drift_series(session, "corrected", "branch", again)} == found
        assert not again.made
        (phone,) = watching.drift_series(session, "poor_photo", "phone", again)
        assert phone.group == "unknown"
        seasons = watching.season_shares(session, "needle")
        assert {s.season for s in seasons} == {"winter", "spring", "summer"}
        assert all(s.share.value == 1.0 for s in seasons)
        with pytest.raises(ValueError, match="not one of"):
            watching.drift_series(session, "mood", "branch", again)


def test_outcomes_move_the_factor_only_when_accepted(database: Database) -> None:
    with database.write() as session:
        for i in range(12):
            outcomes.record_outcome(session, REP, f"s{i:06d}", "woven_micromesh", "clogged", 6.5, 3.0)
        session.flush()
        own = outcomes.visits(session, "woven_micromesh")
        assert len(own) == 12
        assert own[0].predicted.typical == 12.0
        assert outcomes.accepted_scales(session) == {}
        row, update = outcomes.accept_scale(session, ANA, "woven_micromesh")
        session.flush()
        assert row.factor == update.posterior[1] < 1
        assert row.update["prior"] == list(update.prior) or row.update["prior"] == update.prior
        assert outcomes.accepted_scales(session)["woven_micromesh"].factor == row.factor


@pytest.mark.parametrize(
    ("survey", "guard", "found", "months", "clean", "code"),
    [("nobody", "none", "clogged", 5.0, 0.0, "not-found"),
     ("s000001", "none", "dusty", 5.0, 0.0, "request-invalid"),
     ("s000001", "plastic", "clean", 5.0, 0.0, "request-invalid"),
     ("s000001", "none", "clogged", 5.0, 6.0, "request-invalid"),
     ("s000001", "front_slot_cover", "clogged", 5.0, 0.0, "request-invalid")],
)  # fmt: skip
def test_impossible_outcomes_are_refused(
    database: Database, survey: str, guard: str, found: str, months: float, clean: float, code: str
) -> None:
    with database.write() as session, pytest.raises(ServiceError) as refused:
        outcomes.record_outcome(session, REP, survey, guard, found, months, clean)
    assert refused.value.code == code
