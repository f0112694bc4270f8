"""The built wheel works by itself: its own mappings, no checkout within reach, from an empty directory.

Builds and installs for real, which needs a package index and a minute; so it is left out of a plain `pytest` by its
marker and run by .ci/run.
"""

import os
import shutil
import subprocess
import sys
import venv
import zipfile
from importlib.metadata import version
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

pytestmark = pytest.mark.packaging


def run(*command: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run with an environment that holds nothing of ours: no PYTHONPATH, no settings, no active environment."""
    kept = {key: value for key, value in os.environ.items() if key.startswith("PIP_") or key in ("PATH", "SSL_CERT_FILE")}
    kept |= {"HOME": str(cwd), "LANG": "C.UTF-8"}
    return subprocess.run([str(part) for part in command], cwd=cwd, env=kept, capture_output=True, text=True, timeout=600)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("wheel")
    built = run(sys.executable, "-m", "build", "--wheel", "--outdir", out, ROOT, cwd=out)
    assert built.returncode == 0, built.stdout + built.stderr
    (path,) = out.glob("*.whl")
    return path


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the bin directory of a fresh environment that holds the wheel and nothing of the checkout."""
    home = tmp_path_factory.mktemp("installed")
    copy = Path(shutil.copy(wheel, home))
    constraints = shutil.copy(ROOT / "constraints.txt", home)
    venv.create(home / "venv", with_pip=True)
    bin_dir = home / "venv" / "bin"
    done = run(bin_dir / "pip", "install", "--quiet", "--constraint", constraints, copy, cwd=home)
    assert done.returncode == 0, done.stdout + done.stderr
    return bin_dir


def test_wheel_holds_each_data_file_once_and_nothing_of_the_tests(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    assert len(names) == len(set(names))
    assert not [name for name in names if name.startswith(("tests/", "fixtures/", "mappings/", ".ci/"))]
    packaged = {name.removeprefix("linedays/_data/") for name in names if name.startswith("linedays/_data/")}
    mappings = {str(path.relative_to(ROOT)) for path in (ROOT / "mappings").rglob("*") if path.is_file()}
    assert mappings
    assert mappings <= packaged
    assert any(name.endswith("licenses/LICENSE") for name in names)
    steps = {f"linedays/adapters/sql/{path.name}" for path in (ROOT / "service/linedays/adapters/sql").iterdir()}
    assert steps
    assert steps <= set(names)


def test_version_is_that_of_the_project(installed: Path, tmp_path: Path) -> None:
    done = run(installed / "linedays", "--version", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert version("linedays") in done.stdout


def test_policy_check_reads_the_packaged_mappings(installed: Path, tmp_path: Path) -> None:
    done = run(installed / "linedays", "policy", "check", cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    packages = next((installed.parent / "lib").glob("python3*/site-packages"))
    assert str(packages / "linedays" / "_data" / "mappings") in done.stdout
    assert str(ROOT) not in done.stdout + done.stderr
    assert list(tmp_path.iterdir()) == []


def test_nothing_of_the_checkout_is_imported(installed: Path, tmp_path: Path) -> None:
    script = "import linedays.cli, sys; print(*{m.__file__ for m in sys.modules.values() if getattr(m, '__file__', None)}, sep='\\n')"
    done = run(installed / "python", "-I", "-c", script, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert not [line for line in done.stdout.splitlines() if line.startswith(str(ROOT))]
