"""A tagger in a folder of its own: weights, card, and the fingerprint that names just these files."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

from eavefall_model.errors import EavefallError
from eavefall_model.tags.card import Card
from eavefall_model.tags.tagger import Tagger

# The report that a comparison with another model leaves beside the files; not part of the model.
GATE_FILE: Final = "gate.json"
# Name of the model that came with the package, which needs no folder.
PACKAGED: Final = "packaged"


def fingerprint(folder: Path) -> str:
    """SHA-256 over names and bytes of a model's files, its first 16 hexadecimal digits."""
    digest = hashlib.sha256()
    for path in sorted(p for p in folder.iterdir() if p.is_file() and p.name != GATE_FILE):
        digest.update(f"{path.name}\0{path.stat().st_size}\0".encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def tagger_of(folder: Path | None) -> Tagger:
    """The tagger of a folder with ``card.json`` and its weights, or the packaged one for None.

    Raises ``weights-missing`` where a file is missing or the weights are not those the card describes.
    """
    if folder is None:
        return Tagger.load()
    try:
        card = Card.model_validate_json((folder / "card.json").read_text(encoding="utf-8"))
        weights = (folder / card.weights_file).read_bytes()
    except (OSError, ValueError) as error:
        raise EavefallError("weights-missing", f"{folder} holds no tagger that can be read.") from error
    return Tagger(weights, card)
