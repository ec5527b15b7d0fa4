"""The picture of a frame: every field to scale, readable in light and dark, and safe."""

import importlib.util
import re
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from contract import entry

from lowpanbudget import budget, load_design
from lowpanbudget.report.frame_pictures import frame_pictures
from lowpanbudget.report.svg import looks
from lowpanbudget.report.svg.frame import FramePicture, frames_svg

EXAMPLES = Path(__file__).parents[2] / "examples"
SPACE = "{http://www.w3.org/2000/svg}"
NASTY = '<script>alert(1)</script> "&\x1b[31m\u202e'


def test_the_one_beside_the_readme_is_what_its_script_makes() -> None:
    place = EXAMPLES / "make_pictures.py"
    spec = importlib.util.spec_from_file_location("make_pictures", place)
    assert spec is not None
    assert spec.loader is not None
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    assert script.picture() == (EXAMPLES / "features.svg").read_text(encoding="utf-8")


def test_cells_have_the_area_of_their_bits(tmp_path: Path) -> None:
    target = tmp_path / "climate.svg"
    design = EXAMPLES / "archive.toml"
    drawn = entry.invoke("budget", str(design), "--flow", "climate", "--svg", str(target))
    assert drawn.exit_code == 0
    hops = budget(load_design(design), "climate")
    root = ET.fromstring(target.read_text(encoding="utf-8"))
    spans = [span for hop in hops for span in hop.ledger.spans]
    cells = [rect for rect in root.iter(f"{SPACE}rect") if rect.find(f"{SPACE}title") is not None]
    a_bit = min(float(rect.get("width", "0")) for rect in cells)  # a flag of frame control
    shown: list[list[object]] = []
    for rect in cells:
        name, bits = rect[0].text, round(float(rect.get("width", "0")) / a_bit)
        if shown and shown[-1][0] == name and name != "reserved":
            shown[-1][1] += bits  # type: ignore[operator]
        else:
            shown.append([name, bits])
    assert [name for name, _ in shown] == [span.name for span in spans]
    folded = re.findall(r">(\w+): (\d+) octets more<", target.read_text(encoding="utf-8"))
    left_out = iter(8 * int(octets) for _, octets in folded)
    assert {name for name, _ in folded} == {"payload"}
    drawn_bits = [
        bits + next(left_out) if name == "payload" else bits  # type: ignore[operator]
        for name, bits in shown
    ]
    assert drawn_bits == [span.bits for span in spans]
    assert all(f"{hop.room} octets of your data" in "".join(root.itertext()) for hop in hops)


def test_what_a_design_says_is_text() -> None:
    one = frame_pictures(budget(load_design(EXAMPLES / "archive.toml"), "climate"))[0]
    evil = [field | {"name": NASTY, "label": NASTY, "says": NASTY} for field in one.fields]
    text = frames_svg([FramePicture(NASTY, NASTY, evil)], NASTY, NASTY)
    root = ET.fromstring(text)
    assert not {"script", "a", "image", "use"} & {
        each.tag.removeprefix(SPACE) for each in root.iter()
    }
    assert not {"\x1b", "\u202e"} & set(text)


def test_svg_and_hops_do_not_go_together(tmp_path: Path) -> None:
    target = tmp_path / "none.svg"
    design = str(EXAMPLES / "archive.toml")
    done = entry.invoke("budget", design, "--hops", "1..3", "--svg", str(target))
    assert done.exit_code == 2
    assert not target.exists()


def test_a_link_address_that_no_station_has_is_told_beside_the_frame() -> None:
    (first, forwarded) = frame_pictures(
        budget(load_design(EXAMPLES / "footbridge.toml"), "features")
    )
    assert all("stands for a node that forwards" in one.says for one in (first, forwarded))
    told = entry.invoke("budget", str(EXAMPLES / "footbridge.toml"), "--flow", "features").stdout
    assert " ".join(told.split()).count("stands for a node that forwards, whichever it is.") == 2


def _channel(value: int) -> float:
    share = value / 255
    return share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4


def _luminance(colour: tuple[float, ...]) -> float:
    # WCAG 2.2, relative luminance
    red, green, blue = (_channel(round(value)) for value in colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _rgb(colour: str) -> tuple[float, ...]:
    return tuple(int(colour[at : at + 2], 16) for at in (1, 3, 5))


def _contrast(one: tuple[float, ...], other: tuple[float, ...]) -> float:
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize(
    "colours", [looks.LIGHT, looks.DARK, looks.PRINT], ids=["light", "dark", "print"]
)
def test_text_can_be_read_on_every_fill_and_every_thread(colours: dict[str, str]) -> None:
    # WCAG 2.2 success criterion 1.4.3: 4.5 to 1; where two threads cross, both lie over the fill
    *thread, share = (float(one) for one in re.findall(r"[\d.]+", colours["thread"]))
    found = {}
    for name, hatches in looks.FILLS.items():
        under: tuple[float, ...] = _rgb(colours[looks.colour_of(name)])
        for crossing in range(len(hatches) + 1):
            for text in ("ink", "soft"):
                found[name, crossing, text] = _contrast(_rgb(colours[text]), under)
            under = tuple(share * a + (1 - share) * b for a, b in zip(thread, under, strict=True))
    for text in ("mark", "bad", "dim"):
        found["paper", 0, text] = _contrast(_rgb(colours[text]), _rgb(colours["paper"]))
    assert {key: ratio for key, ratio in found.items() if ratio < 4.5} == {}
    # 1.4.11: what is drawn to be told apart, 3 to 1 from the paper
    tones = {
        tone: _contrast(_rgb(colours[tone]), _rgb(colours["paper"]))
        for tone in ("main", "second", "third", "alarm", "mark", "ink")
    }
    assert min(tones.values()) >= 3, tones


def test_it_is_told_from_which_end_bits_are_drawn() -> None:
    """IEEE 802.15.4 counts from the least significant bit, RFC 6282 from the most significant one."""
    first = budget(load_design(EXAMPLES / "footbridge.toml"), "features")[:1]
    text = " ".join(re.sub("<[^>]*>", " ", frames_svg(frame_pictures(first), "")).split())
    assert "In A and B the bits of an octet stand from the least significant one on" in text
    assert "elsewhere from the most significant one on." in text
