"""A page as a PDF, printed by a browser that is on this machine."""

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from harness.errors import RecordsError

_BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")
_LONGEST_S = 90.0
_SWITCHES = (
    "--headless",
    "--disable-gpu",
    "--disable-extensions",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--no-pdf-header-footer",
)


def find_browser() -> str | None:
    """Give the browser that can print; None where there is none."""
    return next((found for name in _BROWSERS if (found := shutil.which(name))), None)


def print_page(page: Path, paper: Path) -> None:
    """Print an HTML file. Raises RecordsError where no browser is there, or it does not make the file."""
    browser = find_browser()
    if browser is None:
        raise RecordsError(
            f"{paper}: there is no browser to print with (looked for {', '.join(_BROWSERS)}). Install "
            f"chromium, or open {page} in any browser and print it to a PDF file"
        )
    # As root the browser refuses its own sandbox. The page is ours, and has no script.
    root = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    unfinished = paper.with_name(f".{paper.name}.part")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        command = [browser, *_SWITCHES, *root, f"--user-data-dir={profile}"]
        try:
            subprocess.run(
                [*command, f"--print-to-pdf={unfinished.resolve()}", page.resolve().as_uri()],
                capture_output=True,
                timeout=_LONGEST_S,
                check=True,
            )
            unfinished.replace(paper)
        except (OSError, subprocess.SubprocessError) as error:
            unfinished.unlink(missing_ok=True)
            raise RecordsError(
                f"{paper}: {Path(browser).name} did not print it ({type(error).__name__}). Open {page} in "
                "any browser and print it to a PDF file"
            ) from error
