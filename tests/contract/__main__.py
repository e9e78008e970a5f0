"""`python -m tests.contract`: the contract as the tools of those who build on it read it; see README.md beside this file."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from importlib.metadata import version
from pathlib import Path

from service import endpoints as calls
from service.openapi import document

HERE = Path(__file__).parent
REPOSITORY = HERE.parent.parent
WORK = REPOSITORY / ".contract"
CONTRACT = WORK / "openapi.json"
ENVIRONMENT = os.environ | {"PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"}
FOR_NODE = (
    "package.json",
    "package-lock.json",
    ".npmrc",
    "spectral.yaml",
    "redocly.yaml",
    "tsconfig.json",
    "compile.mjs",
    "drive.ts",
)
START_SECONDS = 60.0


def step(title: str, *command: str | Path) -> None:
    """Run a program in the work folder; stop with its status where it fails."""
    print(f"\n== {title}", flush=True)
    done = subprocess.run([*map(str, command)], cwd=WORK, env=ENVIRONMENT, check=False)
    if done.returncode != 0:
        sys.exit(f"contract: {title} failed with status {done.returncode}; what it found is above.")


def install() -> None:
    """The tools of npm, as locked; nothing where they are there already."""
    WORK.mkdir(exist_ok=True)
    lock = (HERE / "package-lock.json").read_bytes()
    stamp = WORK / "node_modules" / ".installed-from"
    for name in FOR_NODE:
        shutil.copy(HERE / name, WORK / name)
    if not stamp.exists() or stamp.read_bytes() != lock:
        step("tools of npm", "npm", "ci", "--no-fund", "--no-audit")
        stamp.write_bytes(lock)


def tool(name: str) -> Path:
    """A program that npm installed."""
    return WORK / "node_modules" / ".bin" / name


def drive() -> None:
    """Let both clients work against a demo of their own; it is stopped whatever happens."""
    ready = WORK / "ready.json"
    ready.unlink(missing_ok=True)
    shutil.rmtree(WORK / "demo", ignore_errors=True)
    command = [Path(sys.executable).with_name("nonreturn"), "demo", "--port", "0", "--data", WORK / "demo", "--ready", ready]
    demo = subprocess.Popen([*map(str, command)], cwd=WORK, env=ENVIRONMENT, stdout=subprocess.DEVNULL)
    try:
        end = time.monotonic() + START_SECONDS
        while not ready.exists():
            if demo.poll() is not None or time.monotonic() > end:
                sys.exit("contract: the demo did not start.")
            time.sleep(0.05)
        step("the Python client drives the demo", sys.executable, HERE / "drive.py", WORK / "contract_client", ready)
        step("the TypeScript client drives the demo", "node", WORK / "built" / "drive.js", ready)
    finally:
        demo.send_signal(signal.SIGINT)
        demo.wait()


def main() -> None:
    """Every step, in order; the first that fails ends it."""
    install()
    CONTRACT.write_text(json.dumps(document(calls.operations, version("nonreturn"))), encoding="utf-8")
    step("spectral", tool("spectral"), "lint", CONTRACT.name, "--ruleset", "spectral.yaml", "--fail-severity", "hint")
    step("redocly", tool("redocly"), "lint", CONTRACT.name, "--config", "redocly.yaml")
    step("ajv", "node", "compile.mjs", CONTRACT.name)
    client = WORK / "contract_client"
    shutil.rmtree(client, ignore_errors=True)
    step(
        "a Python client is generated",
        Path(sys.executable).with_name("openapi-python-client"),
        "generate",
        "--path",
        CONTRACT.name,
        "--output-path",
        client,
        "--meta",
        "none",
        "--config",
        HERE / "openapi-python-client.yaml",
        "--fail-on-warning",
    )
    step(
        "TypeScript types are generated",
        tool("openapi-typescript"),
        CONTRACT.name,
        "--output",
        "contract.ts",
        "--default-non-nullable=false",
    )
    step("tsc --strict", tool("tsc"))
    drive()
    print("\nThe contract holds for every tool.")


if __name__ == "__main__":
    main()
