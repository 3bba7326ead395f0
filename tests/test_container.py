"""The container file: what it names is there, its command is right, nobody in it is root; built where one can build."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import tempfile
import time
import urllib.request
from pathlib import Path

import pytest

from tests.dashboard.browser import free_port
from tests.dashboard.test_hosting import SET_UP
from tests.licences import ROOT, SHIPPED_EXTRAS, project

FILE = ROOT / ".container" / "Containerfile"


def instructions() -> list[tuple[str, str]]:
    """Return the instructions with their arguments, comments and joined lines dealt with."""
    text = re.sub(r"\\\n", " ", FILE.read_text(encoding="utf-8"))
    lines = [line.strip() for line in text.splitlines() if line.strip() and not line.startswith("#")]
    return [(line.split(None, 1)[0].upper(), line.split(None, 1)[1]) for line in lines]


def last(name: str) -> str:
    """Return the arguments of the last instruction of a kind."""
    return [given for kind, given in instructions() if kind == name][-1]


def test_what_it_copies_is_there_and_not_left_out():
    kept = (FILE.parent / "Containerfile.dockerignore").read_text(encoding="utf-8").split()
    assert kept[0] == "*"  # nothing comes along that is not named
    copied = [shlex.split(given)[:-1] for kind, given in instructions() if kind == "COPY" and "--from" not in given]
    assert copied
    for name in (name for names in copied for name in names):
        assert (ROOT / name).exists(), name
        assert f"!{name}" in kept, name
    packages = {pattern.rstrip("*") for pattern in ("core*", "dashboard*", "demo_data*")}
    assert packages <= {name for names in copied for name in names}


def test_it_has_the_python_and_the_extras_that_the_project_names():
    least = tuple(int(part) for part in re.findall(r"\d+", project()["requires-python"]))
    for kind, given in instructions():
        if kind == "FROM":
            assert tuple(int(part) for part in re.search(r"python:(\d+)\.(\d+)", given).groups()) >= least
    extras = set(re.search(r'"\.\[([\w,]+)\]"', FILE.read_text(encoding="utf-8")).group(1).split(","))
    assert {"hosted", "postgres"} <= extras <= set(SHIPPED_EXTRAS)


def test_nobody_in_it_is_root_and_only_the_records_are_written():
    order = [kind for kind, _given in instructions()]
    user = last("USER")
    assert user.isdigit()
    assert int(user) > 999
    assert f"--uid {user}" in FILE.read_text(encoding="utf-8")
    assert not {"RUN", "COPY", "ADD"} & set(order[len(order) - 1 - order[::-1].index("USER") :])
    values = dict(pair.split("=", 1) for pair in shlex.split(last("ENV")))
    assert values["DRYHOLD_DATABASE"].startswith(last("VOLUME") + "/")
    assert values["PYTHONDONTWRITEBYTECODE"] == "1"
    assert not [name for name in values if "SECRET" in name]


def test_its_command_and_its_address_of_health_are_the_programs_own():
    from dashboard.hosted import HEALTH

    command, port = json.loads(last("ENTRYPOINT")), last("EXPOSE")
    assert command[1:3] == ["-m", "dashboard"]
    assert (ROOT / "dashboard" / "__main__.py").exists()
    assert f"--server.port={port}" in command
    assert f"127.0.0.1:{port}{HEALTH}" in last("HEALTHCHECK")
    program = json.loads(last("HEALTHCHECK").partition("CMD ")[2])[-1]
    compile(program, "healthcheck", "exec")


def test_its_command_serves_nothing_without_signing_in(monkeypatch):
    from dashboard import __main__ as start
    from dashboard.hosting import SETTINGS

    for name in SETTINGS.values():
        monkeypatch.delenv(name, raising=False)
    with pytest.raises(start.StartError):
        start.refuse_strangers(json.loads(last("ENTRYPOINT"))[3:])


def base() -> str:
    """Return the name of the image that ours stands on."""
    return last("FROM").split()[0]


class Builder:
    """A program that builds images here, with a store of its own that is gone afterwards."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        store = ["--storage-driver", "vfs", "--root", str(folder / "store"), "--runroot", str(folder / "run")]
        self.command = ["buildah", *store]  # needs no service and, as root, no rights beyond those of a container

    def run(self, *given: str, seconds: float = 1500) -> subprocess.CompletedProcess[str]:
        """Run one of its commands."""
        return subprocess.run([*self.command, *given], cwd=ROOT, capture_output=True, text=True, timeout=seconds)

    def works(self) -> bool:
        """Return whether it is there and may work."""
        return shutil.which("buildah") is not None and self.run("info").returncode == 0

    def has_base(self) -> bool:
        """Fetch the base, or make one of the system's own packages under its name where no registry can be asked."""
        if self.run("pull", "--quiet", base(), seconds=300).returncode == 0:
            return True
        tree = self.folder / "base"
        packages = "--include=python3,python3-venv,python3-pip,ca-certificates"
        if shutil.which("debootstrap") is None:
            return False
        made = subprocess.run(["debootstrap", "--variant=minbase", packages, "stable", str(tree)], capture_output=True)
        if made.returncode:
            return False
        (tree / "usr/bin/python").symlink_to("python3")
        for kept in (Path("/etc/pip.conf"), Path("/etc/ssl/certs/ca-certificates.crt")):  # the way to the packages
            if kept.exists():
                shutil.copyfile(kept, tree / kept.relative_to("/"))
        begun = self.run("from", "scratch").stdout.strip()
        steps = (("copy", begun, str(tree), "/"), ("commit", begun, base()))
        return all(self.run(*step).returncode == 0 for step in steps)


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_it_is_built_serves_nothing_without_a_door_and_is_healthy_behind_one():
    """The steps of the file for real: built, started as its user, records in its volume, asked for its health."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        builder = Builder(Path(folder))
        if not builder.works():
            pytest.skip("no program that builds containers works here (buildah)")
        if not builder.has_base():
            pytest.skip("neither a registry nor the system's own packages give the image that ours stands on")
        asked = ("--isolation", "chroot", "--network", "host", "--format", "docker", "--pull-never")
        built = builder.run("bud", *asked, "-f", str(FILE), "-t", "dryhold-test", ".")
        assert built.returncode == 0, built.stderr[-3000:]
        assert "HEALTHCHECK is not supported" not in built.stderr
        begun = builder.run("from", "--pull-never", "localhost/dryhold-test").stdout.strip()
        inside = ("run", "--isolation", "chroot", "--network", "host")
        refused = builder.run(*inside, begun, "--", *json.loads(last("ENTRYPOINT")), seconds=200)
        assert refused.returncode != 0
        assert "everybody on the network" in refused.stderr
        port = free_port()
        door = [part for name, value in SET_UP.items() for part in ("--env", f"{name}={value}")]
        start = f"id -u; exec {json.loads(last('ENTRYPOINT'))[0]} -m dashboard --server.port={port} 2>&1"
        command = [*builder.command, *inside, *door, begun, "--", "/bin/sh", "-c", start]
        running = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, start_new_session=True)
        try:
            assert running.stdout is not None
            assert running.stdout.readline().strip() == last("USER")
            assert healthy(f"http://127.0.0.1:{port}/health", 200) == "ok\n"
        finally:
            os.killpg(running.pid, signal.SIGTERM)
            running.wait(60)


def healthy(address: str, seconds: float) -> str:
    """Return the answer of the address of health, asked again until the program has started."""
    until = time.monotonic() + seconds
    while True:
        try:
            with urllib.request.urlopen(address, timeout=7) as answer:
                return answer.read().decode()
        except OSError:
            assert time.monotonic() < until, "it did not start"
            time.sleep(1)
