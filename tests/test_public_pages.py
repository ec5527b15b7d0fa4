"""Pages from Python: the same files that the command writes."""

from pathlib import Path

import pytest
from contract import entry

from lowpanbudget import RequestError, load_design, page_of_capture, page_of_design

EXAMPLES = Path(__file__).parents[1] / "examples"


def test_they_are_those_of_the_command(tmp_path: Path) -> None:
    target, design = tmp_path / "page.html", tmp_path / "small.toml"
    assert entry.invoke("init", str(design), "--network", "csma").exit_code == 0
    few = ("--combinations", "2", "--no-network")
    assert entry.invoke("page", str(design), "-o", str(target), *few).exit_code == 0
    made = page_of_design(load_design(design), combinations=2, network=False)
    assert target.read_text("utf-8") == made
    capture = EXAMPLES / "archive.pcap"
    assert entry.invoke("page", str(capture), "-o", str(target), "--frames", "9").exit_code == 0
    assert target.read_text("utf-8") == page_of_capture(capture, frames=9)


def test_what_is_no_number_is_refused() -> None:
    design = load_design(EXAMPLES / "archive.toml")
    for number in (0, True, "2"):
        with pytest.raises(RequestError, match="from 1"):
            page_of_design(design, combinations=number)  # type: ignore[arg-type]
        with pytest.raises(RequestError, match="from 1"):
            page_of_capture(EXAMPLES / "archive.pcap", frames=number)  # type: ignore[arg-type]
