"""What whoever runs the server sees of it: counters, and a log that names nobody."""

from __future__ import annotations

import json
import secrets
import signal
import socket
import subprocess
import sys
import time

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy import text

from eavefall_model.errors import ServiceError
from eavefall_service.web.watching.metrics import Metrics, serve_metrics

from ..web.conftest import PASSWORD, ServerProcess, noise_jpeg, put_tree

MAIN = "from eavefall_service.cli import main; main()"
ADDRESS = "83 Quillwort Zigzag Passage"  # invented
NOTE = "the zebrawood door opens inward"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def samples(url: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """All samples by name and labels, read by the library's own parser."""
    found = {}
    for family in text_string_to_metric_families(httpx.get(url, timeout=30).text):
        for sample in family.samples:
            found[sample.name, tuple(sorted(sample.labels.items()))] = sample.value
    return found


@pytest.fixture(scope="module")
def walked(tmp_path_factory):
    """A whole walk through a server in a process of its own, with a fault in it: its log, its counters, and
    what must be in neither."""
    folder = tmp_path_factory.mktemp("watched")
    data, log = folder / "data", folder / "log"
    port, metrics_port = free_port(), free_port()
    for name, role in (("rita", "rep"), ("aldo", "auditor")):
        ServerProcess.run(["user", "add", name, "--role", role, "--data", str(data), "--password-stdin"])
    # A photo's tags fail with an error that quotes what a person typed.
    broken = f"""
from eavefall_service.web.photos import photo_upload
from eavefall_service.web.routes import root
def fail(*_, **__):
    raise RuntimeError({NOTE!r})
photo_upload.read_decoded = fail
root.days_kept = fail
"""
    command = [sys.executable, "-c", broken + MAIN, "serve", "--data", str(data), "--port", str(port)]
    with log.open("w") as out:
        server = subprocess.Popen([*command, "--metrics-port", str(metrics_port)], stdout=out, stderr=out)
        url = f"http://127.0.0.1:{port}"
        for _ in range(600):
            if server.poll() is not None:
                pytest.fail(log.read_text())
            try:
                httpx.get(f"{url}/healthz", timeout=5)
                break
            except httpx.TransportError:
                time.sleep(0.1)
        try:
            secret = walk(url)
            counted = samples(f"http://127.0.0.1:{metrics_port}/metrics")
        finally:
            server.send_signal(signal.SIGTERM)
            server.wait(60)
    lines = [json.loads(line) for line in log.read_text("utf-8").splitlines() if line.startswith("{")]
    return log.read_text("utf-8"), lines, counted, secret


def walk(url: str) -> dict[str, str]:
    """Sign in, a survey with all that is personal in it, a link, refusals, an unforeseen error."""
    with httpx.Client(base_url=url, timeout=60) as rep, httpx.Client(base_url=url, timeout=60) as guest:
        rep.post("/sign-in", data={"name": "rita", "password": "a wrong guess"})
        rep.post("/api/1/session", json={"name": "rita", "password": PASSWORD})
        survey = secrets.token_hex(8)
        rep.put(f"/api/1/surveys/{survey}", json={"name": ADDRESS})
        put_tree(rep, survey, "Quillpine", distance="3 m", height="20 m")
        rep.post(f"/rep/{survey}/site", data={"note": NOTE})
        assert rep.post(f"/api/1/surveys/{survey}/photos", content=noise_jpeg(3)).status_code == 201
        address = rep.post(f"/api/1/surveys/{survey}/links", json={"days": 2}).json()["address"]
        token = address.rsplit("/", 1)[1]
        for path in (
            f"/h/{token}",
            f"/h/{token}x",
            f"/h/{token}/photos",
            "/office/surveys?q=Quillwort",
            f"/{NOTE}",
        ):
            guest.get(path)
        guest.post(f"/h/{token}/consent", data={"agree": "yes"})
        guest.post(f"/h/{token}/shots/tree", content=noise_jpeg(4))
        guest.post("/sign-in", content=b"name=" + ADDRESS.encode(), headers={"Content-Type": "text/plain"})
        rep.get(f"/rep/{survey}/report.html")
        rep.post(f"/rep/{survey}/decide/submit")
        failed = guest.get("/privacy", headers={"Accept": "application/json"})
        assert failed.status_code == 500
        assert failed.headers["x-request-id"] in failed.json()["hint"]
        return {"token": token, "survey": survey, "cookie": rep.cookies["eavefall_session"],
                "number": failed.headers["x-request-id"]}  # fmt: skip


def test_no_token_name_or_address_in_the_log(walked):
    told, lines, _, secret = walked
    assert len(lines) > 15
    assert len(lines) == len(told.splitlines()), "something else was printed"
    people = ("rita", "aldo", PASSWORD, "wrong guess", "Quillwort", "Quillpine", NOTE, "zebrawood")
    keys = (secret["token"], secret["token"][:12], secret["survey"], secret["cookie"])
    assert [word for word in (*people, *keys) if word in told] == []


def test_every_line_tells_its_request_and_an_error_its_place(walked):
    _, lines, _, secret = walked
    answered = [line for line in lines if line["said"] == "answered"]
    told = {"at", "level", "from", "request", "method", "route", "status", "ms"}
    assert all(told <= set(line) for line in answered)
    assert len({line["request"] for line in answered}) == len(answered)
    routes = {line["route"] for line in answered}
    assert {"/h/{token}", "/h/{token}/shots/{shot}", "/api/1/session", "none"} <= routes
    of_failed = [line for line in lines if line.get("request") == secret["number"]]
    assert {line.get("status") for line in of_failed} >= {500}
    assert [line["error"] for line in of_failed if "error" in line] == ["RuntimeError"]
    untagged = [line for line in lines if line["said"] == "a photo has no tags"]
    sent = {line["request"] for line in answered if line["route"].endswith(("/photos", "/shots/{shot}"))}
    assert untagged
    assert {line["request"] for line in untagged} <= sent
    assert any("photo_upload.py" in place for line in untagged for place in line["where"])


def test_counters_in_the_text_format(walked):
    _, lines, counted, secret = walked
    by_route: dict[tuple[str, str, str], float] = {}
    for (name, labels), value in counted.items():
        if name == "eavefall_answers_total":
            label = dict(labels)
            by_route[label["method"], label["route"], label["status"]] = value
    logged: dict[tuple[str, str, str], float] = {}
    for line in lines:
        if line["said"] == "answered":
            key = (line["method"], line["route"], str(line["status"]))
            logged[key] = logged.get(key, 0) + 1
    assert by_route == logged, "the log and the counters tell the same"
    assert by_route["PUT", "/api/1/surveys/{survey_id}", "200"] == 1
    assert counted["eavefall_photos_waiting", ()] == 0
    assert counted["eavefall_requests_open", ()] == 0
    assert counted["eavefall_free_disk_bytes", ()] > 0
    seconds = counted["eavefall_answer_seconds_count", (("route", "/api/1/surveys/{survey_id}"),)]
    assert seconds == 1
    assert all(secret["survey"] not in str(key) and secret["token"] not in str(key) for key in counted)


def test_metrics_are_not_on_the_public_address(own_server):
    assert own_server.client().get("/metrics").status_code == 404


def test_a_taken_port_says_so():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(ServiceError) as refused:
            serve_metrics(Metrics(), taken.getsockname()[1])
    assert refused.value.code == "port-taken"


def test_an_sql_error_does_not_quote_what_was_written(own_server):
    with pytest.raises(Exception, match="hidden") as error, own_server.office.database.write() as session:
        session.execute(text("INSERT INTO surveys (id, name) VALUES ('1', :name)"), {"name": ADDRESS})
    assert ADDRESS not in str(error.value)


def test_what_a_library_says_of_a_damaged_photo_is_not_logged():
    """One photo can make it say so for each of thousands of entries."""
    talk = """
import warnings
from eavefall_service.web.watching.structured_log import log_as_json
log_as_json()
for module in ("PIL.TiffImagePlugin", "eavefall_service"):
    warnings.warn_explicit("Skipping tag of " + module, UserWarning, "x.py", 1, module)
"""
    told = subprocess.run([sys.executable, "-c", talk], capture_output=True, text=True, check=True).stderr
    assert ["PIL" in line for line in told.splitlines()] == [False]
