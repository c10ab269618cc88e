"""Openly licensed pictures inside Debian packages: fetched at training time, never committed."""

from __future__ import annotations

import csv
import io
import shutil
import subprocess
import zipfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from PIL import Image

from eavefall_datasets.picture import Picture
from eavefall_datasets.qt_resources import read_resource
from eavefall_model.vocabulary import FORMS


@dataclass(frozen=True)
class PackagePicture:
    """One row of ``packages.csv``: where a picture lies in a package, what it shows, whose it is.

    ``archive`` is a zip or a Qt resource collection (``.rcc``) inside the package, or empty. ``box`` is the
    part to keep, as left, top, right, bottom in shares of the size (sprite sheets carry a strip of bark
    beside the branch). ``kind`` is ``sprite`` (cut-out foliage, to be set in a scene), ``package`` (used as
    it is) or ``treeless`` (a photo with neither tree nor bush, looked at by eye; tested on, never trained
    on, whatever its licence).
    """

    package: str
    archive: str
    member: str
    kind: str
    foliage: str
    form: str
    subject: str
    species: str
    box: str
    licence: str
    credit: str
    credit_url: str

    @property
    def file_id(self) -> str:
        stem = Path(self.member).name.split(".")[0].replace(" ", "_")
        return f"{self.package}_{stem}"

    def picture(self, folder: Path) -> Picture:
        """As a labeled picture whose file ``extract`` wrote to ``folder``."""
        return Picture(
            file_id=self.file_id,
            path=folder / f"{self.file_id}.png",
            foliage=self.foliage,
            form=next((form for form in FORMS if form == self.form), None),
            subject=self.subject,
            species=self.species,
            source=self.package,
            licence=self.licence,
            credit=self.credit,
            credit_url=self.credit_url,
            note=self.member,
        )


def table() -> tuple[PackagePicture, ...]:
    """All rows of ``packages.csv``."""
    text = resources.files("eavefall_datasets").joinpath("packages.csv").read_text(encoding="utf-8")
    return tuple(PackagePicture(**row) for row in csv.DictReader(text.splitlines()))


def fetch(folder: Path, *, say: Callable[[str], None] = print) -> list[Path]:
    """Download and extract every package of the table with Debian's own client.

    Packages whose pictures are already in ``folder`` are skipped, so an interrupted fetch goes on.

    Raises
    ------
    RuntimeError
        Where ``apt-get`` or ``dpkg-deb`` is missing or fails; says what to install.
    """
    for tool in ("apt-get", "dpkg-deb"):
        if shutil.which(tool) is None:
            raise RuntimeError(f"{tool} is missing; run this on Debian or Ubuntu, or in such a container")
    rows = table()
    written: list[Path] = []
    for package in sorted({row.package for row in rows}):
        wanted = [row for row in rows if row.package == package]
        missing = [row for row in wanted if not (folder / f"{row.file_id}.png").exists()]
        if not missing:
            say(f"{package}: all {len(wanted)} pictures are there")
            continue
        work = folder / "fetching"
        shutil.rmtree(work, ignore_errors=True)
        work.mkdir(parents=True)
        say(f"{package}: downloading")
        done = subprocess.run(["apt-get", "download", package], cwd=work, capture_output=True, text=True)
        if done.returncode != 0:
            raise RuntimeError(f"apt-get download {package} failed: {done.stderr.strip()[-300:]}")
        archive = next(work.glob("*.deb"))
        subprocess.run(["dpkg-deb", "-x", str(archive), str(work / "tree")], check=True)
        written += extract(work / "tree", folder, missing)
        shutil.rmtree(work)
        say(f"{package}: {len(missing)} pictures")
    return written


def extract(tree: Path, folder: Path, rows: Iterable[PackagePicture]) -> list[Path]:
    """Cut the pictures of ``rows`` out of an unpacked package and save them as PNG, alpha kept."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for row in rows:
        if row.archive.endswith(".rcc"):
            data = read_resource((tree / row.archive).read_bytes(), row.member)
        elif row.archive:
            with zipfile.ZipFile(tree / row.archive) as inner:
                data = inner.read(row.member)
        else:
            data = (tree / row.member).read_bytes()
        image = Image.open(io.BytesIO(data)).convert("RGBA" if row.kind == "sprite" else "RGB")
        left, top, right, bottom = (float(part) for part in row.box.split())
        width, height = image.size
        box = (round(left * width), round(top * height), round(right * width), round(bottom * height))
        image = image.crop(box)
        image.thumbnail((1024, 1024), Image.Resampling.LANCZOS)
        target = folder / f"{row.file_id}.png"
        image.save(target)
        written.append(target)
    return written


def load_packages(folder: Path, *, kind: str) -> tuple[Picture, ...]:
    """Pictures of one kind that have been fetched to ``folder``."""
    found = [row.picture(folder) for row in table() if row.kind == kind]
    return tuple(picture for picture in found if picture.path.exists())
