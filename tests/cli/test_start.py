"""What a command loads is what its answer needs: most of its time goes into imports."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

EXAMPLES = Path(__file__).parents[2] / "examples"
DESIGN, CAPTURE = str(EXAMPLES / "footbridge.toml"), str(EXAMPLES / "footbridge.pcap")
PROBE = """
import sys
from lowpanbudget.cli.main import run
sys.argv = ["lowpanbudget", *sys.argv[1:]]
try:
    run()
except SystemExit as end:
    assert end.code in (0, 1, 3), end.code
print(*sys.modules, file=sys.stderr)
"""
COMMANDS = {
    "fit": ("fit", DESIGN),
    "budget": ("budget", DESIGN),
    "explain": ("explain", "iphc"),
    "annotate": ("annotate", "4188012233ff"),
    "audit": ("audit", CAPTURE),
}


@pytest.fixture(scope="module")
def loaded() -> dict[str, frozenset[str]]:
    """Return the modules that a process of each command has at its end."""
    environment = {**os.environ, "FORCE_COLOR": "1", "COLUMNS": "80"}
    return {
        name: frozenset(
            subprocess.run(
                [sys.executable, "-c", PROBE, *arguments],
                capture_output=True, text=True, check=True, env=environment,
            ).stderr.split()
        )
        for name, arguments in COMMANDS.items()
    }  # fmt: skip


@pytest.mark.parametrize("package", ["numpy", "scapy", "jinja2", "pydantic", "asyncio"])
@pytest.mark.parametrize("command", COMMANDS)
def test_no_heavy_package_is_loaded(
    loaded: dict[str, frozenset[str]], command: str, package: str
) -> None:
    assert "click" in loaded[command]
    assert package not in loaded[command]
