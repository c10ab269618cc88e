"""Looks at every picture: missing, unreadable, duplicate, and whose label the model doubts most."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from eavefall_datasets.hashing import difference_hash, near_duplicate_groups
from eavefall_datasets.picture import Picture
from eavefall_model.errors import PhotoError
from eavefall_model.photo import Photo, decode

_FIT_PX = 320


@dataclass(frozen=True)
class Findings:
    """What the audit found; ``suspects`` are (file id, loss), worst first; ``duplicates`` share a scene."""

    looked_at: int
    missing: tuple[str, ...]
    unreadable: tuple[tuple[str, str], ...]
    duplicates: tuple[tuple[str, ...], ...]
    suspects: tuple[tuple[str, float], ...]


def audit(
    pictures: Sequence[Picture], probability: Callable[[Photo], NDArray[np.float64]] | None = None
) -> Findings:
    """Audit pictures.

    ``probability`` gives needle, broad and bare (3,) for a photo; a picture's loss is the summed log loss of
    its labels. A model that was trained on a picture doubts it less than it should: rank with out-of-fold
    models where there are any.
    """
    missing, unreadable, names, hashes, losses = [], [], [], [], []
    for picture in pictures:
        if not picture.path.is_file():
            missing.append(picture.file_id)
            continue
        try:
            photo = decode(picture.path.read_bytes(), name=picture.file_id, fit_px=_FIT_PX)
        except PhotoError as error:
            unreadable.append((picture.file_id, error.code))
            continue
        names.append(picture.file_id)
        hashes.append(difference_hash(photo.rgb))
        if probability is not None:
            p = np.clip(probability(photo), 1e-6, 1 - 1e-6)
            truth = np.array(picture.targets)
            loss = -(truth * np.log(p) + (1 - truth) * np.log(1 - p)).sum()
            losses.append((picture.file_id, float(loss)))
    together: dict[int, list[str]] = defaultdict(list)
    for name, group in zip(names, near_duplicate_groups(hashes), strict=True):
        together[group].append(name)
    return Findings(
        looked_at=len(pictures),
        missing=tuple(missing),
        unreadable=tuple(unreadable),
        duplicates=tuple(tuple(v) for v in together.values() if len(v) > 1),
        suspects=tuple(sorted(losses, key=lambda item: -item[1])),
    )


def contact_sheet(
    pictures: Sequence[Picture], captions: Sequence[str], target: Path, *, across: int = 8, side: int = 170
) -> None:
    """Write a PNG of thumbnails with two lines under each: file id, and the caption."""
    down = (len(pictures) + across - 1) // across
    sheet = Image.new("RGB", (across * side, max(1, down) * (side + 28)), "white")
    pen = ImageDraw.Draw(sheet)
    for number, (picture, caption) in enumerate(zip(pictures, captions, strict=True)):
        left, top = number % across * side, number // across * (side + 28)
        photo = decode(picture.path.read_bytes(), name=picture.file_id, fit_px=side)
        thumb = Image.fromarray(photo.rgb)
        thumb.thumbnail((side - 4, side - 4))
        sheet.paste(thumb, (left, top))
        pen.text((left, top + side), picture.file_id[-26:], fill="black")
        pen.text((left, top + side + 13), caption, fill="#a02020")
    target.parent.mkdir(parents=True, exist_ok=True)
    sheet.save(target)
