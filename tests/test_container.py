"""The container file: what it names is there, its command is right, nobody in it is root; built where one can build."""

from __future__ import annotations

import json
import re
import shlex
import shutil
import subprocess

import pytest

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


def builder() -> str | None:
    """Return a program that can build here."""
    for name, question in (("podman", "info"), ("docker", "info"), ("buildah", "info")):
        if shutil.which(name) and subprocess.run([name, question], capture_output=True, timeout=60).returncode == 0:
            return name
    return None


@pytest.mark.slow
def test_it_is_built():
    name = builder()
    if name is None:
        pytest.skip("no program that builds containers works here (podman, docker or buildah)")
    command = [name, "build", "-f", str(FILE), "-t", "dryhold-test", "."]
    built = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=290)
    assert built.returncode == 0, built.stderr[-3000:]
