"""Every key of a TOML file is found at its line, in every way that TOML may be written."""

import textwrap

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.toml_files.located import Key, UnreadableError, read_located

TEXT = textwrap.dedent(
    """\
    # a comment, with [brackets] and = signs
    top = 1
    [table]
    "quoted key" = "a # in a string ] }"
    dotted.inner = 'x'
    many = [
        1,  # one
        { a = 2, b = [3,
                      4] },
    ]
    long = \"\"\"
    [not.a.table]
    key = "no key"\"\"\"
    [[list]]
    name = "first"
    [list.sub]
    deep = true
    [[list]]
    name = "second"
    [[list.more]]
    x = 1
    [[list.more]]
    x = 2
    [a.b.c]
    last = 1979-05-27 07:32:00
    """
)
PLACES = {
    ("top",): 2,
    ("table",): 3,
    ("table", "quoted key"): 4,
    ("table", "dotted"): 5,
    ("table", "dotted", "inner"): 5,
    ("table", "many"): 6,
    ("table", "many", 0): 7,
    ("table", "many", 1): 8,
    ("table", "many", 1, "a"): 8,
    ("table", "many", 1, "b", 0): 8,
    ("table", "many", 1, "b", 1): 9,
    ("table", "long"): 11,
    ("list",): 14,
    ("list", 0): 14,
    ("list", 0, "name"): 15,
    ("list", 0, "sub"): 16,
    ("list", 0, "sub", "deep"): 17,
    ("list", 1): 18,
    ("list", 1, "name"): 19,
    ("list", 1, "more", 0, "x"): 21,
    ("list", 1, "more", 1): 22,
    ("list", 1, "more", 1, "x"): 23,
    ("a", "b", "c"): 24,
    ("a", "b", "c", "last"): 25,
}


@pytest.mark.parametrize(("key", "line"), PLACES.items(), ids=str)
def test_a_key_is_found_at_its_line(key: Key, line: int) -> None:
    assert read_located(TEXT).line(key) == line


def test_a_key_that_is_not_there_is_placed_at_the_table_around_it() -> None:
    located = read_located(TEXT)
    assert located.line(("list", 1, "absent", "deeper")) == 18
    assert located.line(("nowhere",)) is None


@pytest.mark.parametrize(
    ("text", "line"),
    [("a = 1\nb = \n", 2), ("a = 1\n\na = 2\n", 3), ('a = "open\nb = 1\n', 1), ("a = [1,\n", 1), ("[t\n", 1)],
)
def test_a_slip_of_syntax_is_found_at_its_line(text: str, line: int) -> None:
    with pytest.raises(UnreadableError) as caught:
        read_located(text)
    assert caught.value.line == line


@pytest.mark.parametrize("text", ["a = " + "[" * 100_000, "a = " + "9" * 10_000])
def test_absurd_values_are_slips_of_syntax_too(text: str) -> None:
    with pytest.raises(UnreadableError):
        read_located(text)


def test_nesting_as_deep_as_the_library_reads_is_either_placed_or_refused() -> None:
    for depth in range(100, 600, 50):
        text = "a = " + "[" * depth + "]" * depth
        try:
            line = read_located(text).line(("a",))
        except UnreadableError as error:
            assert str(error) == "brackets nested too deep"  # noqa: PT017 - either end is right
        else:
            assert line == 1


KEYS = st.text("abcdefgh_", min_size=1, max_size=6)
SCALARS = st.one_of(
    st.integers(-9, 9).map(str),
    st.text("ab#]}=,.[{ ", max_size=6).map(lambda text: f'"{text}"'),
    st.text("ab#]}=,.[{\\ ", max_size=6).map(lambda text: f"'{text}'"),
    st.booleans().map(lambda value: str(value).lower()),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: "[ " + ",\n ".join(items) + "]"),
        st.dictionaries(KEYS, inner, max_size=3).map(
            lambda items: "{ " + ", ".join(f"{key} = {value}" for key, value in items.items()) + " }"
        ),
    ),
    max_leaves=6,
)


@given(
    st.dictionaries(KEYS, VALUES, min_size=1, max_size=5), st.lists(st.sampled_from(["", "# x = [", "  "]))
)
def test_keys_written_one_after_another_are_all_found(pairs: dict[str, str], gap: str) -> None:
    lines, expected = list(gap), {}
    for key, value in pairs.items():
        expected[key] = len("\n".join([*lines, ""]).split("\n")) if lines else 1
        lines.append(f"{key} = {value}")
    located = read_located("\n".join(lines) + "\n")
    assert {key: located.line((key,)) for key in pairs} == expected
