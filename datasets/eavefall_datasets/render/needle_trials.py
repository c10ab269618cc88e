"""Close-ups as they are taken on other people's tables, by group: what the gauge's truth test draws.

Every group is one thing that can go wrong. ``trial`` gives the scene and what the user says lies in it;
in some groups that is not true (a business card for a bank card, a sheet printed too small).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from eavefall_datasets.render.curve import NeedleSpec, axis_mm
from eavefall_datasets.render.needle_layout import frame_corners, inside, near
from eavefall_datasets.render.needle_spec import NeedleSceneSpec, Surface, random_spec
from eavefall_datasets.render.references import BUSINESS_CARDS_MM, CARD_MM, ReferenceSpec, footprint_mm

_SIZES: Final = {"card": (1640, 1230), "coin": (1440, 1080), "sheet": (2700, 2025), "page": (2900, 2175)}
_SCALES: Final = {"card": (10.5, 13.0), "coin": (11.0, 15.0), "sheet": (9.0, 9.8), "page": (8.6, 9.2)}
_OFF_WHITE: Final = ((0.75, 0.75, 0.72), (0.6, 0.6, 0.58), (0.8, 0.78, 0.7))
_COLORED: Final = ((0.55, 0.62, 0.75), (0.75, 0.65, 0.35), (0.70, 0.45, 0.45), (0.45, 0.62, 0.42))
_WOODS: Final = ((0.42, 0.26, 0.13), (0.28, 0.15, 0.08), (0.55, 0.40, 0.24))
_BREADTHS: Final = (0.35, 1.6)


@dataclass(frozen=True)
class Trial:
    """A scene, the group it belongs to, and the reference that its photographer names.

    ``scale_true`` is False where what is named does not lie there: every number is then a wrong one.
    """

    group: str
    spec: NeedleSceneSpec
    reference: str
    scale_true: bool = True


def _draw(seed: int) -> int:
    """A number that picks among two, three, four or five alike; seeds themselves come in steps."""
    return int(np.random.default_rng([seed, 83]).integers(60))


def _base(seed: int, kinds: tuple[str, ...], **asked: Any) -> tuple[NeedleSceneSpec, str]:
    """A plain scene with one of the kinds of reference and needles 0.35 to 1.6 mm wide."""
    rng = np.random.default_rng([seed, 81])
    kind = kinds[int(rng.integers(len(kinds)))]
    settings: dict[str, Any] = {
        "size": _SIZES[kind],
        "px_per_mm": float(rng.uniform(*_SCALES[kind])),
        "reference": kind if kind != "page" else ("a4", "letter")[int(rng.integers(2))],
        "tilt_deg": float(rng.uniform(0, 25)),
        "count": int(rng.integers(6, 11)),
        "width_mm": _BREADTHS,
        "length_mm": ((20.0, 35.0), (30.0, 60.0), (45.0, 75.0))[int(rng.integers(3))],
    }
    if kind in ("card", "coin"):
        settings["background"] = "light"
    spec = random_spec(seed, **{**settings, **asked})
    paper = _OFF_WHITE[int(rng.integers(len(_OFF_WHITE)))]
    spec = replace(spec, contact_shadow=float(rng.uniform(0.0, 0.1)), sharpen=float(rng.uniform(0.0, 0.3)))
    if spec.background == "light":
        spec = replace(spec, paper=paper)
    first = spec.references[0]
    return spec, f"coin:{first.diameter_mm:g}" if first.kind == "coin" else first.kind


def _shade(depth: float) -> Callable[[int], Trial]:
    def make(seed: int) -> Trial:
        rng = np.random.default_rng([seed, 82])
        spec, reference = _base(seed, ("card", "coin", "sheet"))
        spec = replace(
            spec, contact_shadow=depth, shadow_mm=float(rng.uniform(0.1, 0.6)),
            shadow_soft=float(rng.uniform(0.3, 0.9)),
        )  # fmt: skip
        return Trial(f"shade {100 * depth:.0f} %", spec, reference)

    return make


def _double(seed: int) -> Trial:
    rng = np.random.default_rng([seed, 82])
    spec, reference = _base(seed, ("card", "coin"))
    spec = replace(
        spec, contact_shadow=0.22, second_shadow=0.16, shadow_mm=float(rng.uniform(0.2, 0.6)),
        second_shadow_deg=spec.shadow_deg + float(rng.uniform(60, 180)),
    )  # fmt: skip
    return Trial("double shade", spec, reference)


def _with(group: str, kinds: tuple[str, ...] = ("card", "coin"), **changes: Any) -> Callable[[int], Trial]:
    def make(seed: int) -> Trial:
        spec, reference = _base(seed, kinds)
        return Trial(group, replace(spec, **changes), reference)

    return make


def _asked(group: str, kinds: tuple[str, ...] = ("card", "coin"), **asked: Any) -> Callable[[int], Trial]:
    def make(seed: int) -> Trial:
        spec, reference = _base(seed, kinds, **asked)
        return Trial(group, spec, reference)

    return make


def _colored(seed: int) -> Trial:
    spec, reference = _base(seed, ("card", "coin"))
    return Trial("colored paper", replace(spec, paper=_COLORED[_draw(seed) % len(_COLORED)]), reference)


def _wood(seed: int) -> Trial:
    spec, reference = _base(seed, ("card", "coin"))
    spec = replace(spec, paper=_WOODS[_draw(seed) % len(_WOODS)], surface="wood")
    return Trial("bare wood", spec, reference)


def _table(seed: int) -> Trial:
    """Paper on a wooden table, all of it and the reference in view: the ordinary scene."""
    rng = np.random.default_rng([seed, 82])
    spec, reference = _base(seed, ("card", "coin"), tilt_deg=float(rng.uniform(0, 15)))
    camera = spec.camera
    frame = camera.unproject(frame_corners((camera.width_px, camera.height_px), 0.0))
    side = frame[1] - frame[0]
    turn = math.atan2(side[1], side[0])
    along = (frame - frame.mean(axis=0)) @ np.array(
        [[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]]
    )
    reach = along.max(axis=0) - along.min(axis=0)
    middle = frame.mean(axis=0)
    slip = ReferenceSpec(
        "slip", float(middle[0]), float(middle[1]), math.degrees(turn),
        thickness_mm=0.0, light=1.0, hue=spec.paper, body_mm=(float(reach[0]), float(reach[1]), 0.1, 0.0),
    )  # fmt: skip
    # The same view from farther away: the frame of the base scene is now the paper.
    grown = replace(
        camera, width_px=round(camera.width_px * 1.3), height_px=round(camera.height_px * 1.3),
        focal_px=camera.focal_px * 1.1,
    )  # fmt: skip
    spec = replace(
        spec, camera=grown, references=(slip, *spec.references), surface="wood",
        paper=_WOODS[_draw(seed) % len(_WOODS)],
    )  # fmt: skip
    return Trial("paper on a table", spec, reference)


def _cards(group: str, business: bool) -> Callable[[int], Trial]:
    def make(seed: int) -> Trial:
        rng = np.random.default_rng([seed, 82])
        spec, reference = _base(seed, ("card",))
        body = BUSINESS_CARDS_MM[_draw(seed) % len(BUSINESS_CARDS_MM)] if business else CARD_MM
        # Printed cards are as often lighter as darker than the sheet; their edge shows by 0.1 at least.
        light = float(rng.uniform(0.05, 0.5))
        red, green, blue = (float(v) for v in rng.uniform(0.6, 1.2, 3))
        card = replace(
            spec.references[0],
            body_mm=body,
            thickness_mm=body[2],
            printed=True,
            light=light,
            hue=(red, green, blue),
        )
        return Trial(group, replace(spec, references=(card,)), reference, not business)

    return make


def _red_card(seed: int) -> Trial:
    """A card as bright as the sheet, but of another color."""
    spec, reference = _base(seed, ("card",))
    gray = 0.2126 * spec.paper[0] + 0.7152 * spec.paper[1] + 0.0722 * spec.paper[2]
    card = replace(spec.references[0], light=gray, hue=(2.6, 0.6, 0.55))
    spec = replace(spec, references=(card,), paper=(gray, gray, gray))
    return Trial("red card on gray", spec, reference)


def _two_metals(seed: int) -> Trial:
    rng = np.random.default_rng([seed, 82])
    spec, _ = _base(seed, ("coin",), coin=("eur-1", "eur-2")[_draw(seed) % 2])
    warm, pale = (1.25, 1.0, 0.55), (1.0, 1.0, 1.0)
    coin = replace(
        spec.references[0], ring_share=float(rng.uniform(0.62, 0.78)), hue=(warm, pale)[_draw(seed) % 2],
        ring_hue=(pale, warm)[_draw(seed) % 2], light=float(rng.uniform(0.2, 0.42)),
    )  # fmt: skip
    return Trial("two-metal coin", replace(spec, references=(coin,)), f"coin:{coin.diameter_mm:g}")


def _misprint(with_card: bool) -> Callable[[int], Trial]:
    def make(seed: int) -> Trial:
        rng = np.random.default_rng([seed, 82])
        spec, reference = _base(seed, ("sheet",), count=12)
        sheet = replace(spec.references[0], print_scale=float(rng.uniform(0.90, 1.05)))
        if not with_card:
            return Trial("misprint, no check", replace(spec, references=(sheet,)), reference)
        middle = spec.camera.unproject(spec.camera.center_px[None])[0]
        card = ReferenceSpec(
            "card", float(middle[0]), float(middle[1]), float(rng.uniform(0, 360)),
            light=float(rng.uniform(0.03, 0.3)), seed=seed, printed=bool(rng.random() < 0.5),
        )  # fmt: skip
        kept = tuple(n for n in spec.needles if not near(footprint_mm(card), axis_mm(n, 1.0), 3.0))
        return Trial(
            "misprint beside a card", replace(spec, references=(sheet, card), needles=kept), reference
        )

    return make


def _lifted(seed: int) -> Trial:
    rng = np.random.default_rng([seed, 82])
    spec, reference = _base(seed, ("card", "coin", "sheet"))
    needles = tuple(replace(n, lift_mm=float(rng.uniform(0.0, 3.0))) for n in spec.needles)
    return Trial(
        "lifted", replace(spec, needles=needles, contact_shadow=float(rng.uniform(0.1, 0.3))), reference
    )


def _end_to_end(seed: int) -> Trial:
    """Every second needle lies end to end with a fellow, touching or up to 2 mm apart."""
    rng = np.random.default_rng([seed, 82])
    spec, reference = _base(seed, ("card", "coin"), length_mm=(20.0, 35.0))
    frame = spec.camera.unproject(frame_corners((spec.camera.width_px, spec.camera.height_px), 0.03))
    blocked = footprint_mm(spec.references[0], 3.0)
    out: list[NeedleSpec] = []
    for k, needle in enumerate(spec.needles):
        out.append(needle)
        line = axis_mm(needle, 0.2)
        step = (line[-1] - line[-6]) / np.hypot(*(line[-1] - line[-6]))
        start = line[-1] + step * float(rng.uniform(0.0, 2.0))
        turn = math.degrees(math.atan2(step[1], step[0]))
        fellow = replace(needle, x_mm=float(start[0]), y_mm=float(start[1]), heading_deg=turn)
        path = axis_mm(fellow, 1.0)
        others = np.vstack([axis_mm(n, 1.0) for j, n in enumerate(spec.needles) if j != k] or [path + 1e6])
        apart = np.hypot(*(path[:, None] - others[None]).transpose(2, 0, 1)).min()
        if k % 2 == 0 and inside(frame, path) and not near(blocked, path, 0.0) and apart > 2.0:
            out.append(fellow)
    return Trial("end to end", replace(spec, needles=tuple(out)), reference)


def _glints(seed: int) -> Trial:
    rng = np.random.default_rng([seed, 82])
    spec, reference = _base(seed, ("card", "coin"))
    needles = tuple(replace(n, glint=float(rng.uniform(0.2, 0.9))) for n in spec.needles)
    return Trial("wet glints", replace(spec, needles=needles), reference)


def _barrel(seed: int) -> Trial:
    spec, reference = _base(seed, ("card", "coin", "sheet"))
    radial = float(np.random.default_rng([seed, 82]).uniform(0.01, 0.04)) * (1 if _draw(seed) % 2 else -1)
    return Trial("barrel to 4 %", replace(spec, camera=replace(spec.camera, radial=radial)), reference)


def _mixed(seed: int) -> Trial:
    """Needles of two trees: thin ones, and others two to three times as wide."""
    rng = np.random.default_rng([seed, 82])
    spec, reference = _base(seed, ("card", "coin"), width_mm=(0.45, 0.7))
    times = float(rng.uniform(2.0, 3.2))
    needles = tuple(
        replace(n, width_mm=n.width_mm * (times if k % 3 == 0 else 1)) for k, n in enumerate(spec.needles)
    )
    return Trial("two kinds", replace(spec, needles=needles), reference)


def _nothing(seed: int) -> Trial:
    spec, reference = _base(seed, ("card", "coin"), count=0)
    surfaces: tuple[Surface, ...] = ("plain", "ruled", "squared", "wood")
    surface = surfaces[_draw(seed) % 4]
    paper = _WOODS[_draw(seed) % 3] if surface == "wood" else spec.paper
    return Trial("no needles", replace(spec, surface=surface, paper=paper), reference)


def _paper_for_card(seed: int) -> Trial:
    """A sheet of paper on a table, and no card though one is named."""
    at = _table(seed)
    return Trial("paper for a card", replace(at.spec, references=at.spec.references[:1]), "card", False)


GROUPS: Final[dict[str, Callable[[int], Trial]]] = {
    "plain": _asked("plain"),
    "sheet": _asked("sheet", ("sheet",)),
    "page": _asked("page", ("page",)),
    "shade 0 %": _shade(0.0),
    "shade 15 %": _shade(0.15),
    "shade 35 %": _shade(0.35),
    "shade 50 %": _shade(0.50),
    "double shade": _double,
    "dappled": _with("dappled", dapple=0.4),
    "ruled": _with("ruled", surface="ruled"),
    "squared": _with("squared", surface="squared"),
    "colored paper": _colored,
    "bare wood": _wood,
    "cloth": _asked("cloth", background="dark"),
    "paper on a table": _table,
    "printed card": _cards("printed card", False),
    "business card": _cards("business card", True),
    "red card on gray": _red_card,
    "two-metal coin": _two_metals,
    "paper for a card": _paper_for_card,
    "misprint beside a card": _misprint(True),
    "misprint, no check": _misprint(False),
    "lifted": _lifted,
    "crossing": _asked("crossing", crossings=True),
    "touching": _asked("touching", touching=True),
    "end to end": _end_to_end,
    "bundles": _asked("bundles", bundle=3, count=4, width_mm=(0.5, 1.2)),
    "bundles of five, dark": _asked("bundles of five, dark", bundle=5, count=3, background="dark"),
    "wet glints": _glints,
    "barrel to 4 %": _barrel,
    "thin needles": _asked("thin needles", width_mm=(0.3, 0.5)),
    "stout needles": _asked("stout needles", width_mm=(1.7, 2.5), length_mm=(30.0, 60.0)),
    "two kinds": _mixed,
    "no needles": _nothing,
}  # fmt: skip


def trial(group: str, seed: int) -> Trial:
    """The scene of a group and a seed; equal arguments give equal scenes."""
    return GROUPS[group](seed)
