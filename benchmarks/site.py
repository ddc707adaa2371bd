"""How long the pages of many units take to write, to write again, to serve, to load and to search.

    python -m benchmarks.site [units] [readings a run]

Prints one figure a line. Loading and searching need Chromium.
"""

import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from harness.records.store import RunStore, open_records
from harness.site.live import LiveSite
from harness.site.write import Written, write_site
from tests.records.outside_broadcast import ENDED, HEADER
from tests.site.devtools import browser
from tests.site.invented_batch import fill

TYPED = "ob-0421"
SEARCHES = [TYPED[:end] for end in range(1, len(TYPED) + 1)] + ["fail", ""]
PAINTED = """new Promise((seen) => new PerformanceObserver((list) => {
  for (const one of list.getEntriesByName('first-contentful-paint')) seen(one.startTime);
}).observe({type: 'paint', buffered: true}))"""
FILTER = """(async () => {{
  const q = document.getElementById('q'), start = performance.now();
  q.value = {text!r};
  q.dispatchEvent(new Event('input', {{bubbles: true}}));
  await new Promise((shown) => requestAnimationFrame(() => setTimeout(shown, 0)));
  return performance.now() - start;
}})()"""


def main(units: int, readings: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        records, out = Path(folder) / "records.sqlite", Path(folder) / "site"
        fill(records, units=units, readings=readings)
        print(f"{units} units, {readings} readings a run, {records.stat().st_size / 1e6:.0f} MB of records")
        with open_records(records, read_only=True) as store:
            written = _write(store, out, "at first")
            _write(store, out, "again")
        _run_one_again(records)
        with open_records(records, read_only=True) as store:
            _write(store, out, "after one more run")
        sizes = sorted(path.stat().st_size for path in (out / "units").iterdir())
        print(f"index {written.index.stat().st_size / 1e6:.2f} MB")
        print(f"a unit's page {sizes[len(sizes) // 2] / 1e3:.1f} kB")
        batches = sorted(path.stat().st_size for path in (out / "batches").iterdir())
        print(f"a batch's page {batches[len(batches) // 2] / 1e3:.0f} kB")
        _serve(records, out)
        _browse(written.index)


def _write(store: RunStore, out: Path, when: str) -> Written:
    wall, processor = time.perf_counter(), time.process_time()
    written = write_site(store, out, lambda kind, run, serial: out.parent / "none")
    wall, processor = time.perf_counter() - wall, time.process_time() - processor
    print(
        f"written {when} in {wall:.1f} s ({processor:.1f} s of processor): "
        f"{written.changed} of {written.pages} pages, {written.runs} runs, {written.batches} batches"
    )
    return written


def _run_one_again(records: Path) -> None:
    """A run of the first unit, of as many readings, in the latest batch."""
    with open_records(records) as store:
        latest = store.lines()[-1]
        run = store.begin(replace(HEADER, serial="OB-00001", batch=latest.batch))
        store.add_readings(run, [replace(reading, acquisitions=()) for reading in store.readings(1)])
        store.finish(run, "pass", "", ENDED)


def _serve(records: Path, out: Path) -> None:
    site = LiveSite(
        lambda: open_records(records, read_only=True), lambda run, serial: records.parent / "none"
    )
    unit, batch = (next((out / kind).iterdir()).name for kind in ("units", "batches"))
    for path in ("/", f"/batches/{batch}", f"/units/{unit}", "/now.html", "/reports/run-00001.html"):
        took = []
        for _ in range(2):
            start = time.perf_counter()
            answer = site.answer(path, "", "")
            took.append(time.perf_counter() - start)
        start = time.perf_counter()
        site.answer(path, "", "" if answer is None else answer[1])
        same = time.perf_counter() - start
        name = path.split("/")[1] or "index"
        print(
            f"served {name}: {took[0]:.3f} s at first, {took[1]:.3f} s again, {1e3 * same:.1f} ms unchanged"
        )
    whole, state = site.answer("/", "", "") or ("", "")
    _run_one_again(records)
    start = time.perf_counter()
    newer, _ = site.answer("/", f"list={state[1:-1]}", state) or ("", "")
    print(
        f"a live list one run later: {len(newer) / 1e3:.0f} kB in {time.perf_counter() - start:.3f} s, "
        f"where all of it is {len(whole) / 1e3:.0f} kB"
    )
    site.close()


def _browse(index: Path) -> None:
    with browser() as tab:
        for width in (1280, 390):
            tab.size(width, 844)
            start = time.perf_counter()
            tab.open(index.as_uri())
            loaded = time.perf_counter() - start
            painted = tab.find(PAINTED)
            result = [f"{text!r} {tab.find(FILTER.format(text=text)):.0f} ms" for text in SEARCHES]
            print(
                f"{width} pixels: first painted after {painted:.0f} ms, loaded in {loaded:.2f} s; "
                f"searched for {', '.join(result)}"
            )


if __name__ == "__main__":
    numbers = [int(argument) for argument in sys.argv[1:3]]
    main(*(numbers + [10_000, 100][len(numbers) :]))
