"""Why, for the homeowner: every rule of the advice in plain words to 'you', with the same figures.

The rules' own sentences are written for the estimator. What an office's rules say to the owner themselves
(``to_owner``) goes before the words here; a rule with neither is left out of the homeowner's page. A shipped
rule without words fails a test.
"""

from __future__ import annotations

from typing import Final

from eavefall_model.advice.schema import Advice, Reason
from eavefall_model.survey import Survey
from eavefall_service.plots.words import sentence_case
from eavefall_service.web.homeowner.figures import GUARDS, accepted, figures_of

__all__ = ["REASONS", "REASONS_UNSAID", "reason_words", "reasons_of"]

_SHOWN: Final = 3
# Rule -> what it says to a homeowner. Names in braces are those of home_figures.
REASONS: Final = {
    "no-guard-needed": "Without a screen your gutter would need clearing {unguarded_every}. You told us "
    "that {accepted} is fine with you, so you need no screen.",
    "owner-has-not-said": "If even that is too often for you, you would need a screen after all: "
    "{class_otherwise}.",
    "thinnest-needle-decides": "The thinnest needles that reach your gutter in any number come from "
    "{thin_needle_tree} and are about {thin_needle_mm} thick ({thin_needle_low_mm} to "
    "{thin_needle_high_mm}). A needle slips in end first through any hole wider than it is thick, so the "
    "holes may be at most {needed_opening_mm} wide.",
    "leaves-decide": "Hardly any needles reach your gutter. Holes of up to {needed_opening_mm} let so "
    "little leaf, seed and crumb through that the gutter below should not fill within five years.",
    "safe-side-needle-width": "A photo cannot show whether a long needle is thin, like white pine's (0.5 "
    "to 0.7 mm), or thick, like longleaf pine's (1.5 mm). Until we know the kind of tree, or somebody has "
    "measured a needle, we stay on the safe side: {answer}.",
    "measured-needles-overrule": "Needles were measured in a close-up photo, and that counts for more than "
    "printed tables: the thinnest are about {thin_needle_mm} thick.",
    "drop-test-overrules": "Real needles were dropped on a sample of screen, and what fell through counts "
    "for more than any calculation. The widest holes that still kept them out are {needed_opening_mm} wide.",
    "unsure-which-tree": "We don't know the kind of {kind_unknown} yet, and a needle tree and a leaf tree "
    "ask for different screens. One photo of the leaves or needles settles it.",
    "photos-disagree": "Some of the photos seem to show another kind of tree than the others, or were "
    "misread. They will be looked at again.",
    "wildfire-ember-opening": "Your house is marked as standing in a wildfire area. There a screen must "
    "not be able to burn, its holes should be 1.6 to 3.2 mm (1/16 to 1/8 in) or smaller, and the roof edge "
    "should be kept free of needles. Your local fire code decides: ask the fire authority.",
    "wildfire-keep-needles-out": "In a wildfire area dry needles and leaves in an open gutter feed embers "
    "(about {litter_kg_m} a year reach each metre, or 3 ft, of your gutter). A screen that cannot burn is "
    "advised, however seldom the gutter fills.",
    "pines-all-year": "Needle trees drop all year, most in {heaviest_months}; {all_year_share} comes down "
    "in the other nine months. Without a screen your gutter would need clearing {unguarded_per_year}.",
    "leaves-in-season": "Most of it comes down in {heaviest_months}. Without a screen your gutter would "
    "need clearing {unguarded_per_year}.",
    "guard-still-needs-care": "A fine screen moves the work from the gutter to the screen: what it keeps "
    "out lies on top and has to be brushed off. Have that done; it is work at height.",
    "needles-too-far": "You need no fine screen because of {tree} ({kind}), {distance_words} from your "
    "gutter: needles come down close to their tree, and only {litter_words} a year reach each metre (3 ft) "
    "of gutter.",
    "far-trees-small-part": "Next to nothing arrives from {tree} ({kind}), {distance_words} from your "
    "gutter: {litter_words} a year on each metre (3 ft).",
    "tree-below-eave": "All of {tree} is lower than your gutter, so nothing falls into it from there.",
    "tree-overhangs": "Branches of {tree} reach over your gutter and bring {load_share} of what falls into "
    "it. Ask an arborist (a tree professional) about cutting them back to the roof edge; please don't cut "
    "there yourself.",
    "tree-upwind": "The wind mostly blows from {tree} towards your house and brings what falls along.",
    "worn-gutter-heavy-load": "{gutter} is {gutter_condition}, narrow ({gutter_width_mm}) and has much to "
    "carry away (in the heavy rain that gutters are planned for: {gutter_spare_words}). It should be "
    "replaced, perhaps by a wider one (6-inch).",
    "worn-gutter-big-enough": "{gutter} is {gutter_condition} and has much to carry away, so it should be "
    "mended or replaced before a screen goes on. Its size is enough (in the heavy rain that gutters are "
    "planned for: {gutter_spare_words}), though many would look at a wider one (6-inch) here.",
    "gutter-too-small": "The heavy rain that gutters are planned for brings more water than {gutter} can "
    "carry ({gutter_spare_words}); one of the same shape {enough_width_mm} wide would do.",
    "no-gutter-is-enough": "The heavy rain that gutters are planned for brings more water than any single "
    "gutter up to 8 inches wide can carry there ({gutter_spare_words}): {gutter} needs more pipes down to "
    "the ground, so that each stretch is shorter.",
    "outlet-too-small": "The holes through which {gutter} empties into the pipes down the wall are its "
    "tightest point ({water_spare_words} in the heavy rain that gutters are planned for): more or larger "
    "ones come before a screen.",
    "mossy-roof-metal": "The roof above {gutter} is shaded or mossy. A roofer can fit a strip of copper or "
    "zinc that keeps moss down; water from copper must not run onto aluminium or galvanised steel.",
    "roof-warranty": "A screen that is slid in under the roof covering may touch your roof's warranty: ask "
    "your roofer first, or choose one that is fixed to the gutter.",
    "steep-sheds": "The roof above {gutter} is steep ({pitch_deg}). It brings more down to the gutter, and "
    "a screen that lies in line with the roof clears itself better there than a level one.",
    "none-suits": "Without a screen your gutter can wait {guarded_months}, which is fine if {accepted} is.",
    "none-too-often": "Without a screen your gutter would need clearing {guarded_every}: more often than "
    "{accepted}.",
    "guard-keeps-out": "{guard} keeps out what matters at your house ({passes_share} gets through) and can "
    "wait {guarded_months} for a brush.",
    "guard-keeps-out-brush-often": "{guard} keeps out what matters at your house ({passes_share} gets "
    "through), but would need brushing {guarded_every}.",
    "guard-too-open": "{guard} has holes wider than the {needed_opening_mm} that your house needs: "
    "{passes_share} gets through and {lodges_share} sticks in it.",
    "guard-no-gain": "{guard} would need care {guarded_every}, hardly less often than the gutter without "
    "it ({unguarded_every}).",
    "guard-not-needed": "{guard} would do no harm, but your gutter without it already waits "
    "{unguarded_months}.",
    "netting-under-pines": "{guard} is not worth fitting under needle trees: {passes_share} goes through "
    "and {lodges_share} hangs in it.",
    "perforated-under-long-needles": "Long needles stand in the holes of {guard}. It becomes an option "
    "only without such trees within about 100 ft (30 m); the nearest at your house: {nearest_pine_words}.",
    "perforated-short-needles-brushing": "Only short needles arrive and you are happy to have a screen "
    "brushed, so {guard} with small holes is an option; {passes_share} still gets through.",
    "perforated-short-needles-no-brushing": "Short needles arrive and you would rather have no brushing, "
    "so {guard} is no option.",
    "perforated-leaves-only": "There are no needles to speak of, so {guard} is an option: it keeps the "
    "leaves out ({passes_share} gets through) and wants sweeping {guarded_every}.",
    "front-slot-foes": "{guard} does badly with {slot_foes}: what is wet, thin or small follows the water "
    "into the slot.",
    "front-slot-needles": "{guard} does badly here, because needles are thin enough to follow the water "
    "into the slot: {passes_share} of what falls would.",
    "front-slot-others": "No oak, maple, pine or locust stands near, so {guard} may do; {passes_share} of "
    "what falls is expected to follow the water in.",
    "not-every-micromesh": "Not every {guard} keeps these needles out: the holes must be at most "
    "{needed_opening_mm} wide. {opening_mm} can be had.",
    "sloped-sheds-better": "{guard} lies in line with the roof and sheds better than a level screen.",
    "combustible-in-wildfire": "{guard} can burn: not in a wildfire area.",
}
# Said instead where the household has not told how often cleaning is acceptable.
REASONS_UNSAID: Final = {
    "no-guard-needed": "Without a screen your gutter would need clearing {unguarded_every}. You have not "
    "told us how often is fine with you, so we reckoned with {accepted}; on that, you need no screen.",
}


def reason_words(reason: Reason, advice: Advice, survey: Survey) -> str | None:
    """The reason for a homeowner; ``None`` where an office's own or changed rule leaves nothing to say."""
    if reason.to_owner is not None:
        return sentence_case(reason.to_owner)
    unsaid = not accepted(advice, survey)[1]
    template = (REASONS_UNSAID.get(reason.rule) if unsaid else None) or REASONS.get(reason.rule)
    if template is None:
        return None
    try:
        return sentence_case(template.format_map(figures_of(reason, advice, survey)))
    except KeyError:
        return None


def reasons_of(advice: Advice, survey: Survey, apart: tuple[str, ...] = ()) -> tuple[str, ...]:
    """The weightiest reasons, at most three, without those said ``apart`` from them.

    Why there is no class yet comes first. Reasons about single guard kinds are for the estimator's table.
    """
    ranked = sorted(
        (reason for reason in advice.reasons if reason.about not in GUARDS),
        key=lambda reason: not reason.rule.startswith("unsure"),
    )
    found = (reason_words(reason, advice, survey) for reason in ranked)
    lines = [line for line in found if line is not None and line not in apart]
    return tuple(dict.fromkeys(lines))[:_SHOWN]
