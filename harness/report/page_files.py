"""Pages as files: filled in from templates, written whole or not at all, printed to PDF by a browser."""

import errno
import os
import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path

import jinja2

from harness.errors import RecordsError, UsageError

_BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")
_LONGEST_S = 90.0
PAGES = (".html", ".htm", ".pdf", ".png")
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


@cache
def templates_in(folder: Path) -> jinja2.Environment:
    """Load the templates of a folder; their filter `minus` writes numbers with a true minus sign.

    Cached, since compiling the templates takes as long as filling them in.
    """
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(folder),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    environment.filters["minus"] = lambda text: str(text).replace("-", "−")
    return environment


def refuse_other(path: Path) -> None:
    """Raise UsageError if a page or a picture would replace a file that is none."""
    if path.suffix.lower() not in PAGES and path.is_file():
        raise UsageError(
            f"{path}: exists, and is no page or picture; give a file that ends in .html, .pdf or .png"
        )


def write_whole(path: Path, content: bytes) -> None:
    """Write a file, and its folder if need be. Raises OSError, and then leaves the old file as it was."""
    if not path.name:  # "", "." and "/" name folders
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.exists() and not path.is_file() and not path.is_dir():
        path.write_bytes(content)  # a device or a pipe: a file moved there would replace it
        return
    unfinished = path.with_name(f".{path.name}.part")
    unfinished.write_bytes(content)
    os.replace(unfinished, path)


def find_browser() -> str | None:
    """Find a browser that can print; None if there is none."""
    return next((result for name in _BROWSERS if (result := shutil.which(name))), None)


def print_page(page: Path, paper: Path) -> None:
    """Print an HTML file to PDF. Raises RecordsError without a browser, or if it writes no file."""
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
