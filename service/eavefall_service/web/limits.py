"""Every limit of the service in one place; the README's table is tested against :func:`table`."""

from __future__ import annotations

from typing import Final

# Smaller than the decoder's own limit: a phone photo is 2 to 15 MB, a 50 MP one about 25 MB.
PHOTO_BYTES: Final = 30_000_000
PHOTOS_PER_SURVEY: Final = 80
GAUGE_PHOTOS_PER_SURVEY: Final = 12
JSON_BYTES: Final = 200_000
JSON_IMPORT_BYTES: Final = 40_000_000
MIN_FREE_DISK_BYTES: Final = 500_000_000
# One photo takes a worker about 0.1 s, so a full queue clears in a few seconds.
PENDING_PHOTOS: Final = 48
# Of one sender for one survey; a phone sends one after the other.
PHOTOS_AT_ONCE: Final = 6
# Photos whose bytes are still arriving; they take a file each, but no place to be read.
UPLOADS_AT_ONCE: Final = 240
WORKERS: Final = 2
# All photos being decoded or measured, answers being worked out and copies being parsed, together; the next
# one waits until it fits. With what the server takes at rest it stays under 1.2 GB.
WORKING_BYTES: Final = 560_000_000
# Working out an answer of 2,000 draws, at its peak and for each eave; measured on 1 to 12 eaves.
ANSWER_BYTES: Final = 20_000_000
# How many times its own bytes a copy takes while it is parsed: as bytes, as text, and as its values' text.
PARSING_TIMES: Final = 4
# How many times as much measuring a photo takes as decoding it.
MEASURING_TIMES: Final = 4.5
# Python changes threads this often: a page gives the interpreter up at each of its queries, and waits so
# long for it to come back.
SWITCH_S: Final = 0.0002
# How far the workers step back behind the threads that answer pages, in steps of nice(2).
STEP_BACK: Final = 3
# Reports asked for at once, in all and by one person; one is drawn while the others wait.
REPORTS_AT_ONCE: Final = 8
REPORTS_OF_ONE_AT_ONCE: Final = 4
COPY_WAIT_S: Final = 10
UPLOAD_S: Final = 180
# For the rest of a small body, for a header, for reading a refusal while still sending, for stopping.
BODY_S: Final = 30
HEADER_S: Final = 15
HEADER_BYTES: Final = 65_536
LINGER_S: Final = 5
SHUTDOWN_S: Final = 10
SESSION_HOURS: Final = 14
LINK_DAYS: Final = 14
LINK_DAYS_MOST: Final = 60
PASSWORD_LETTERS: Final = 12
# Wrong tries from a known device, or at one person from one address.
SIGN_IN_TRIES: Final = 8
# Codes of a second factor, by people whose password was right.
SECOND_FACTOR_TRIES: Final = 5
HALF_SIGN_IN_S: Final = 300
# At one person from all devices not known, and at all people from one address (an office shares one).
SIGN_IN_TRIES_PERSON: Final = 40
SIGN_IN_TRIES_ADDRESS: Final = 60
DEVICE_DAYS: Final = 180
SIGN_IN_WINDOW_S: Final = 300
UNKNOWN_LINK_TRIES: Final = 20


def table() -> tuple[tuple[str, str], ...]:
    """The limits in words, for documentation and pages."""
    return (
        ("One photo", f"{PHOTO_BYTES // 1_000_000} MB"),
        ("Photos of one survey", str(PHOTOS_PER_SURVEY)),
        ("Needle close-ups of one survey", str(GAUGE_PHOTOS_PER_SURVEY)),
        ("Time for one upload", f"{UPLOAD_S} s"),
        ("Time for any other body", f"{BODY_S} s"),
        ("Time for a request to start", f"{HEADER_S} s"),
        ("Photos arriving at once, all users together", str(UPLOADS_AT_ONCE)),
        ("Photos waiting to be read, all users together", str(PENDING_PHOTOS)),
        ("Photos of one sender for one survey at once", str(PHOTOS_AT_ONCE)),
        (
            "Reports asked for at once, in all and by one person",
            f"{REPORTS_AT_ONCE} and {REPORTS_OF_ONE_AT_ONCE}",
        ),
        ("JSON of one request", f"{JSON_BYTES // 1000} kB"),
        ("JSON of one imported survey with photos", f"{JSON_IMPORT_BYTES // 1_000_000} MB"),
        ("Free disk space below which uploads are refused", f"{MIN_FREE_DISK_BYTES // 1_000_000} MB"),
        ("Homeowner's link", f"{LINK_DAYS} days, at most {LINK_DAYS_MOST}"),
        ("Sign-in lasts", f"{SESSION_HOURS} h"),
        ("Password", f"at least {PASSWORD_LETTERS} letters"),
        (
            "Wrong sign-ins of one person from one address",
            f"{SIGN_IN_TRIES} in {SIGN_IN_WINDOW_S // 60} minutes",
        ),
        ("Wrong sign-ins of one person", f"{SIGN_IN_TRIES_PERSON} in {SIGN_IN_WINDOW_S // 60} minutes"),
        ("Wrong sign-ins from one address", f"{SIGN_IN_TRIES_ADDRESS} in {SIGN_IN_WINDOW_S // 60} minutes"),
        (
            "Wrong second-factor codes of one person",
            f"{SECOND_FACTOR_TRIES} in {SIGN_IN_WINDOW_S // 60} minutes",
        ),
        ("Unknown links from one address", f"{UNKNOWN_LINK_TRIES} in {SIGN_IN_WINDOW_S // 60} minutes"),
    )
