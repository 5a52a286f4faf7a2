"""The two commands of a newcomer, on a stand-in project that installs offline, and the lock that they install from."""

import os
import re
import shutil
import socket
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).parents[1]

# A project that installs offline, by a build backend of its own; its command prints how it was called.
STAND_IN = {
    "pyproject.toml": """\
[build-system]
requires = []
build-backend = "backend"
backend-path = ["."]
""",
    "backend.py": """\
import zipfile

def build_editable(folder, config_settings=None, metadata_directory=None):
    name = "steelyard-0-py3-none-any.whl"
    with zipfile.ZipFile(folder + "/" + name, "w") as wheel:
        wheel.write("stand_in.py")
        info = "steelyard-0.dist-info/"
        wheel.writestr(info + "METADATA", "Metadata-Version: 2.1\\nName: steelyard\\nVersion: 0\\n")
        wheel.writestr(info + "WHEEL", "Wheel-Version: 1.0\\nRoot-Is-Purelib: true\\nTag: py3-none-any\\n")
        wheel.writestr(info + "entry_points.txt", "[console_scripts]\\nsteelyard = stand_in:main\\n")
        wheel.writestr(info + "RECORD", "")
    return name
""",
    "stand_in.py": """\
import os, sys

def main():
    print(*sys.argv[1:], "on", os.environ["STEELYARD_DATABASE_URL"], "in", os.getcwd())
""",
    "deploy/requirements.txt": "",
    "deploy/requirements-test.txt": "",
}


def run(project: Path, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """`deploy/run`, called from elsewhere, without a package index and with a database in the environment."""
    return subprocess.run(
        ["bash", project / "deploy/run", *arguments],
        cwd="/",
        env={
            **os.environ,
            "PYTHON": sys.executable,
            "PIP_NO_INDEX": "1",
            "STEELYARD_DATABASE_URL": "postgresql://someone@/production",
            **environment,
        },
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=120,
    )


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clone in a folder with spaces; `deploy/run --once` has run in it."""
    project = tmp_path_factory.mktemp("a clone") / "with spaces"
    shutil.copytree(ROOT / "deploy", project / "deploy")
    for name, text in STAND_IN.items():
        (project / name).write_text(text)
    done = run(project, "--once")
    assert done.returncode == 0, done.stderr + done.stdout
    assert "Installing" in done.stdout
    return project


def test_it_migrates_and_then_runs_the_demo_on_the_embedded_database_only(project: Path) -> None:
    done = run(project, "--once", "--port", "8123")
    place = f"on sqlite:///.data/steelyard.db in {project}"
    assert done.stdout.splitlines() == [f"migrate {place}", f"demo --once --port 8123 {place}"]
    assert (project / ".data").is_dir()


def test_a_moved_clone_is_installed_anew(project: Path, tmp_path: Path) -> None:
    moved = shutil.copytree(project, tmp_path / "moved", symlinks=True)
    done = run(moved, "--once")
    assert done.returncode == 0, done.stderr
    assert "Installing" in done.stdout
    assert str(project) not in (moved / ".venv/bin/steelyard").read_text()


def test_what_cannot_be_installed_is_said_and_tried_again_the_next_time(project: Path) -> None:
    lock = project / "deploy/requirements.txt"
    lock.write_text(f"no-such-package==1.0 --hash=sha256:{'0' * 64}\n")
    try:
        for _ in range(2):
            done = run(project, "--once")
            assert done.returncode == 1
            assert "no-such-package" in done.stderr
            assert "needs the network" in done.stderr
            assert "demo" not in done.stdout
    finally:
        lock.write_text("")
    assert run(project, "--once").returncode == 0


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--fast"], "Unknown argument: --fast"),
        (["8001"], "Unknown argument: 8001"),
        (["--port"], "--port needs a number"),
        (["--port", "abc"], "not 'abc'"),
        (["--port="], "not ''"),
        (["--port", "0"], "from 1 to 65535"),
        (["--port", "65536"], "from 1 to 65535"),
        (["--port", "99999999999999999999"], "from 1 to 65535"),
    ],
)
def test_a_wrong_argument_is_named_before_anything_is_done(tmp_path: Path, arguments: list[str], said: str) -> None:
    shutil.copytree(ROOT / "deploy", tmp_path / "deploy")
    done = run(tmp_path, *arguments)
    assert done.returncode == 2
    assert said in done.stderr
    assert done.stdout == ""
    assert {path.name for path in tmp_path.iterdir()} == {"deploy"}


def test_a_port_in_use_is_named(project: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        done = run(project, "--port", port)
        assert done.returncode == 1
        assert f"Port {port} is in use" in done.stderr
        assert run(project, "--once", "--port", port).returncode == 0  # with --once nothing is served


@pytest.mark.parametrize(
    ("python", "said"),
    [
        ("exit 1", "not a Python 3.11 or newer"),
        ('case "$2" in *ensurepip*) exit 1 ;; esac', "python3-venv"),
    ],
)
def test_an_unfit_python_is_named(tmp_path: Path, python: str, said: str) -> None:
    """Stand-ins for a Python that is too old, and for one whose venv module is packaged apart."""
    shutil.copytree(ROOT / "deploy", tmp_path / "deploy")
    (tmp_path / "pyproject.toml").touch()
    unfit = tmp_path / "python"
    unfit.write_text(f"#!/bin/sh\n{python}\n")
    unfit.chmod(0o755)
    done = run(tmp_path, "--once", PYTHON=str(unfit))
    assert done.returncode == 1
    assert said in done.stderr


def locked(name: str) -> dict[str, Version]:
    """What a lock pins; AssertionError where a line is anything but a pin with its hashes."""
    pins: dict[str, Version] = {}
    for entry in (ROOT / "deploy" / name).read_text().replace("\\\n", " ").splitlines():
        requirement, *hashes = entry.split(" --hash=")
        assert hashes, f"no hash: {entry}"
        assert all(re.fullmatch(r"sha256:[0-9a-f]{64}", value.strip()) for value in hashes), entry
        pin = Requirement(requirement.strip())
        (specifier,) = pin.specifier
        assert specifier.operator == "=="
        pins[canonicalize_name(pin.name)] = Version(specifier.version)
    return pins


def test_the_lock_pins_all_that_the_project_asks_for_and_both_locks_agree() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    runtime, testing = locked("requirements.txt"), locked("requirements-test.txt")
    asked = project["project"]["dependencies"] + project["build-system"]["requires"]
    for pins, requirements in (
        (runtime, asked),
        (testing, asked + project["project"]["optional-dependencies"]["test"]),
    ):
        for requirement in map(Requirement, requirements):
            assert pins[canonicalize_name(requirement.name)] in requirement.specifier, f"run deploy/lock: {requirement}"
    assert runtime.items() <= testing.items()
