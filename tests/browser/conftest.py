"""A real browser, without a window: run on demand, ``.ci/run --browser``."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from contract import entry

EXAMPLES = Path(__file__).parents[2] / "examples"
DRIVER = shutil.which("chromedriver")


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return the page of each example, made by the command."""
    folder = tmp_path_factory.mktemp("pages")
    made = {}
    for name in ("archive", "footbridge"):
        made[name] = folder / f"{name}.html"
        done = entry.invoke("page", str(EXAMPLES / f"{name}.toml"), "-o", str(made[name]))
        assert done.exit_code == 0, done.output
    made["capture"] = folder / "capture.html"
    done = entry.invoke("page", str(EXAMPLES / "footbridge.pcap"), "-o", str(made["capture"]))
    assert done.exit_code == 0, done.output
    return made


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Return a browser; skips where there is none."""
    if DRIVER is None:
        pytest.skip("no browser: apt-get install chromium chromium-driver")
    webdriver = pytest.importorskip("selenium.webdriver", reason="pip install selenium")
    options = webdriver.ChromeOptions()
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--window-size=1280,1000"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    service = webdriver.ChromeService(DRIVER)
    driver = webdriver.Chrome(options=options, service=service)
    yield driver
    driver.quit()
