"""From pictures to the released files: weights (ONNX), card, credits. The only writer of those three."""

from __future__ import annotations

import csv
import dataclasses
import hashlib
import io
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Final

import numpy as np
import onnx
import onnxruntime as ort
import torch
from onnx import TensorProto, helper, numpy_helper
from torch import Tensor, nn

from eavefall_datasets.picture import Picture
from eavefall_datasets.splits import kept_for_test
from eavefall_model.tags.card import Card, Source
from eavefall_training import pictures
from eavefall_training.evaluate import FIT_PX, INPUT_PX, Scores, evaluate, fit_rules
from eavefall_training.fit import Recipe, fit_all
from eavefall_training.net import TaggerNet, net_of_state
from eavefall_training.pictures import FOLDS, PICTURES, TEST, Pack

# Weights below this many numbers stay in single precision: they weigh nothing and biases are touchy.
_HALF_FROM: Final = 4096
CREDIT_COLUMNS = ("file_id", "source", "licence", "credit", "credit_url")

INTENDED = (
    "Says, for one ordinary phone photo of a tree, a branch, litter or a house with trees, whether needles, "
    "broad leaves or leafless crowns show, and roughly which form of leaf, so that a gutter screen can be "
    "chosen together with measured distances and a person's eye."
)
NOT_FOR = (
    "naming a species",
    "judging whether a tree is healthy, safe or protected",
    "measuring needles (use the gauge)",
    "deciding anything alone where it says unsure",
)
FAILURES = (
    "Of photos from places never seen about half of the needle and of the broad questions are answered; "
    "whole trees from a distance less often than branches close up.",
    "Yews, junipers, bald cypress and larches in autumn are taken for broadleaf trees; ginkgo, sea buckthorn "
    "and pepper trees for needles.",
    "A second kind of tree behind the first or at the edge is often missed or left unsure.",
    "Cones, berries or bark filling the frame, and conifers far off on a hillside, are left unsure or wrong.",
    "Broad leaves close up are mostly left unsure, since herbs look much the same.",
    "Forest floors and litter between trunks are mostly left unsure.",
    "Long, short and scale-like needles are told apart poorly; the set of forms is the honest answer.",
    "Bare crowns were learned mostly from DRAWN scenes and old prints; 11 color photos were there to test.",
    "Of photos without a tree half are told outright that there is none; mostly the rest is unsure.",
    "Beside a house, part of what speaks for broad leaves can lie on gables and roofs; the overlay shows it.",
)


def credits(pictures: Iterable[Picture]) -> list[dict[str, str]]:
    """One row per picture trained on.

    Raises
    ------
    ValueError
        If any may not be trained on, or a licence that asks for attribution comes without a name.
    """
    rows = []
    for picture in pictures:
        if not picture.trainable or kept_for_test(picture):
            raise ValueError(f"{picture.file_id} may not be trained on: {picture.licence}")
        if "BY" in picture.licence and not picture.credit:
            raise ValueError(f"{picture.file_id} is under {picture.licence} but names nobody")
        rows.append({name: str(getattr(picture, name)) for name in CREDIT_COLUMNS})
    return rows


def sources(trained: Sequence[Picture], tested: Sequence[Picture]) -> tuple[Source, ...]:
    """Collections with counts, licences and classes."""
    out = []
    for use, some in (("trained", trained), ("tested", tested)):
        for name in sorted({p.source for p in some}):
            own = [p for p in some if p.source == name]
            classes = Counter(p.foliage for p in own)
            out.append(
                Source(
                    name=name,
                    pictures=len(own),
                    use="trained" if use == "trained" else "tested",
                    licences="; ".join(sorted({p.licence for p in own})),
                    classes=", ".join(f"{word} {n}" for word, n in sorted(classes.items())),
                )
            )
    return tuple(out)


def reproduce(
    found: Mapping[str, Sequence[Picture]],
    credited: Sequence[Picture],
    recipe: Recipe,
    work: Path,
    out: Path,
    *,
    device: str = "cpu",
    workers: int = 1,
    folds: int = FOLDS,
    say: Callable[[str], None] = print,
) -> Card:
    """Pack the pictures of ``eavefall_training.pictures.gather``, fit, evaluate, calibrate and write ``out``.

    A pack that lies in ``work`` is taken as it is (remove it when pictures change), and so are nets and
    scores from it by the same recipe: the long part can be done elsewhere.
    """
    if (work / PICTURES).exists():
        say("the pictures are packed already")
    else:
        say(f"packing {sum(map(len, found.values()))} pictures")
        pictures.save(pictures.pack(found, folds=folds), work / PICTURES)
    pack = pictures.load(work / PICTURES)
    say(f"fitting {int(pack.fold.max()) + 1} folds and the final net on {device}")
    scores = fit_all(recipe, work, device=device, workers=workers)
    net = net_of_state(torch.load(work / "final.pt", map_location="cpu", weights_only=True))
    return release(out, net, recipe, pack, scores, credited)


def release(
    folder: Path, net: TaggerNet, recipe: Recipe, pack: Pack, scores: Scores, credited: Sequence[Picture]
) -> Card:
    """Write ``tagger.onnx``, ``card.json`` and ``credits.csv`` to ``folder``; returns the card.

    Trained on is what the pack deals to a fold, and the cut-outs that its scenes show.
    """
    fold_of = dict(zip(pack.file_ids, (int(k) for k in pack.fold), strict=True))
    # A cut-out is not in the pack itself; a photo that is not there was left out as a copy.
    cut_outs = {p.file_id for p in credited if f"{p.file_id}_0" in fold_of}
    trained = [p for p in credited if p.file_id in cut_outs or fold_of.get(p.file_id, TEST) != TEST]
    tested = [p for p in credited if fold_of.get(p.file_id) == TEST]
    weights = to_onnx(net)
    inside = np.isfinite(scores.first[:, 0]) & (pack.fold != TEST)
    rules = fit_rules(pack, scores, inside)
    card = Card(
        name=recipe.name,
        weights_file="tagger.onnx",
        weights_sha256=sha256(weights),
        weights_licence="CC-BY-SA-4.0",
        code_licence="Apache-2.0",
        input_px=INPUT_PX,
        fit_px=FIT_PX,
        foliage=rules.foliage,
        form=rules.form,
        closer=rules.closer,
        intended_use=INTENDED,
        not_for=NOT_FOR,
        known_failures=FAILURES,
        figures=(),
        sources=sources(trained, tested),
        recipe=dataclasses.asdict(recipe),
    )
    card = card.model_copy(update={"figures": evaluate(pack, scores, card)})
    folder.mkdir(parents=True, exist_ok=True)
    (folder / card.weights_file).write_bytes(weights)
    (folder / "card.json").write_text(card.model_dump_json(indent=1) + "\n", encoding="utf-8")
    with (folder / "credits.csv").open("w", encoding="utf-8", newline="") as handle:
        writer = csv.DictWriter(handle, CREDIT_COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(credits(trained))
    return card


class _Serving(nn.Module):
    """What is shipped: uint8 (n, side, side, 3) in; logits, evidence and features out."""

    def __init__(self, net: TaggerNet) -> None:
        super().__init__()
        self.net = net

    def forward(self, pixels: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        logits, evidence, features = self.net(pixels.permute(0, 3, 1, 2).float())
        return logits, evidence, features


def to_onnx(net: TaggerNet, side_px: int = INPUT_PX) -> bytes:
    """Export, fold, store large weights in half precision.

    The graph casts them back once at load, so arithmetic stays single precision and only the file shrinks.
    """
    net = net.eval().cpu().float()
    example = torch.zeros(2, side_px, side_px, 3, dtype=torch.uint8)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the exporter's own deprecations are not ours to act on
        program = torch.onnx.export(
            _Serving(net),
            (example,),
            dynamo=True,
            input_names=["pixels"],
            output_names=["logits", "evidence", "features"],
            dynamic_shapes={"pixels": {0: torch.export.Dim("batch", min=1, max=64)}},
            verbose=False,
        )
    if program is None:
        raise RuntimeError("the exporter gave nothing back")
    buffer = io.BytesIO()
    onnx.save(program.model_proto, buffer)
    return _halved(_optimized(buffer.getvalue()))


def sha256(data: bytes) -> str:
    """Hash as the card states it."""
    return hashlib.sha256(data).hexdigest()


def _optimized(data: bytes) -> bytes:
    """ONNX Runtime's machine-independent rewriting (batch norm folded into convolutions), done once here."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "net.onnx"
        options = ort.SessionOptions()
        options.graph_optimization_level = ort.GraphOptimizationLevel.ORT_ENABLE_BASIC
        options.optimized_model_filepath = str(path)
        options.log_severity_level = 3
        ort.InferenceSession(data, options, providers=["CPUExecutionProvider"])
        return path.read_bytes()


def _halved(data: bytes) -> bytes:
    model = onnx.load_model_from_string(data)
    casts = []
    for weight in model.graph.initializer:
        if weight.data_type != TensorProto.FLOAT or np.prod(weight.dims) < _HALF_FROM:
            continue
        name = weight.name
        half = numpy_helper.from_array(numpy_helper.to_array(weight).astype(np.float16), name + "_half")
        weight.CopyFrom(half)
        casts.append(helper.make_node("Cast", [name + "_half"], [name], to=TensorProto.FLOAT))
    for node in reversed(casts):
        model.graph.node.insert(0, node)
    for node in model.graph.node:  # where each node came from in our source: no use in a shipped file
        del node.metadata_props[:]
        node.doc_string = ""
    onnx.checker.check_model(model)
    return bytes(model.SerializeToString())
