"""A headless browser for tests of the page: Chromium with its driver, both from the distribution."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

CHROMIUM = shutil.which("chromium")
DRIVER = shutil.which("chromedriver")
IS_THERE = CHROMIUM is not None and DRIVER is not None
_SWITCHES = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-default-apps",
    "--no-first-run",
    "--window-size=1366,900",
)


@contextmanager
def browser(profile: Path) -> Iterator[object]:
    """Open a browser that asks no network, and close it."""
    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    options = Options()
    options.binary_location = str(CHROMIUM)
    for switch in (*_SWITCHES, f"--user-data-dir={profile}"):
        options.add_argument(switch)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(str(DRIVER)))
    try:
        yield driver
    finally:
        driver.quit()
