"""Sentences are for people: no program reads one back, but for the upgrade of old records."""

import ast
from collections.abc import Iterator

import pytest

from tests.structure.sources import SOURCES, file_name, offences, tree

MAY = {
    "harness/records/upgrade.py",  # versions before kept some facts in sentences alone
    "harness/toml_files/located.py",  # the standard library's TOML parser tells the line in its text alone
}
SENTENCES = {"reason", "note", "notes", "sentence", "why"}
"""Names of what is said to people, be it an attribute or a variable."""

TEXTS = {"text"}
"""Names that are a sentence's as an attribute of an event, and a file's or an answer's elsewhere."""

EVENTS = {"event", "each", "one", "remark", "fact", "problem"}
TAKES_APART = {
    "startswith", "endswith", "split", "rsplit", "partition", "rpartition", "removeprefix", "removesuffix",
    "find", "rfind", "index", "count",
}  # fmt: skip
READS = {"search", "match", "fullmatch", "findall", "finditer", "sub", "loads", "literal_eval"}
ERRORS = {"error", "failure", "refused", "trouble", "caught"}


def is_sentence(node: ast.expr) -> bool:
    """Whether an expression is a sentence by its name, or the text of an error."""
    match node:
        case ast.Name(id=name) | ast.Attribute(attr=name) if name in SENTENCES:
            return True
        case ast.Attribute(value=ast.Name(id=owner), attr=name) if name in TEXTS and owner in EVENTS:
            return True
        case ast.Call(func=ast.Name(id="str"), args=[ast.Name(id=name)]) if name in ERRORS:
            return True
        case ast.Call(func=ast.Attribute(value=inner, attr="lower" | "casefold" | "strip")):
            return is_sentence(inner)
    return False


def reads_sentence(node: ast.AST) -> bool:
    """Whether a node of the syntax tree asks what a sentence says."""
    match node:
        case ast.Call(func=ast.Attribute(value=value, attr=method), args=arguments) if method in TAKES_APART:
            return is_sentence(value) and bool(arguments)
        case ast.Call(func=ast.Attribute(attr=function) | ast.Name(id=function), args=arguments):
            return function in READS and any(map(is_sentence, arguments))
        case ast.Compare(left=left, ops=operators, comparators=others):
            within = any(isinstance(operator, ast.In | ast.NotIn) for operator in operators)
            equal = any(isinstance(operator, ast.Eq | ast.NotEq) for operator in operators)
            words = [one for one in (left, *others) if isinstance(one, ast.Constant) and one.value]
            return (within and any(map(is_sentence, others)) and bool(words)) or (
                equal and bool(words) and any(map(is_sentence, (left, *others)))
            )
        case ast.Match(subject=subject):
            return is_sentence(subject)
    return False


def where_read(source: ast.AST) -> Iterator[int]:
    """The lines of a source that read a sentence."""
    for node in ast.walk(source):
        if reads_sentence(node):
            yield getattr(node, "lineno", 0)


def test_no_program_reads_a_sentence_back() -> None:
    paths = [path for path in SOURCES if file_name(path) not in MAY]
    assert offences(lambda path: where_read(tree(path)), paths) == {}


@pytest.mark.parametrize(
    "line",
    [
        "lost = reading.reason.startswith('the bench failed')",
        "inputs = re.findall('input ([0-9])', reading.reason)",
        "faults = header.notes.partition(': ')[2]",
        "kept = json.loads(event.text)",
        "taken = 'is in use by' in str(error)",
        "refused = 'refused' in str(error).lower()",
        "silent = problem.sentence == 'no tone'",
    ],
)
def test_a_sentence_that_is_read_back_is_found(line: str) -> None:
    assert list(where_read(ast.parse(line))) == [1]


@pytest.mark.parametrize(
    "line",
    [
        "shown = f'{reading.reason}.'",
        "shown = reading.reason or 'no reason'",
        "same = reading.reason == ''",
        "number = re.fullmatch('[0-9]+', text)",
        "content = json.loads(answer)",
    ],
)
def test_a_sentence_that_is_shown_is_none(line: str) -> None:
    assert list(where_read(ast.parse(line))) == []
