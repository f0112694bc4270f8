"""What the image holds, made by hand as the Dockerfile makes it, and run as docker-compose.yml runs it.

The build context by .dockerignore and COPY, the wheel from it, an environment without pip: then the command of the one-shot
as a user who owns nothing, without a home, in a folder that nobody may write to, and with not one file allowed to grow.
That stands for a container with a read-only file system; no container engine takes part, so base images, networks and the
published FHIR server are not tried here. Needs a package index and a minute, so it has the marker of the packaging tests.
"""

import os
import re
import resource
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from linedays import __version__
from linedays.adapters.fhir_http import new_client
from linedays.adapters.fhir_server import FhirServer
from linedays.adapters.server_starter import load_bundle, started_server
from linedays.run.errors import SERVER
from linedays.run.rereading import read_ours
from support.container_files import ROOT, compose, context_files, copied, stages
from support.small_ward import AT_TEXT, IDENTITY, WARD

pytestmark = pytest.mark.packaging

NOBODY = 65534
ONE_SHOT = compose()["services"]["linedays"]
Done = subprocess.CompletedProcess[str]


def as_user() -> dict[str, Any]:
    """Return who runs the image's command: nobody where we are root, else ourselves, who are not root."""
    return {"user": NOBODY, "group": NOBODY, "extra_groups": []} if os.geteuid() == 0 else {}


def built(*command: str | Path, cwd: Path) -> None:
    """Carry out one step of the Dockerfile's build stage, with nothing of ours in the environment."""
    kept = {key: value for key, value in os.environ.items() if key.startswith("PIP_") or key in ("PATH", "SSL_CERT_FILE")}
    words = [str(part) for part in command]
    done = subprocess.run(words, cwd=cwd, env=kept | {"HOME": str(cwd)}, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stdout + done.stderr


def interpreter() -> str:
    """Return a Python 3.11 that the user of the image may run: a private one of root's is of no use to others."""
    found = [os.path.realpath(sys.executable), *(shutil.which("python3.11", path=path) for path in ("/usr/bin", "/usr/local/bin"))]
    check = "import sys, venv; raise SystemExit(sys.version_info[:2] != (3, 11))"
    for python in filter(None, found):
        try:
            done = subprocess.run([python, "-I", "-c", check], cwd="/", capture_output=True, timeout=60, **as_user())
        except PermissionError:
            continue
        if done.returncode == 0:
            return python
    raise AssertionError("no Python 3.11 here that a user other than root may run: install one, such as Debian's python3.11")


@dataclass(frozen=True)
class Image:
    """The folders that stand for those of the image."""

    environment: Path
    work: Path
    store: Path

    def run(self, *arguments: str, **variables: str) -> Done:
        """Run the image's entry point with the environment of docker-compose.yml, `variables` being those of the person."""
        (entry,) = stages()[-1].all("ENTRYPOINT")
        return self.execute(entry.strip('["]'), *arguments, **variables)

    def execute(self, program: str, *arguments: str, **variables: str) -> Done:
        """Run a program of the environment with the rights, and the lack of them, that it has in the container."""
        told = {name: value for name, value in ONE_SHOT["environment"].items() if not value.startswith("$")}
        fixed = {"PATH": f"{self.environment}/bin", "PYTHONDONTWRITEBYTECODE": "1", "LINEDAYS_STORE": str(self.store)}
        return subprocess.run(
            [f"{self.environment}/bin/{program}", *arguments],
            cwd=self.work, env={**told, **fixed, **variables}, stdin=subprocess.DEVNULL, capture_output=True, text=True,
            timeout=120, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0)), **as_user(),
        )  # fmt: skip


@pytest.fixture(scope="module")
def image() -> Iterator[Image]:
    """Build what the image holds, in a folder that everybody may look into."""
    top = Path(tempfile.mkdtemp(prefix="linedays-image-"))
    try:
        top.chmod(0o755)
        context = top / "context"
        for name in [name for each in copied(stages()[0]) for source in each.sources for name in context_files(source)]:
            (context / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(ROOT / name, context / name)
        pip = (sys.executable, "-m", "pip")
        built(*pip, "wheel", "--no-cache-dir", "--no-deps", "--wheel-dir", "dist", ".", cwd=context)
        (wheel,) = (context / "dist").glob("*.whl")
        environment = top / "opt"
        built(interpreter(), "-m", "venv", "--without-pip", environment, cwd=context)
        built(*pip, "--python", environment / "bin" / "python", "install", "--no-cache-dir", "--only-binary=:all:",
              "--constraint", "constraints.txt", wheel, cwd=context)  # fmt: skip
        shutil.rmtree(context)
        work, store = top / "work", top / "store"
        work.mkdir(mode=0o555)
        store.mkdir(mode=0o700)
        if os.geteuid() == 0:
            os.chown(store, NOBODY, NOBODY)
        yield Image(environment, work, store)
        assert list(work.iterdir()) == []
    finally:
        shutil.rmtree(top)


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    with started_server() as base_url:
        yield base_url


def sweep(address: str) -> list[str]:
    """Return the command of the one-shot, with the address of the server that is up here."""
    words = [word.replace("http://fhir:8080/fhir", address) for word in ONE_SHOT["command"]]
    assert address in words
    return words


def test_image_holds_linedays_and_nothing_that_builds(image: Image) -> None:
    programs = {path.name for path in (image.environment / "bin").iterdir()}
    assert "linedays" in programs
    packages = {path.name.lower() for path in next((image.environment / "lib").glob("python3*/site-packages")).iterdir()}
    assert "linedays" in packages
    assert not {"pip", "setuptools", "wheel", "hatchling", "build", "pytest", "sekmet"} & (programs | packages)


def test_every_package_in_the_image_has_the_version_of_the_constraints(image: Image) -> None:
    def named(name: str, release: str) -> tuple[str, str]:
        return re.sub(r"[-_.]+", "-", name).lower(), release

    found = next((image.environment / "lib").glob("python3*/site-packages")).glob("*.dist-info")
    held = {named(*path.stem.split("-", 1)) for path in found}
    pinned = {named(*line.split("==")) for line in (ROOT / "constraints.txt").read_text(encoding="utf-8").split()}
    assert held - pinned == {("linedays", __version__)}


def test_version_and_help_without_a_home_or_a_place_to_write(image: Image) -> None:
    done = image.run("--version")
    assert (done.returncode, done.stdout, done.stderr) == (0, f"linedays {__version__}\n", "")
    done = image.run(*stages()[-1].all("CMD")[0].strip('[]"').split())
    assert done.returncode == 0
    assert done.stdout.startswith("usage: linedays")


def test_policy_is_checked_from_the_mappings_in_the_image(image: Image) -> None:
    done = image.run("policy", "check")
    assert done.returncode == 0, done.stdout + done.stderr
    assert str(image.environment) in done.stdout.replace("\n", "")


def test_one_shot_against_an_empty_server(image: Image) -> None:
    with started_server() as empty:
        done = image.run(*sweep(empty), LINEDAYS_ZONE="Europe/Berlin")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "dry run: nothing was" in done.stdout
    # The Device that our software is.
    assert "1 writes, 0 held back, 0 left as they are" in done.stdout


def test_one_shot_shows_what_would_be_written_and_writes_nothing(image: Image, address: str) -> None:
    with new_client() as client:
        server = FhirServer(address, client=client)
        load_bundle(server, WARD)
        done = image.run(*sweep(address), "--at", AT_TEXT, LINEDAYS_ZONE="Europe/Berlin")
        assert done.returncode == 0, done.stdout + done.stderr
        # Four Tasks and four Flags (tests/acceptance/test_sweep_server.py), 52 derived Observations (test_sweep_values.py).
        assert "60 writes, 0 held back" in done.stdout
        assert [*read_ours(server, IDENTITY)] == ["Device/made-up-software"]


def test_made_up_hospital_of_the_image_fills_another_empty_server(image: Image) -> None:
    with started_server() as empty:
        done = image.run("demo", "--fhir", empty)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "6 Flag create: created" in done.stdout
    assert "8 Task create: created" in done.stdout
    assert "written: nothing" in done.stdout


def test_one_shot_fails_with_the_code_of_a_server_that_is_not_up(image: Image) -> None:
    with started_server() as gone:
        pass
    done = image.run(*sweep(gone), LINEDAYS_ZONE="Europe/Berlin")
    assert done.returncode == SERVER
    assert "no connection" in done.stderr
    assert "Traceback" not in done.stderr


def test_one_shot_without_a_time_zone_says_which_setting_is_missing(image: Image, address: str) -> None:
    done = image.run(*sweep(address))
    assert done.returncode == 2
    assert "LINEDAYS_ZONE" in done.stderr


def test_what_stands_for_the_container_lets_nothing_be_written(image: Image) -> None:
    # Without this, the tests above would also pass where the limits do not hold.
    script = """
import os
assert os.geteuid() != 0 and "HOME" not in os.environ
for folder in (".", os.environ["LINEDAYS_STORE"], "/tmp"):
    path = os.path.join(folder, f"probe-{os.getpid()}")
    try:
        with open(path, "w") as file:
            file.write("x")
    except OSError as error:
        print(type(error).__name__, error.strerror, sep=": ")
    if os.path.exists(path):
        os.unlink(path)
"""
    done = image.execute("python", "-c", script)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines() == ["PermissionError: Permission denied", *["OSError: File too large"] * 2]
