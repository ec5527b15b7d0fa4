"""What goes with the package: its licence, its types, the examples."""

import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
WHEEL = PROJECT["tool"]["hatch"]["build"]["targets"]["wheel"]


def test_licence_and_types() -> None:
    """PEP 639: an SPDX expression and its files; PEP 561: a marker in the package."""
    assert PROJECT["project"]["license"] == "GPL-2.0-or-later"
    (licence,) = PROJECT["project"]["license-files"]
    words = " ".join((ROOT / licence).read_text("utf-8").split())
    assert words.startswith("GNU GENERAL PUBLIC LICENSE Version 2, June 1991")
    assert "END OF TERMS AND CONDITIONS" in words
    assert (ROOT / "lowpanbudget" / "py.typed").read_bytes() == b""


def test_every_example_goes_with_the_package() -> None:
    examples = {path for path in (ROOT / "examples").iterdir() if path.suffix in {".toml", ".pcap"}}
    included = WHEEL["force-include"]
    assert {ROOT / source for source in included} == examples
    assert all(target == f"lowpanbudget/{source}" for source, target in included.items())
