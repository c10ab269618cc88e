"""What the rep's forms change: parts of the survey, photos, corrections, decisions."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal, cast
from urllib.parse import quote

from fastapi import APIRouter, Form, Request, UploadFile
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from eavefall_model.survey_io import SurveyProblems
from eavefall_model.vocabulary import FOLIAGE, FORMS
from eavefall_service.journeys import photos, surveys
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.decisions import Kind
from eavefall_service.journeys.meanwhile import meanwhile_of
from eavefall_service.journeys.photos import PhotoMeta
from eavefall_service.journeys.usual import usual_of
from eavefall_service.web import pages, survey_forms, words
from eavefall_service.web.access import DoorRoute, Staff, may
from eavefall_service.web.answering import changing, keep_decision
from eavefall_service.web.errors import refuse
from eavefall_service.web.photos import photo_upload
from eavefall_service.web.routes.rep import show_house, show_trees
from eavefall_service.web.server_state import Office, OfficeDep

router = APIRouter(prefix="/rep/{survey_id}", include_in_schema=False, route_class=DoorRoute)
# One tap says it all: word on the button -> foliage and form.
SEEN = {
    "long_needle": (("needle",), "long_needle"),
    "short_needle": (("needle",), "short_needle"),
    "scale_leaf": (("needle",), "scale_leaf"),
    "broad_leaf": (("broad",), "broad_leaf"),
    "small_leaflet": (("broad",), "small_leaflet"),
    "both": (("needle", "broad"), None),
    "bare": (("bare",), None),
    "no_tree": ((), None),
}
assert set(FORMS) <= set(SEEN)
assert {foliage for found, _ in SEEN.values() for foliage in found} == set(FOLIAGE)


def seen(office: Office, survey_id: str, sha256: str, actor: Actor, word: str) -> None:
    """Keep a one-tap correction."""
    if word not in SEEN:
        raise refuse("request-invalid", f"{word!r} is not one of {', '.join(SEEN)}.")
    foliage, form = SEEN[word]
    with changing(office, actor, "correct tags", survey_id) as (session, row):
        photo = photos.photo_of(session, survey_id, sha256)
        photos.correct(session, row, photo, actor, cast(Any, foliage), cast(Any, form))


async def upload_chunks(file: UploadFile) -> Any:
    """The bytes of a script-free form's file."""
    while chunk := await file.read(1 << 16):
        yield chunk


async def _fields(request: Request) -> dict[str, str]:
    form = await request.form(max_fields=120, max_files=0)
    return {name: value[:2000] for name, value in form.items() if isinstance(value, str)}


def _units(actor: Actor) -> tuple[str, str]:
    return ("ft", "in") if actor.units == "us" else ("m", "mm")


def _photo_place(survey_id: str, shows: str) -> str:
    """The page that shows photos of this kind."""
    return f"/rep/{survey_id}" + {"gauge": "/needles", "handful": "/handful", "gutter": "/gutter"}.get(
        shows, ""
    )


@router.post("/photos")
@may("send photo")
async def send_photos(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    survey_id: str,
    files: list[UploadFile],
    shows: Annotated[str, Form()] = "tree",
    of: Annotated[str, Form()] = "",
    reference: Annotated[str, Form()] = "",
) -> Response:
    """Photos by a plain form, for browsers without scripts."""
    meta = PhotoMeta(shows, of or None, reference or None)
    for file in files:
        await photo_upload.receive(office, survey_id, actor, meta, upload_chunks(file), length=file.size)
    return pages.done(request, _photo_place(survey_id, shows))


@router.post("/photos/{sha256}/seen")
@may("correct tags")
def correct_photo(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    survey_id: str,
    sha256: str,
    word: Annotated[str, Form()],
) -> Response:
    """What the rep sees in a photo, kept beside the model's view."""
    seen(office, survey_id, sha256, actor, word)
    return pages.done(request, f"/rep/{survey_id}#photo-{sha256[:12]}")


@router.post("/photos/{sha256}/delete")
@may("delete photo")
def delete_photo(request: Request, office: OfficeDep, actor: Staff, survey_id: str, sha256: str) -> Response:
    """Delete a photo for good."""
    with office.database.read() as session:
        shows = photos.photo_of(session, survey_id, sha256).shows
    photo_upload.delete_photo(office, survey_id, sha256, actor)
    return pages.done(request, _photo_place(survey_id, shows))


@router.post("/photos/{sha256}/of")
@may("assign photo")
def assign_photo(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    survey_id: str,
    sha256: str,
    of: Annotated[str, Form()] = "",
) -> Response:
    """Say which tree or eave a photo shows."""
    with changing(office, actor, "assign photo", survey_id) as (session, row):
        photo = photos.photo_of(session, survey_id, sha256)
        photos.assign(session, row, photo, actor, of or None)
    return pages.done(request, f"{_photo_place(survey_id, photo.shows)}#photo-{sha256[:12]}")


@router.post("/trees")
@may("change survey")
async def put_tree(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """Add or change a tree (``key`` names the one to change)."""
    return await run_in_threadpool(
        _put_form, request, office, actor, survey_id, "trees", await _fields(request)
    )


@router.post("/trees/again")
@may("change survey")
def one_more_tree(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    survey_id: str,
    key: Annotated[str, Form(max_length=80)],
    once: Annotated[str, Form(max_length=40)] = "",
) -> Response:
    """One more tree like the one named ``key``, to be changed where it differs."""
    with changing(office, actor, "change survey", survey_id) as (session, row):
        like = surveys.part_of(row, "trees", key)
        if like is None:
            raise refuse("not-found", f"There is no tree {key!r} any more.")
        again = {**like, "name": surveys.free_name(row, "trees", key)}
        surveys.put_part(session, row, actor, "trees", None, again, once or None)
    return pages.done(request, f"/rep/{survey_id}/trees#list")


@router.post("/eaves")
@may("change survey")
async def put_eave(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """Add or change an eave."""
    return await run_in_threadpool(
        _put_form, request, office, actor, survey_id, "eaves", await _fields(request)
    )


@router.post("/eaves/around")
@may("change survey")
async def put_eaves_around(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """All eaves at once, from where the front looks to."""
    fields = await _fields(request)
    await run_in_threadpool(_put_around, office, survey_id, actor, fields)
    return pages.done(request, f"/rep/{survey_id}/house#list")


@router.post("/drop-tests")
@may("change survey")
async def put_drop_test(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """Add a drop test."""
    fields = await _fields(request)
    await run_in_threadpool(
        _put, office, survey_id, actor, "drop_tests", fields, survey_forms.drop_test_of(fields)
    )
    return pages.done(request, f"/rep/{survey_id}/drop-test")


@router.post("/site")
@may("change survey")
async def put_site(request: Request, office: OfficeDep, actor: Staff, survey_id: str) -> Response:
    """Wind, rain, household and note."""
    form = await _fields(request)
    fields = survey_forms.changed_only(form)

    def save() -> None:
        with changing(office, actor, "change survey", survey_id) as (session, row):
            current = {name: row.document[name] for name in surveys.SITE_FIELDS if name in row.document}
            site = survey_forms.merged(current, fields, survey_forms.site_of(fields))
            news = {name: value for name, value in site.items() if value != current.get(name)}
            gone = dict.fromkeys(current.keys() - site.keys())
            surveys.put_site(session, row, actor, {**news, **gone})

    def answer() -> Response:
        try:
            save()
        except SurveyProblems as error:
            wrong = survey_forms.form_error(error)
            if pages.wants_json(request):
                raise wrong from error
            return show_house(
                request, office, actor, survey_id, "", 422, typed=form, wrong=wrong.wrong, wrong_place=True
            )
        return pages.done(request, f"/rep/{survey_id}/house")

    return await run_in_threadpool(answer)


@router.post("/{kind}/remove")
@may("change survey")
def remove_part(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    survey_id: str,
    kind: surveys.PartKind,
    key: Annotated[str, Form()],
) -> Response:
    """Remove a tree, eave or drop test."""
    with changing(office, actor, "change survey", survey_id) as (session, row):
        surveys.remove_part(session, row, actor, kind, key)
    tab = {"trees": "trees", "eaves": "house", "drop_tests": "drop-test"}[kind]
    return pages.done(request, f"/rep/{survey_id}/{tab}")


@router.post("/decide/{kind}")
@may("submit", "override", "reply")
def decide(
    request: Request,
    office: OfficeDep,
    actor: Staff,
    survey_id: str,
    kind: Kind,
    text: Annotated[str, Form()] = "",
    fineness_class: Annotated[str, Form()] = "",
    interval_months: Annotated[str, Form()] = "",
) -> Response:
    """Send to the office, overrule or reply."""
    keep_decision(
        office, actor, survey_id, kind, text, fineness_class or None, survey_forms.months_of(interval_months)
    )
    return pages.done(request, f"/rep/{survey_id}/answer")


def _put_form(
    request: Request,
    office: Office,
    actor: Actor,
    survey_id: str,
    kind: Literal["trees", "eaves"],
    form: dict[str, str],
) -> Response:
    """Keep a tree's or an eave's form; what is wrong with it is said at its fields, and nothing is lost."""
    fields = survey_forms.changed_only(form)
    if kind == "trees":
        part = survey_forms.tree_of(fields, _units(actor)[0])
    else:
        part = survey_forms.eave_of(fields, *_units(actor))
    tab, show = ("trees", show_trees) if kind == "trees" else ("house", show_house)
    try:
        name, is_shared = _put(office, survey_id, actor, kind, fields, part)
    except survey_forms.FormError as error:
        if pages.wants_json(request):
            raise
        return show(
            request, office, actor, survey_id, form.get("key", ""), 422, typed=form, wrong=error.wrong
        )
    if is_shared:  # somebody else wrote into the same fields: show both
        return pages.done(request, f"/rep/{survey_id}/{tab}?edit={quote(name, safe='')}#{kind[:-1]}-form")
    return pages.done(request, f"/rep/{survey_id}/{tab}")


def _put(
    office: Office,
    survey_id: str,
    actor: Actor,
    kind: surveys.PartKind,
    fields: dict[str, str],
    part: dict[str, Any],
) -> tuple[str, bool]:
    """The part's name, and whether others had written into the same fields meanwhile."""
    with changing(office, actor, "change survey", survey_id) as (session, row):
        key = fields.get("key") or None
        shared: dict[str, Any] = {}
        if key and kind != "drop_tests" and fields.get("seen"):
            word = surveys.PART_WORDS[kind]
            meanwhile = meanwhile_of(session, survey_id, word, key, fields["seen"], actor)
            if meanwhile.name is None:
                raise refuse(
                    "not-found", f"{meanwhile.who} removed {key} meanwhile.", "Add it anew if it is there."
                )
            key = meanwhile.name
            shared = survey_forms.overlapping(fields, part, meanwhile.theirs)
        if key is None and kind == "eaves":  # a phone without signal knows nothing of the first, blank eave
            key = surveys.blank_eave(surveys.whole_survey(row, ()))
        current = surveys.part_of(row, kind, key)
        if current is not None:
            part = survey_forms.merged(current, fields, part)
        elif kind != "drop_tests":
            part.setdefault("name", surveys.free_name(row, kind))
        parts = row.document.get(kind, ())
        at = next((n for n, each in enumerate(parts) if each is current), len(parts))
        try:
            surveys.put_part(session, row, actor, kind, key, part, fields.get("once") or None, shared)
        except SurveyProblems as error:
            raise survey_forms.form_error(error, f"{kind}[{at}]") from error
        return str(part.get("name", "")), bool(shared)


# Side of the house, as one stands before its front -> points of the rose clockwise from the front's.
_AROUND: Final = {"Front": 0, "Back": 4, "Left": 2, "Right": 6}


def _put_around(office: Office, survey_id: str, actor: Actor, fields: dict[str, str]) -> None:
    """Front and back, and the sides if they have gutters; what an eave has already is changed, not lost."""
    rose = [key for key, _ in words.POINTS[::2]]
    facing = fields.get("facing", "")
    if facing not in rose:
        raise survey_forms.FormError({"facing": "Tap where the front looks to."}, "survey-wrong-value")
    once = fields.get("once", "")
    with changing(office, actor, "change survey", survey_id) as (session, row):
        usual = usual_of(session, actor, survey_id)[0] if fields.get("usual") else ()
        common = survey_forms.eave_of({one.fact: str(one.value) for one in usual}, *_units(actor))
        for side, turn in _AROUND.items():
            if side in ("Left", "Right") and fields.get("sides") == "two":
                continue
            length = fields.get("along" if side in ("Front", "Back") else "deep", "")
            own = survey_forms.eave_of(
                {"name": side, "facing": rose[(rose.index(facing) + turn) % 8], "length": length},
                *_units(actor),
            )
            current = surveys.part_of(row, "eaves", side)
            part = {**common, **(current or {}), **own}
            try:
                surveys.put_part(
                    session, row, actor, "eaves", side, part, f"{once[:30]} {side}" if once else None
                )
            except SurveyProblems as error:
                wrong = survey_forms.form_error(error, error.field.split(".")[0]).wrong
                field = "along" if side in ("Front", "Back") else "deep"
                told = {field if name == "length" else name: text for name, text in wrong.items()}
                raise survey_forms.FormError(told, error.code) from error
