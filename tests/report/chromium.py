"""The browser that the reports are looked at with."""

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest

SWITCHES = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
)


def browse(page: Path, *switches: str) -> str:
    """Open a page headless; gives what the browser printed. Skips without Chromium, which fails in CI."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        if os.environ.get("CI"):
            pytest.fail("chromium is not installed")
        pytest.skip("chromium is not installed (apt-get install chromium)")
    with tempfile.TemporaryDirectory() as profile:
        done = subprocess.run(
            [program, *SWITCHES, f"--user-data-dir={profile}", *switches, page.as_uri()],
            capture_output=True,
            text=True,
            timeout=120,
            check=True,
        )
    return done.stdout
