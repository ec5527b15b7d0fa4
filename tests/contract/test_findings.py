"""Every finding through ``audit``: the frames that show it, with its severity, and a near miss that does not."""

import json
import struct
from pathlib import Path
from typing import Any

import pytest
from contract.entry import invoke
from contract.vectors import Case, load

FINDINGS = load("findings", key="finding")
NO_KEY = "00" * 16  # a key file holds one, also where only devices are told
SETTINGS = ("contexts", "fcs", "key", "devices", "design")


def arguments(case: Case, prefix: str, folder: Path) -> list[str]:
    """Return what the program is told beside the capture; keys and designs become files."""
    told = {name: case[prefix + name] for name in SETTINGS if prefix + name in case}
    words = ["--fcs", {0: "none"}.get(told.get("fcs", 2), str(told.get("fcs", 2)))]
    for number, network in told.get("contexts", {}).items():
        words += ["--context", f"{number}={network}"]
    if "design" in told:
        path = folder / "design.toml"
        path.write_text(told["design"], "utf-8")
        words += ["--design", str(path)]
    if "key" in told or "devices" in told:
        lines = [f'[[key]]\noctets = "{told.get("key", NO_KEY)}"', "[devices]"]
        lines += [*(f'"{k}" = "{v}"' for k, v in told.get("devices", {}).items())]
        path = folder / "keys.toml"
        path.write_text("\n".join(lines), "utf-8")
        path.chmod(0o600)
        words += ["--keys", str(path)]
    return words


def audited(case: Case, key: str, folder: Path) -> list[dict[str, Any]]:
    """Return the findings in a capture of these frames: a pcap file of link type 195, by hand."""
    path = folder / f"{key}.pcap"
    with path.open("wb") as file:
        file.write(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 195))
        for seconds, text in case[key]:
            octets, micros = bytes.fromhex(text), round(seconds * 1e6)
            lengths = len(octets), len(octets)
            file.write(struct.pack("<IIII", *divmod(micros, 1_000_000), *lengths) + octets)
    prefix = "near_" if key == "near" and "near_told" in case else ""
    done = invoke("audit", path, "--json", *arguments(case, prefix, folder))
    assert done.exit_code in (0, 1), done.output
    found: list[dict[str, Any]] = json.loads(done.stdout)["audit"][0]["findings"]
    assert done.exit_code == any(one["has_weight"] for one in found)
    return found


def test_they_are_findings_of_the_program() -> None:
    listed = json.loads(invoke("explain", "--json").stdout)["findings"]
    assert {case["id"] for case in FINDINGS} <= set(listed)
    assert len(FINDINGS) > 70


@pytest.mark.parametrize("case", [pytest.param(case, id=case["id"]) for case in FINDINGS])
def test_it_is_found_where_it_is_and_in_no_near_miss(case: Case, tmp_path: Path) -> None:
    found = audited(case, "air", tmp_path)
    mine = [one for one in found if one["name"] == case["id"]]
    assert [one["frames"] for one in mine] == case["shown"]
    assert {one["severity"] for one in mine} == {case["severity"]}
    assert {one["name"] for one in found} == {case["id"], *case.get("also", [])}
    for one in mine:
        assert one["cause"]
        assert one["advice"]
        assert one["cite"]
    assert case["id"] not in [one["name"] for one in audited(case, "near", tmp_path)]
