"""What tests in a real browser share: opening a page, what it asked for, and whether everybody can use it."""

import json
import os
import time
from pathlib import Path
from typing import Any

import pytest

AXE = os.environ.get("AXE", "")
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]

_RULES = """
const [tags, done] = arguments;
axe.run(document, {runOnly: tags}).then((found) => done(found.violations.map(
  (one) => [one.id, one.nodes.slice(0, 3).map((node) => node.html + " " + node.failureSummary)])));
"""
OPEN_ALL = "document.querySelectorAll('details').forEach((one) => one.open = true)"


def open_page(browser: Any, address: str) -> None:
    """Open a page as on a usual screen, and wait until its script is done."""
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})
    browser.get("about:blank")
    browser.get_log("performance")
    browser.get_log("browser")
    browser.get(address)
    wait(browser, "document.documentElement.dataset.ready === 'yes'")


def wait(browser: Any, condition: str) -> None:
    for _ in range(200):
        if browser.execute_script(f"return {condition}"):
            return
        time.sleep(0.02)
    raise AssertionError(condition)


def asked_for(browser: Any) -> list[str]:
    """Return the addresses that were asked for since a page was opened, itself included."""
    messages = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = [
        message["params"]["request"]["url"].split("#")[0]
        for message in messages
        if message["method"] == "Network.requestWillBeSent"
    ]
    return [url for url in asked if not url.startswith("about:")]


def look(browser: Any, width: int, scheme: str) -> None:
    """Show the page so wide, light or dark."""
    metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})


def violations(browser: Any) -> Any:
    """Return the accessibility rules that the page breaks, with places; skips where the rules are not installed."""
    if not AXE:
        pytest.skip("no accessibility rules: npm install axe-core, its folder in AXE")
    if not browser.execute_script("return typeof axe === 'object'"):
        browser.execute_cdp_cmd("Page.setBypassCSP", {"enabled": True})
        rules = (Path(AXE) / "axe.min.js").read_text(encoding="utf-8")
        browser.execute_cdp_cmd("Runtime.evaluate", {"expression": rules})
    return browser.execute_async_script(_RULES, WCAG)
