"""The page of a capture in a real browser."""

import struct
from pathlib import Path
from typing import Any

import pytest
from browser_pages import OPEN_ALL, asked_for, look, open_page, violations, wait
from contract import entry
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

CAPTURE = Path(__file__).parents[2] / "examples" / "footbridge.pcap"


@pytest.fixture
def opened(browser: Any, pages: dict[str, Path]) -> Any:
    open_page(browser, pages["capture"].as_uri())
    return browser


def shown(browser: Any) -> int:
    return int(browser.execute_script("return document.documentElement.dataset.frame"))


def test_it_asks_for_nothing_and_complains_of_nothing(opened: Any) -> None:
    assert asked_for(opened) == [opened.current_url.split("#")[0]]
    assert opened.get_log("browser") == []


def test_a_finding_leads_to_its_frames(opened: Any) -> None:
    opened.execute_script(OPEN_ALL)
    links = opened.find_elements(By.CSS_SELECTOR, "a[data-frame]")
    assert shown(opened) == int(links[0].text)  # the worst comes first
    links[-1].send_keys(Keys.ENTER)
    assert shown(opened) == int(links[-1].text)
    assert opened.switch_to.active_element.get_attribute("id") == "which"
    title = opened.find_element(By.ID, "frame-title").text
    assert title.startswith(f"Frame {links[-1].text}:")
    opened.find_element(By.ID, "before").click()
    assert shown(opened) < int(links[-1].text)


def test_a_link_leads_to_a_frame_and_a_field(opened: Any) -> None:
    number = opened.execute_script("return data.drawn[3].number")
    address = opened.current_url.split("#")[0]
    opened.get("about:blank")
    opened.get(f"{address}#frame-{number}/field-2")
    wait(opened, "document.documentElement.dataset.ready === 'yes'")
    assert shown(opened) == number
    current = opened.find_element(By.CSS_SELECTOR, "#ledger tr[aria-current]")
    assert current.get_attribute("id") == "f2"


def test_time_can_be_looked_at_nearer(opened: Any) -> None:
    bars = len(opened.find_elements(By.CSS_SELECTOR, "#time .sent"))
    for _ in range(3):
        opened.find_element(By.ID, "nearer").click()
    nearer = len(opened.find_elements(By.CSS_SELECTOR, "#time .sent"))
    assert 0 < nearer < bars
    for _ in range(4):
        opened.find_element(By.ID, "farther").click()
    assert len(opened.find_elements(By.CSS_SELECTOR, "#time .sent")) == bars


def test_a_folded_finding_opens_where_a_link_leads_to_it(opened: Any) -> None:
    last = opened.find_elements(By.CSS_SELECTOR, ".index a")[-1]
    number = last.get_attribute("hash")[1:]
    folded = opened.find_element(By.ID, number)
    assert not folded.get_attribute("open")
    last.send_keys(Keys.ENTER)
    assert folded.get_attribute("open")


def test_text_of_any_size_needs_no_scrolling_sideways(opened: Any) -> None:
    look(opened, 320, "light")  # WCAG 2.2 success criterion 1.4.10
    opened.execute_script(OPEN_ALL)
    assert opened.execute_script("return document.documentElement.scrollWidth") <= 320


def test_frames_that_all_came_at_one_time_have_no_time_axis(browser: Any, tmp_path: Path) -> None:
    octets, page = CAPTURE.read_bytes(), tmp_path / "one.html"
    (tmp_path / "one.pcap").write_bytes(octets[: 24 + 16 + struct.unpack_from("<I", octets, 32)[0]])
    assert entry.invoke("page", str(tmp_path / "one.pcap"), "-o", str(page)).exit_code == 0
    open_page(browser, page.as_uri())
    assert browser.get_log("browser") == []
    links = browser.find_elements(By.CSS_SELECTOR, "nav a")
    assert all(
        browser.find_element(By.ID, link.get_attribute("hash")[1:]).is_displayed()
        for link in links
        if link.is_displayed()
    )


def test_a_page_of_many_frames_stays_small(tmp_path: Path) -> None:
    octets = CAPTURE.read_bytes()
    records, at = [], 24
    while at < len(octets):
        seconds, rest, length, whole = struct.unpack_from("<4I", octets, at)
        records.append((seconds, rest, length, whole, octets[at + 16 : at + 16 + length]))
        at += 16 + length
    span = records[-1][0] - records[0][0] + 1
    turns = -(-20_000 // len(records))
    long = tmp_path / "long.pcap"
    with long.open("wb") as file:
        file.write(octets[:24])
        for turn in range(turns):
            for seconds, rest, length, whole, frame in records:
                file.write(struct.pack("<4I", seconds + turn * span, rest, length, whole) + frame)
    page = tmp_path / "long.html"
    assert entry.invoke("page", str(long), "-o", str(page)).exit_code == 0
    print(f"a page of 20,000 frames: {page.stat().st_size} octets")
    assert page.stat().st_size <= 5_000_000
    assert f"{turns * len(records)} frames" in page.read_text(encoding="utf-8")


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_accessible(opened: Any, width: int, scheme: str) -> None:
    look(opened, width, scheme)
    for act in ("", OPEN_ALL, "go(5); pick(9)"):
        opened.execute_script(act)
        assert violations(opened) == []
    assert opened.execute_script("return document.documentElement.scrollWidth") <= width
