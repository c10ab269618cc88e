"""Openly licensed observation photos from the open-data buckets of large community-science sets.

The layout is four tab-separated tables, plain or gzipped: ``taxa`` (taxon_id, ancestry, rank, name),
``observations`` (observation_uuid, taxon_id, quality_grade, observed_on), ``observers`` (observer_id, login,
name) and ``photos`` (photo_id, extension, observation_uuid, observer_id, license), beside
``photos/<photo_id>/<size>.<extension>``. Only CC0, CC BY and CC BY-SA are kept.
"""

from __future__ import annotations

import csv
import gzip
import os
import urllib.request
from collections import Counter
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

LICENCES = {"CC0": "CC0", "CC-BY": "CC BY 4.0", "CC-BY-SA": "CC BY-SA 4.0"}
_COLUMNS = ("file", "taxon", "observed_on", "licence", "credit", "credit_url", "source")


@dataclass(frozen=True)
class Wanted:
    """One photo to bring: where it lies under the bucket and its credit row."""

    key: str
    file: str
    taxon: str
    observed_on: str
    licence: str
    credit: str


def choose(
    tables: Path, names: Collection[str], *, months: Collection[int] = range(1, 13), per_species: int = 100
) -> tuple[Wanted, ...]:
    """Photos of the named species or genera, in table order, at most ``per_species`` of each species.

    Only observations others have confirmed (``quality_grade`` research), taken in one of ``months`` (1 to
    12), and one photo per observation, since more would be near-duplicates.

    Raises
    ------
    FileNotFoundError
        If a table is missing.
    ValueError
        If no taxon matches.
    """
    wanted = {name.lower() for name in names}
    taxa = {
        row["taxon_id"]: row["name"]
        for row in _rows(tables, "taxa")
        if row["name"].lower() in wanted or row["name"].split(" ")[0].lower() in wanted
    }
    if not taxa:
        raise ValueError(f"no taxon in {tables} is named {', '.join(sorted(wanted))}")
    seen: dict[str, tuple[str, str]] = {}
    for row in _rows(tables, "observations"):
        if row["taxon_id"] in taxa and row["quality_grade"] == "research":
            date = row["observed_on"]
            if len(date) >= 7 and int(date[5:7]) in months:
                seen[row["observation_uuid"]] = (taxa[row["taxon_id"]], date)
    people = {row["observer_id"]: row["name"] or row["login"] for row in _rows(tables, "observers")}
    out: list[Wanted] = []
    count: Counter[str] = Counter()
    used: set[str] = set()
    for row in _rows(tables, "photos"):
        uuid = row["observation_uuid"]
        if uuid not in seen or uuid in used or row["license"].upper() not in LICENCES:
            continue
        taxon, date = seen[uuid]
        if count[taxon] >= per_species:
            continue
        count[taxon] += 1
        used.add(uuid)
        out.append(
            Wanted(
                key=f"photos/{row['photo_id']}/medium.{row['extension']}",
                file=f"{row['photo_id']}.{row['extension']}",
                taxon=taxon,
                observed_on=date,
                licence=LICENCES[row["license"].upper()],
                credit=people.get(row["observer_id"], f"observer {row['observer_id']}"),
            )
        )
    return tuple(out)


def bring(
    wanted: tuple[Wanted, ...], bucket: str, folder: Path, *, say: Callable[[str], None] = print
) -> tuple[int, int]:
    """Copy the photos to ``folder`` and write ``credits.csv`` beside them; returns (brought, missing).

    ``bucket`` is a folder or an http(s) address. Files that are there already are not brought again, and
    each is written whole or not at all, so the command can be stopped and repeated.
    """
    folder.mkdir(parents=True, exist_ok=True)
    brought = 0
    there: list[Wanted] = []
    for number, item in enumerate(wanted, start=1):
        target = folder / item.file
        if not target.exists():
            data = _get(bucket, item.key)
            if data is None:
                continue
            part = target.with_suffix(target.suffix + ".part")
            part.write_bytes(data)
            os.replace(part, target)
            brought += 1
        there.append(item)
        if number % 100 == 0:
            say(f"{number} of {len(wanted)}")
    part = folder / "credits.csv.part"
    with part.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.DictWriter(handle, _COLUMNS, lineterminator="\n")
        writer.writeheader()
        for item in there:
            writer.writerow({
                "file": item.file, "taxon": item.taxon, "observed_on": item.observed_on,
                "licence": item.licence, "credit": item.credit, "credit_url": "", "source": bucket,
            })  # fmt: skip
    os.replace(part, folder / "credits.csv")
    return brought, len(wanted) - len(there)


def _rows(tables: Path, name: str) -> Iterator[dict[str, str]]:
    for path in (tables / f"{name}.csv.gz", tables / f"{name}.csv"):
        if path.exists():
            opener = gzip.open if path.suffix == ".gz" else open
            with opener(path, "rt", encoding="utf-8", newline="") as handle:
                yield from csv.DictReader(handle, delimiter="\t")
            return
    raise FileNotFoundError(f"{tables} has neither {name}.csv.gz nor {name}.csv")


def _get(bucket: str, key: str) -> bytes | None:
    if not bucket.startswith(("http://", "https://")):
        path = Path(bucket) / key
        return path.read_bytes() if path.exists() else None
    try:
        with urllib.request.urlopen(f"{bucket.rstrip('/')}/{key}", timeout=60) as answer:
            return bytes(answer.read())
    except OSError:
        return None
