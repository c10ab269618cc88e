"""A bucket of seven observations in the open-data layout, made here."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from eavefall_datasets.observations import bring, choose


@pytest.fixture
def bucket(tmp_path: Path) -> Path:
    tables = {
        "taxa": ["taxon_id\tancestry\trank_level\trank\tname\tactive",
                 "1\t\t10\tspecies\tPinus strobus\ttrue",
                 "2\t\t10\tspecies\tPinus rigida\ttrue", "3\t\t10\tspecies\tAcer rubrum\ttrue"],
        "observers": ["observer_id\tlogin\tname", "9\tsomebody\tSome Body", "8\tlogin-only\t"],
        "observations": ["observation_uuid\tobserver_id\tlatitude\tlongitude\tpositional_accuracy\ttaxon_id\t"
                         "quality_grade\tobserved_on"]
        + [f"u{i}\t9\t0\t0\t1\t{taxon}\t{grade}\t{date}" for i, (taxon, grade, date) in enumerate([
            (1, "research", "2020-01-05"), (1, "needs_id", "2020-01-05"), (2, "research", "2020-07-05"),
            (3, "research", "2020-01-05"), (1, "research", "2021-01-09"), (1, "research", "")])],
        "photos": ["photo_uuid\tphoto_id\tobservation_uuid\tobserver_id\textension\tlicense\twidth\theight"]
        + [f"p\t{n}\t{u}\t{who}\tjpg\t{lic}\t5\t5" for n, u, who, lic in [
            (10, "u0", 9, "CC-BY"), (11, "u0", 9, "CC-BY"), (12, "u1", 9, "CC0"), (13, "u2", 8, "CC-BY-SA"),
            (14, "u3", 9, "CC0"), (15, "u4", 9, "CC-BY-NC"), (16, "u5", 9, "CC0")]],
    }  # fmt: skip
    for name, lines in tables.items():
        (tmp_path / f"{name}.csv").write_text("\n".join(lines) + "\n")
    for n in (10, 13):
        (tmp_path / "photos" / str(n)).mkdir(parents=True)
        (tmp_path / "photos" / str(n) / "medium.jpg").write_bytes(b"jpeg %d" % n)
    return tmp_path


def test_chooses_by_name_month_licence_and_confirmation(bucket: Path) -> None:
    assert [w.file for w in choose(bucket, ["Pinus"])] == ["10.jpg", "13.jpg"]
    assert [w.file for w in choose(bucket, ["pinus strobus"])] == ["10.jpg"]
    assert [w.file for w in choose(bucket, ["Pinus"], months=[7])] == ["13.jpg"]
    assert [w.credit for w in choose(bucket, ["Pinus"])] == ["Some Body", "login-only"]
    with pytest.raises(ValueError, match="no taxon"):
        choose(bucket, ["Quercus"])


def test_brings_resumes_and_writes_credits(bucket: Path, tmp_path: Path) -> None:
    wanted, out = choose(bucket, ["Pinus", "Acer"]), tmp_path / "out"
    assert bring(wanted, str(bucket), out) == (2, 1)
    assert bring(wanted, str(bucket), out) == (0, 1)
    assert (out / "10.jpg").read_bytes() == b"jpeg 10"
    with (out / "credits.csv").open() as handle:
        rows = list(csv.DictReader(handle))
    assert [(r["file"], r["licence"]) for r in rows] == [("10.jpg", "CC BY 4.0"), ("13.jpg", "CC BY-SA 4.0")]
