"""Writes three runs of a bench to records: one of several programs that do so at once. Arguments: both."""

import sys
from dataclasses import replace

from harness.records.store import open_records
from tests.records.outside_broadcast import ENDED, HEADER, READING, changed

with open_records(sys.argv[1]) as store:
    for _ in range(3):
        run = store.begin(replace(HEADER, bench_name=sys.argv[2]))
        for number in range(15):
            store.add_readings(run, [changed(READING, value=float(number))] * 2)
        store.finish(run, "pass", "", ENDED)
