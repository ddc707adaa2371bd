"""Every `switchwalk …` in README.md and docs/*.md is one that the program takes; what is quick is run.

A test's name says which: `run` or `parsed`. Run are the commands of RUN that stand in blocks of sh, as
written, in one folder, on a job that `switchwalk new` makes there by the tutorial's own line and whose
sequence is then cut to a few checks and states; the records are those of the tutorial's two runs. Parsed is
what takes long, waits for hands or needs a bench, and what stands within a line.
"""

import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from typer.main import get_command

from harness.cli.app import app
from tests.cli.commands import exit_code, switchwalk
from tests.jobs import RELAY_CURRENT, check_of, sequence

ROOT = Path(__file__).resolve().parents[2]
PAGES = (ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md")))
OF_THE_TUTORIAL = "my_switcher"
NEW = f"switchwalk new {OF_THE_TUTORIAL} --template stereo-loops"
RUN = {
    "table", "plan", "coverage", "units", "show", "diagnose", "export", "verify", "trends", "site", "wiring",
    "certificate", "report", "find",
}  # fmt: skip
RUNS = {  # the units that the records of all other commands hold
    f"switchwalk run {OF_THE_TUTORIAL} --serial OB-0001 --simulate": 0,
    f'switchwalk run {OF_THE_TUTORIAL} --serial OB-0002 --simulate --fault "K3 never operates"': 1,
}
PLACEHOLDERS = {"RUN": "1", "JOB": OF_THE_TUTORIAL, "DIR": "pages"}
SHORT = sequence(
    check_of("gain", name="Route and gain", at=["out", "loop_1_send"], within="0.3 dB"),
    RELAY_CURRENT,
    states=["idle", "loop_1", "mute"],
)


@dataclass(frozen=True, kw_only=True)
class Documented:
    """One command, with the page that it stands on, and whether in a block."""

    page: str
    words: tuple[str, ...]
    in_block: bool

    @property
    def text(self) -> str:
        return shlex.join(self.words)

    @property
    def is_run(self) -> bool:
        """Coverage of a shipped job takes as long as all the rest; a host that is asked is not there."""
        name, *arguments = self.words[1:]
        if name == "coverage" and OF_THE_TUTORIAL not in arguments:
            return False
        return self.in_block and name in RUN and "--host" not in arguments


def _documented() -> Iterator[Documented]:
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        place = page.relative_to(ROOT).as_posix()
        for block in re.findall(r"^```sh\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL):
            for line in block.replace("\\\n", " ").splitlines():
                if words := _words(line):
                    yield Documented(page=place, words=words, in_block=True)
        prose = re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)
        for inline in re.findall(r"`(switchwalk\s[^`]+)`", prose):
            if words := _words(" ".join(inline.split())):
                yield Documented(page=place, words=words, in_block=False)


def _words(line: str) -> tuple[str, ...]:
    """The command's words; none where the line is of another program, or names this one only."""
    words = shlex.split(line, comments=True)
    if not words or Path(words[0]).name != "switchwalk" or words[1:2] == ["…"]:
        return ()
    return ("switchwalk", *words[1:])


COMMANDS = tuple(dict.fromkeys(_documented()))


def _name(command: Documented) -> str:
    return f"{'run' if command.is_run else 'parsed'}: {command.page}: {command.text}"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the commands are run: the shipped jobs are there, the tutorial's job, and its two runs."""
    place = tmp_path_factory.mktemp("tutorial")
    (place / "sequences").symlink_to(ROOT / "sequences")
    with pytest.MonkeyPatch.context() as patched:
        patched.chdir(place)
        _done(NEW)
        (place / OF_THE_TUTORIAL / "sequence.toml").write_text(SHORT, encoding="utf-8")
        for command, code in RUNS.items():
            _done(f"{command} --speed 20", code)
    return place


def _done(command: str, code: int = 0) -> None:
    assert exit_code(*shlex.split(command)[1:]) == code, command


@pytest.fixture
def _there(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)


@pytest.mark.parametrize("command", [NEW, *RUNS])
def test_what_the_records_hold_comes_from_a_line_of_the_tutorial(command: str) -> None:
    assert tuple(shlex.split(command)) in [each.words for each in COMMANDS if each.page == "docs/tutorial.md"]


@pytest.mark.usefixtures("_there")
@pytest.mark.parametrize("command", [each for each in COMMANDS if each.is_run], ids=_name)
def test_a_documented_command_does_what_it_is_for(
    capsys: pytest.CaptureFixture[str], command: Documented
) -> None:
    printed = switchwalk(capsys, *command.words[1:])
    assert printed.code == 0, printed.out + printed.err
    assert printed.out + printed.err


@pytest.mark.parametrize("command", [each for each in COMMANDS if not each.is_run], ids=_name)
def test_a_documented_command_is_made_of_options_that_there_are(command: Documented) -> None:
    name, *arguments = command.words[1:]
    known = get_command(app).commands[name]  # type: ignore[attr-defined]
    if not command.in_block and set(arguments) <= PLACEHOLDERS.keys():
        return  # only named: what else it needs stands elsewhere
    known.make_context(name, [PLACEHOLDERS.get(each, each) for each in arguments])


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_link_within_the_documents_leads_somewhere(page: Path) -> None:
    for link in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8")):
        target, _, heading = link.partition("#")
        if "://" in target:
            continue
        to = (page.parent / target).resolve() if target else page
        assert to.exists(), link
        if heading:
            assert heading in _anchors(to), link


def _anchors(page: Path) -> set[str]:
    """Headings as a forge makes addresses of them."""
    headings = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}
