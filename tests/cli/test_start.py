"""What a command loads is what its answer needs: most of its time goes into imports."""

import os
import subprocess
import sys
from importlib.metadata import version
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
    "fit, where all does": ("fit", str(EXAMPLES / "archive.toml")),
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


@pytest.mark.parametrize(
    "module",
    [
        "difflib",
        "json",
        "lowpanbudget.design.places",
        "lowpanbudget.design.knobs",
        "lowpanbudget.layers.lowpan.ghc",
        "lowpanbudget.layers.lowpan.recovery",
        "lowpanbudget.payload.c.names",
        "lowpanbudget.payload.c.parts",
        "lowpanbudget.payload.forms.long_floats",
        "lowpanbudget.report.machine",
        "lowpanbudget.room.sets",
        "lowpanbudget.stack.recoverable",
    ],
)
def test_messages_that_fit_load_nothing_for_other_questions(
    loaded: dict[str, frozenset[str]], module: str
) -> None:
    """C source, JSON, likely words for wrong ones, knobs: a design without a fault in which all fits has no use for."""
    assert "lowpanbudget.room.fit" in loaded["fit, where all does"]
    assert module not in loaded["fit, where all does"]


def test_no_cipher_is_loaded_where_nothing_is_sealed(tmp_path: Path) -> None:
    """The room of a secured link is a question of sizes alone."""
    design = str(tmp_path / "mesh.toml")  # of level 5
    values = ("sequence=3", "temperature=21", "humidity=40")
    for words in (
        ("init", design), ("explain", "rank"), ("pack", design, "reading", *values),
    ):  # fmt: skip
        done = subprocess.run(
            [sys.executable, "-c", PROBE, *words], capture_output=True, text=True, check=True
        )
        loaded = done.stderr.split()
        assert "click" in loaded
        assert not [name for name in loaded if name.startswith("cryptography")], words
    assert "level = 5" in Path(design).read_text("utf-8")


def test_the_version_costs_no_reader_of_mail_headers() -> None:
    done = subprocess.run(
        [sys.executable, "-c", PROBE, "--version"], capture_output=True, text=True, check=True
    )
    assert done.stdout == f"lowpanbudget {version('lowpanbudget')}\n"
    assert "importlib.metadata" not in done.stderr.split()
