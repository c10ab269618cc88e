"""Errors a person can act on: a stable code, what was wrong, and what would do."""

from __future__ import annotations

from eavefall_model.language import translate
from eavefall_model.vocabulary import Language

# code -> what it means. The README's table is tested against this mapping in both directions.
ERROR_CODES: dict[str, str] = {
    "photo-missing": "The file named does not exist or cannot be opened.",
    "photo-empty": "The file has no bytes.",
    "photo-too-many-bytes": "The file is larger than the upload limit.",
    "photo-wrong-type": "The bytes are not a JPEG, PNG, WebP, HEIC or AVIF picture.",
    "photo-unreadable": "The picture's data are damaged and cannot be decoded.",
    "photo-truncated": "The picture stops before its end, as after a broken upload.",
    "photo-too-many-pixels": "The picture has more pixels than the limit.",
    "photo-too-small": "The picture has too few pixels to show anything.",
    "survey-missing": "The survey file does not exist or cannot be opened.",
    "survey-not-yaml": "The survey file is not valid YAML.",
    "survey-unknown-field": "The survey has a field that is not part of the format.",
    "survey-wrong-value": "A field has a value that is not allowed there.",
    "survey-wrong-unit": "A length, angle or rainfall is written without a unit we know.",
    "survey-missing-field": "A field that has no sensible default was left out.",
    "survey-duplicate-name": "Two trees, two eaves or two photos share a name.",
    "survey-unknown-name": "A field names a tree, eave or photo that the survey does not have.",
    "rules-invalid": "A rules, guards or prices file is not valid; the message names the line.",
    "report-not-written": "The report cannot be written under the name given.",
    "not-measured-yet": "A close-up has not been measured yet, so the answer does without it.",
    "gauge-reference-unknown": "The reference is not one we know.",
    "weights-missing": "The installed package has no tagger weights.",
    "model-unknown": "There is no such model in the data directory, or none to go back to.",
    "model-refused": "The model has no passed gate report for these very files.",
    "place-unknown": "A place is not in the table of design rains.",
    "sighting-no-reading": "A reading or a tap that the measurement needs is missing.",
    "sighting-poor-view": "The photo does not give the heights well enough.",
    "sighting-too-small": "What has the known height is too small in the photo.",
    "sighting-too-steep": "The top is sighted too steeply; the person stands too close.",
    "sighting-upside-down": "The top is sighted below the base.",
    "not-signed-in": "This needs a signed-in person of the office.",
    "sign-in-wrong": "The name or the password is wrong.",
    "code-needed": "The person has a second factor, and its code is missing.",
    "code-wrong": "The code of the second factor is wrong or was used before.",
    "second-factor-needed": "The office asks this person for a second factor, and none is set up yet.",
    "not-allowed": "The person signed in may not do this.",
    "name-taken": "Something of this name exists already.",
    "link-unknown": "The link is not one we gave out, or was copied incompletely.",
    "link-expired": "The link's time is over.",
    "link-revoked": "The office has withdrawn the link.",
    "cross-site": "The request came from another site's page.",
    "host-unknown": "The server does not answer under this host name.",
    "too-many-tries": "Too many tries in a short time.",
    "queue-full": "Too many photos are waiting to be read just now.",
    "server-busy": "The server has too much to do just now; nothing of the request was kept.",
    "photo-sent-already": "The survey has this very photo already, for another of the guided shots.",
    "too-many-photos": "The survey has as many photos as it may have.",
    "upload-slow": "The photo took too long to arrive.",
    "digest-mismatch": "The bytes that arrived differ from the ones that were sent.",
    "disk-full": "The server has too little free disk space to accept photos.",
    "body-too-large": "The request is larger than its limit.",
    "request-malformed": "The request cannot be read.",
    "request-invalid": "The request has a missing or wrong field.",
    "not-found": "There is nothing at this address.",
    "method-not-allowed": "This address does not take this kind of request.",
    "internal-error": "Something went wrong on the server; what it acknowledged is kept.",
    "secret-weak": "The server may not listen on a network with a secret anyone can guess.",
    "public-url-missing": "A server on a network must know its public address.",
    "data-in-use": "Another server already uses the data directory.",
    "port-taken": "A port that the server was told to listen on cannot be used.",
    "backup-place-taken": "The folder that a backup or its data would go to exists already.",
    "backup-damaged": "The folder is not a whole backup, or a file in it was changed.",
    "database-newer": "A later version of the program has written the database.",
    "database-address-wrong": "The address of the database is not one that can be used.",
    "database-away": "The server's database does not answer.",
    "database-driver-missing": "The driver for the database that the data directory names is not installed.",
    "database-elsewhere": "The rows are not in the data directory, so this command cannot do its work.",
    "database-older": "An earlier version of the program has written the database; upgrade it first.",
    "upgrade-failed": "A step of the upgrade went wrong; the old database is in use, unchanged.",
    "password-weak": "The password is too short or too common.",
}


class EavefallError(Exception):
    """Base of all errors meant for a person.

    Parameters
    ----------
    code : str
        A key of ``ERROR_CODES``.
    message : str
        What was wrong, naming the field or file and what was given.
    hint : str
        What to do about it.
    **named
        What fills the ``{names}`` of the message, if any are given.
    """

    def __init__(self, code: str, message: str, hint: str = "", **named: object) -> None:
        if code not in ERROR_CODES:
            raise KeyError(f"unregistered error code {code!r}")
        self.template, self.named = message, named
        self.message = message.format(**named) if named else message
        super().__init__(self.message)
        self.code = code
        self.hint = hint

    def said(self, language: Language) -> str:
        """The message in a reader's language."""
        named = {
            name: translate(language, value) if isinstance(value, str) else value
            for name, value in self.named.items()
        }
        return translate(language, self.template, **named)

    def __str__(self) -> str:
        return f"{self.message} {self.hint}".strip()


class PhotoError(EavefallError):
    """A photo that cannot be used."""


class SurveyError(EavefallError, ValueError):
    """A survey that cannot be read; ``field`` is a dotted path such as ``trees[2].distance``."""

    def __init__(self, code: str, message: str, hint: str = "", field: str = "") -> None:
        super().__init__(code, message, hint)
        self.field = field


class RulesError(EavefallError):
    """A rules, guard or price file that cannot be read."""


class GaugeError(EavefallError):
    """A gauge request that makes no sense (a photo that cannot be measured is a refusal, not an error)."""


class ServiceError(EavefallError):
    """A request the service refuses."""


class SightingError(EavefallError):
    """A height, width or bearing taken from the ground that cannot be had so."""
