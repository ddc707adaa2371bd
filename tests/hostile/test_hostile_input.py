"""Hostile bytes for everything that reads bytes; the long search is `benchmarks/soak/hostile.py`.

A short one here, by hypothesis: good inputs cut, spliced and filled with numbers that nobody expects. A
finding of either becomes an example below.
"""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.hostile.targets import TARGETS, seeds

TOKENS = (
    *(
        b"\x00",
        b"\xff",
        b"\n",
        b"\r\n",
        b",",
        b";",
        b"#",
        b"?",
        b"*",
        b'"',
        b"{",
        b"}",
        b"[",
        b"=",
        b"(@",
        b"%s",
    ),
    *(
        b"nan",
        b"inf",
        b"-1",
        b"0",
        b"9.9E37",
        b"1e309",
        b"99999999999999999999",
        b"1_0",
        b"0x10",
        b"#9999999999",
    ),
    *(
        b"{n.__class__}",
        b"../",
        b"\xe2\x80\xae",
        b"\xef\xbb\xbf",
        b"= []",
        b"= {}",
        b"= true",
        b"[[relay]]\n",
    ),
)


EXAMPLES = {  # these take their time
    "description": 40,
    "records": 30,
    "job": 30,
    "records edited": 5,
    "fault name": 60,
}


@st.composite
def hostile(draw: st.DrawFn, name: str) -> bytes:
    """A good input with some edits, or nothing but bytes."""
    data = bytearray(draw(st.one_of(st.sampled_from(seeds(name)), st.binary(max_size=80))))
    for _ in range(draw(st.integers(0, 6))):
        place = draw(st.integers(0, len(data)))
        length = draw(st.integers(0, 24))
        data[place : place + length] = draw(st.one_of(st.sampled_from(TOKENS), st.binary(max_size=6)))
    return bytes(data)


@pytest.mark.parametrize("name", TARGETS)
def test_hostile_bytes_are_refused_in_our_own_words(name: str) -> None:
    @settings(
        max_examples=EXAMPLES.get(name, 150),
        deadline=None,
        derandomize=True,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(data=hostile(name))
    def search(data: bytes) -> None:
        TARGETS[name](data)

    for seed in seeds(name):
        TARGETS[name](seed)
    search()


FOUND = (
    ("description", b""),  # no channels, and two are needed
    ("description", b"\x00[controls]\n" + b"".join(b"l%d = 'x'\n" % n for n in range(40))),  # 2^40 states
    ("description", b"\x02[" + b"a." * 50_000 + b"b]\n"),  # minutes
    ("description", b"\x02" + b"[[check]]\n" * 5_000),  # minutes, when each was compared with each
    ("description", b"\x02a = " + b"[" * 100_000),
    ("description", b"\x02a = " + b"9" * 5_000),
    ("profile", b"\x00\x80"),
    ("profile", b"\x00a = " + b"[" * 1_000),
    ("profile", b"\x00a = " + b"9" * 5_000),
    ("block", b"\x01#9999999999abc"),  # room made for 1 GB
    ("waveform", b"0,0,2000000000,1,1.0E-9,0,0,3.125E-2,0,128\x1f#9999999999"),  # waited for half a day
    ("driver", b"\x03\x00" + b"F" * 1_000_000 + b"\r\n"),
    ("message", b"\x00SOUR" + b"9" * 5_000 + b":FREQ 1"),
    ("message", b"\x03ROUT:CLOS (@" + b"9" * 5_000 + b")"),
    ("control", b"[" * 60_000 + b"\n"),
    ("control", b'{"trouble": "oscilloscope late ' + b"9" * 5_000 + b'"}\n'),
)


@pytest.mark.timeout(30)
@pytest.mark.parametrize(("name", "data"), FOUND, ids=lambda value: str(value[:24]))
def test_what_was_found_once_stays_mended(name: str, data: bytes) -> None:
    TARGETS[name](data)
