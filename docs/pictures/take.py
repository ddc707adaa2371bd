"""Take the pictures of README.md and docs/ again, from real runs on the simulated bench.

python docs/pictures/take.py [report] [batch] [live]

It needs chromium. Without a name it takes all three: the report of a failed run, the page of a batch, and the
terminal during a run.
"""

import html
import os
import pty
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.cli.screen import Screen
from tests.report.chromium import SWITCHES

ROOT = Path(__file__).resolve().parents[2]
JOB = ROOT / "sequences" / "two_loop_switcher"
FAULT = "K3 never operates"
COLUMNS, ROWS = 96, 30
MOMENT = 0.6  # of the run's drawings: which of them is the picture of the terminal
TERMINAL = """<!DOCTYPE html><meta charset="utf-8"><style>
body { margin: 0; background: #16191c; color: #d8dcdf; }
pre { margin: 0; padding: 18px 22px; font: 14px/1.4 "DejaVu Sans Mono", monospace; }
.fail { color: #ff8b8b; font-weight: bold; }
</style><pre>%s</pre>"""


def switchwalk(*words: str, folder: Path) -> None:
    """Run a command whose exit code may say that a unit failed."""
    done = subprocess.run([sys.executable, "-m", "harness.cli", *words], cwd=folder, env=environment())
    if done.returncode > 1:
        raise SystemExit(f"switchwalk {' '.join(words)}: exit code {done.returncode}")


def environment() -> dict[str, str]:
    """Of a terminal of a known size, with the packages of this folder."""
    size = {"COLUMNS": str(COLUMNS), "LINES": str(ROWS), "TERM": "xterm", "LANG": "C.UTF-8"}
    return os.environ | size | {"PYTHONPATH": str(ROOT)}


def shoot(page: Path, name: str, *, width: int, height: int) -> None:
    """Draw a page to a file beside this one."""
    picture = Path(__file__).parent / f"{name}.png"
    with tempfile.TemporaryDirectory() as profile:
        subprocess.run(
            ["chromium", *SWITCHES, f"--user-data-dir={profile}", f"--window-size={width},{height}",
             f"--screenshot={picture}", page.as_uri()],
            check=True, capture_output=True,
        )  # fmt: skip
    print(picture.relative_to(ROOT))


def drawings(words: list[str], folder: Path) -> list[str]:
    """What the terminal shows during a command, one text for each time that the view is drawn."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "harness.cli", *words],
        cwd=folder, stdin=theirs, stdout=theirs, stderr=theirs, env=environment(),
    )  # fmt: skip
    os.close(theirs)
    raw = b""
    while True:
        try:
            more = os.read(ours, 1 << 16)
        except OSError:  # its other end is closed
            break
        if not more:
            break
        raw += more
    process.wait()
    screen, shown = Screen(columns=COLUMNS, rows=ROWS), list[str]()
    for piece in raw.decode(errors="replace").replace("\r\x1b[2K", "\0\r\x1b[2K").split("\0"):
        shown.append(screen.text)
        screen.feed(piece)
    return [text for text in shown if "unit     " in text]


def take_terminal(folder: Path) -> None:
    """The live view, with a reading that has just failed."""
    words = ["run", str(JOB), "--serial", "OB-0002", "--simulate", "--fault", FAULT]
    found = [text.rstrip() for text in drawings(words, folder) if "\nFAIL     " in text]
    shown = found[int(MOMENT * len(found))].split("\n")
    first = next((index for index, line in enumerate(shown) if line.startswith("FAIL")), 0)
    lines = shown[first:]  # what is above is the end of an entry that has scrolled away
    marked = list[str]()
    for line in lines:
        more = marked and line.startswith("  ") and marked[-1].startswith("<span")
        text = html.escape(line)
        marked.append(f'<span class="fail">{text}</span>' if line.startswith("FAIL") or more else text)
    page = folder / "terminal.html"
    page.write_text(TERMINAL % "\n".join(marked), encoding="utf-8")
    shoot(page, "live", width=round(COLUMNS * 8.45) + 44, height=round(len(lines) * 19.6) + 38)


def take_report(folder: Path) -> None:
    """The report of a run that failed, the second run of its records."""
    switchwalk("run", str(JOB), "--serial", "OB-0001", "--simulate", "--speed", "10", folder=folder)
    switchwalk("run", str(JOB), "--serial", "OB-0002", "--simulate", "--fault", FAULT, folder=folder)
    (report,) = (folder / "switchwalk-records" / "reports").glob("run-00002-*.html")
    shoot(report, "report", width=1080, height=1415)


def take_batch(folder: Path) -> None:
    """The page of a batch of ten units, two of them with a fault."""
    (folder / "units.txt").write_text("".join(f"OB-{number:04d}\n" for number in range(101, 111)))
    switchwalk(
        "batch", str(JOB), "--simulate", "--speed", "10", "--serials", "units.txt", "--faulty", "0.2",
        "--seed", "4", "--batch", "Spring build", "--operator", "Mara", "--records", "batch.sqlite",
        folder=folder,
    )  # fmt: skip
    switchwalk("site", "pages", "--records", "batch.sqlite", folder=folder)
    (batch,) = (folder / "pages" / "batches").glob("*.html")
    shoot(batch, "batch", width=1000, height=852)


PICTURES = {"report": take_report, "batch": take_batch, "live": take_terminal}


def main() -> None:
    """Take the pictures that are named, or all."""
    for name in sys.argv[1:] or PICTURES:
        with tempfile.TemporaryDirectory() as place:
            PICTURES[name](Path(place))


if __name__ == "__main__":
    main()
