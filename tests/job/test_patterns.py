"""Patterns that a job's files hold: no pattern makes a serial number or an identity take long."""

import pytest
import re2

from harness.toml_files.values import compiled

# Patterns on which a backtracking engine takes 2^n steps (OWASP, "Regular expression Denial of Service").
EXPLODING = ["(a+)+b", "([a-zA-Z]+)*b", "(a|aa)+b", "(a|a?)+b"]


@pytest.mark.timeout(60)
@pytest.mark.parametrize("pattern", EXPLODING)
def test_a_pattern_that_explodes_elsewhere_is_matched_at_once(pattern: str) -> None:
    assert compiled(pattern).fullmatch("a" * 64) is None
    assert compiled(pattern).fullmatch("a" * 64 + "b") is not None


@pytest.mark.parametrize("pattern", ["OB-[", "(", "(?=a)b", r"(a)\1"])
def test_what_the_engine_does_not_know_is_refused(pattern: str) -> None:
    with pytest.raises(re2.error):
        compiled(pattern)
