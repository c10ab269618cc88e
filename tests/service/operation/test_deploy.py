"""The files in ``service/deploy`` at work: the proxy in front of a server, the unit read by systemd."""

from __future__ import annotations

import contextlib
import re
import secrets
import shutil
import socket
import ssl
import subprocess
import sys
import time
from pathlib import Path

import httpx
import pytest
from fastapi.routing import APIRoute

from eavefall_service.web import limits
from eavefall_service.web.request_checks import limit_of
from eavefall_service.web.routes import ROUTERS

from ..web.conftest import PASSWORD, Server, noise_jpeg, put_tree

ROOT = Path(__file__).resolve().parents[3]
DEPLOY = ROOT / "service/deploy"
NGINX = shutil.which("nginx") or "/usr/sbin/nginx"
SYSTEMD = shutil.which("systemd-analyze")
BASE = "/surveys"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Proxied:
    """A server behind the shipped proxy, at a path of its host."""

    def __init__(self, folder: Path) -> None:
        self.port, self.plain_port, self.folder = free_port(), free_port(), folder
        self.url = f"https://localhost:{self.port}{BASE}"
        self.server = Server(
            folder / "data", trusted_proxy="127.0.0.1", public_url=self.url, secret=secrets.token_urlsafe(32)
        )
        key, certificate = folder / "privkey.pem", folder / "fullchain.pem"
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
             "-keyout", str(key), "-out", str(certificate), "-days", "2", "-subj", "/CN=localhost",
             "-addext", "subjectAltName=DNS:localhost"],
            check=True, capture_output=True,
        )  # fmt: skip
        self.context = ssl.create_default_context(cafile=str(certificate))
        conf = (DEPLOY / "nginx.conf").read_text("utf-8")
        for shipped, here in (
            (r"listen \[::\]:\d+( ssl)?;", ""), ("listen 80;", f"listen 127.0.0.1:{self.plain_port};"),
            ("listen 443 ssl;", f"listen 127.0.0.1:{self.port} ssl;"), (r"surveys\.example", "localhost"),
            ("/etc/ssl/eavefall", str(folder)), ("/var/log/nginx", str(folder)),
            ("http://127.0.0.1:8337", self.server.url),
            ("client_body_timeout     30s", "client_body_timeout 1s"),
        ):  # fmt: skip
            conf, count = re.subn(shipped, here, conf)
            assert count, shipped
        kinds = ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        places = "".join(f"{kind}_temp_path {folder}/{kind};\n" for kind in kinds)
        (folder / "nginx.conf").write_text(
            f"daemon off; pid {folder}/pid; events {{}}\nhttp {{ {places}\n{conf} }}\n", "utf-8"
        )
        # Debian's build runs its workers as www-data, who cannot see a folder of the tests.
        user = ["-g", "user root;"] if (ROOT.stat().st_uid, Path("/root").exists()) == (0, True) else []
        self.process = subprocess.Popen(
            [NGINX, "-e", f"{folder}/start.log", "-p", str(folder), "-c", str(folder / "nginx.conf"), *user]
        )
        for _ in range(200):
            if self.process.poll() is not None:
                pytest.fail((folder / "start.log").read_text())
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), timeout=1):
                return
            time.sleep(0.05)
        pytest.fail("nginx does not listen")

    def client(self) -> httpx.Client:
        return httpx.Client(base_url=self.url, verify=self.context, timeout=60, follow_redirects=True)

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(30)
        self.server.stop()

    def logs(self) -> str:
        return "".join(path.read_text("utf-8") for path in self.folder.glob("*.log"))


@pytest.fixture(scope="module")
def proxied(tmp_path_factory):
    if not Path(NGINX).exists():
        pytest.skip(
            "NOT TESTED: the proxy set-up in service/deploy, because nginx is not installed (nginx-light)"
        )
    running = Proxied(tmp_path_factory.mktemp("proxied"))
    yield running
    running.stop()


@pytest.fixture(scope="module")
def rep(proxied):
    """A rep signed in through the proxy."""
    proxied.server.person("rita", "rep")
    with proxied.client() as client:
        there = client.post("/sign-in", data={"name": "rita", "password": PASSWORD})
        assert (there.status_code, there.url.path) == (200, f"{BASE}/rep")
        yield client


def test_every_address_on_every_page_leads_somewhere(proxied, rep):
    """From the list on, all that pages link to is under the path, and is there."""
    survey = secrets.token_hex(8)
    assert rep.put(f"/api/1/surveys/{survey}", json={"name": "Behind"}).status_code == 200
    assert rep.post(f"/api/1/surveys/{survey}/photos", content=noise_jpeg(1, 900)).status_code == 201
    assert (
        put_tree(rep, survey, "Pine", distance="3 m", height="20 m").json()["next"].startswith(f"{BASE}/rep/")
    )
    waiting, seen = [f"{BASE}/rep/{survey}", f"{BASE}/rep", f"{BASE}/privacy"], set()
    while waiting and len(seen) < 60:
        path = waiting.pop().split("#")[0].replace("&amp;", "&")
        if path in seen or not path.startswith("/"):
            continue
        seen.add(path)
        assert path.startswith(f"{BASE}/"), path
        answer = rep.get(f"https://localhost:{proxied.port}{path}")
        assert answer.status_code == 200, path
        if "text/html" in answer.headers["content-type"]:
            waiting += re.findall(r'\s(?:href|src|data-home)="([^"]+)"', answer.text)
            assert all(
                f'action="{BASE}/' in form for form in re.findall(r"<form[^>]* action=[^>]*>", answer.text)
            )
    assert len(seen) > 25
    assert {"text/css", "image/jpeg", "application/pdf"} <= {
        rep.get(f"https://localhost:{proxied.port}{path}").headers["content-type"].split(";")[0]
        for path in seen
    }
    manifest = rep.get("/app.webmanifest").json()
    assert manifest["start_url"] == f"{BASE}/rep"


def test_cookies_and_headers_are_those_of_a_safe_site(proxied, rep):
    cookie = next(cookie for cookie in rep.cookies.jar if cookie.name == "eavefall_session")
    assert (cookie.path, cookie.secure) == (BASE, True)
    headers = rep.get("/rep").headers
    assert headers["strict-transport-security"]
    assert "nginx/" not in headers["server"]
    assert headers["x-request-id"] in proxied.logs()


def test_a_link_is_in_no_log_even_if_the_server_is_gone(proxied, rep):
    survey = secrets.token_hex(8)
    rep.put(f"/api/1/surveys/{survey}", json={"name": "Linked"})
    address = rep.post(f"/api/1/surveys/{survey}/links", json={"days": 2}).json()["address"]
    assert address.startswith(f"{proxied.url}/h/")
    with proxied.client() as guest:
        page = guest.get(address, headers={"Referer": address})
        assert page.status_code == 200
        assert guest.post(f"{address}/consent", data={"agree": "yes"}).status_code == 200
        assert guest.post(f"{address}/shots/tree", content=noise_jpeg(2)).status_code == 201
        # More than one address may ask for at once, and an upstream that is not there.
        codes = {guest.get(f"{address}/photos").status_code for _ in range(20)}
        assert codes <= {200, 429}
        assert guest.get(f"{proxied.url}/h/{'x' * 9000}").status_code in (404, 414)
    token = address.rsplit("/", 1)[1]
    assert f"{BASE}/h/..." in proxied.logs()
    assert token not in proxied.logs()


def test_sizes_and_health(proxied, rep):
    assert rep.post("/rep/surveys", content=b"a" * 1_500_000).status_code == 413
    assert rep.post(f"/api/1/surveys/{'0' * 16}/photos", content=b"a" * 1_500_000).status_code == 404
    assert rep.get("/healthz").status_code == 404
    assert rep.get("/readyz").status_code == 404


def test_the_api_is_not_led_on_from_plain_http(proxied):
    """A program whose password went out unencrypted must notice; a person is led to the right place."""
    plain = f"http://localhost:{proxied.plain_port}"
    assert httpx.get(f"{plain}{BASE}/sign-in").headers["location"] == f"https://localhost{BASE}/sign-in"
    for path in ("/api/1/session", f"{BASE}/api/1/session"):
        assert httpx.post(plain + path, json={}).status_code == 403


def test_a_forged_address_is_not_believed(proxied):
    with proxied.client() as guest:
        for number in range(30):
            forged = {"X-Forwarded-For": f"10.9.8.{number}"}
            last = guest.get(f"/h/{secrets.token_urlsafe(24)}", headers=forged)
    assert last.json()["code"] == "too-many-tries"
    proxied.server.office.limiter.clear("link 127.0.0.1")


def test_slow_bodies_never_reach_the_server(proxied, rep):
    """The proxy waits for the rest, gives up, and the server has seen nothing of it."""

    def begun() -> float:
        count = proxied.server.metrics.registry.get_sample_value
        return sum(
            count("eavefall_answers_total", {"method": "POST", "route": "/sign-in", "status": str(status)})
            or 0
            for status in (200, 303, 401, 408, 422, 429)
        )

    before = begun()
    assert before >= 1, "the rep's own sign-in is seen"
    with contextlib.ExitStack() as open_:
        slow = []
        for _ in range(10):
            raw = open_.enter_context(socket.create_connection(("127.0.0.1", proxied.port), timeout=30))
            safe = open_.enter_context(proxied.context.wrap_socket(raw, server_hostname="localhost"))
            head = f"POST {BASE}/sign-in HTTP/1.1\r\nHost: localhost:{proxied.port}\r\n"
            head += "Content-Length: 500\r\n\r\nname="
            safe.sendall(head.encode())
            slow.append(safe)
        assert proxied.server.metrics.registry.get_sample_value("eavefall_requests_open") == 0
        ends = set()
        for safe in slow:
            with contextlib.suppress(OSError):
                ends.add(safe.recv(4096)[9:12])
        assert ends <= {b"408", b""}
    assert begun() == before


@pytest.fixture
def unit(tmp_path):
    """The unit as it is read where the program lies elsewhere."""
    if SYSTEMD is None:
        pytest.skip(
            "NOT TESTED: the systemd unit in service/deploy, because systemd-analyze is not installed"
        )
    text = (DEPLOY / "eavefall.service").read_text("utf-8")
    program = shutil.which("eavefall") or f"{Path(sys.executable).parent}/eavefall"
    assert "/opt/eavefall/bin/eavefall" in text
    place = tmp_path / "eavefall.service"
    place.write_text(text.replace("/opt/eavefall/bin/eavefall", program), "utf-8")
    return place


def test_systemd_finds_nothing_wrong_with_the_unit(unit):
    told = subprocess.run([SYSTEMD, "verify", str(unit)], capture_output=True, text=True, check=False)
    ours = [line for line in told.stderr.splitlines() if "eavefall" in line]
    assert ours == []


def test_the_unit_leaves_little_open(unit):
    """systemd's own measure of exposure: from 0 (nothing) to 10; below 2.5 it calls "OK"."""
    command = [SYSTEMD, "security", "--offline=true", "--no-pager", str(unit)]
    told = subprocess.run(command, capture_output=True, text=True, check=False)
    found = re.search(r"exposure level for eavefall\.service: (\d+\.\d)", told.stdout + told.stderr)
    if found is None:
        pytest.skip(f"NOT TESTED: this systemd-analyze cannot weigh a file: {told.stderr.strip()[:100]}")
    assert float(found[1]) < 2.5


@pytest.mark.parametrize("base", ["", BASE])
def test_the_proxy_lets_through_what_the_server_takes_as_large(base):
    """Every route for photos or whole surveys, at the root of its host and at a path of it."""
    conf = (DEPLOY / "nginx.conf").read_text("utf-8")
    places = re.findall(r"location ~ (\S+) \{\n\s+client_max_body_size 41m;", conf)
    assert len(places) == 1
    routes = [route for router in ROUTERS for route in router.routes if isinstance(route, APIRoute)]
    paths = {re.sub(r"\{\w+\}", "tree", route.path) for route in routes if "POST" in route.methods}
    large = {path for path in paths if limit_of(path) > limits.JSON_BYTES}
    assert len(large) >= 8
    for path in paths:
        assert bool(re.fullmatch(places[0].strip("^$"), base + path)) == (path in large), path


def command_of(line: str) -> list[str]:
    return [word for word in line.split() if word.startswith("--")]


def test_the_options_in_the_deploy_files_exist():
    """A file that starts the server with an option it does not have starts nothing."""
    import typer

    from eavefall_service.cli import build_app

    serve = typer.main.get_command(build_app("serve")).commands["serve"]
    known = {option for parameter in serve.params for option in parameter.opts}
    unit = (DEPLOY / "eavefall.service").read_text("utf-8")
    container = (DEPLOY / "Containerfile").read_text("utf-8")
    started = re.search(r"ExecStart=(.*)", unit)[1] + " ".join(re.findall(r'"(--[a-z-]+)"', container))
    used = set(command_of(started))
    assert {"--data", "--public-url", "--trusted-proxy", "--metrics-port", "--host"} <= used | {"--host"}
    assert used <= known
    # No root, nothing written outside two places, a health check, one base for both stages.
    user, group = re.search(r"^USER (\d+):(\d+)$", container, re.M).groups()
    assert f"groupadd --gid {group} eavefall" in container
    assert f"--uid {user} --gid {group}" in container
    assert "podman build --format docker" in container  # in its own format podman drops health checks
    assert "/healthz" in re.search(r"HEALTHCHECK.*\n.*", container)[0]
    assert len(set(re.findall(r"^FROM (\S+)", container, re.M))) == 1
    assert "--read-only" in container
