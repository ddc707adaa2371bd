"""A module alone becomes a job that sees what can be seen, on a bench with relays or by hand."""

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from harness.compose.at_hand import AtHand
from harness.compose.composed import Composed, compose
from harness.errors import JobError, UsageError
from harness.job.fixture import PortName
from tests.cli.commands import exit_code, switchwalk
from tests.compose.bench_at_hand import at_the_bench
from tests.jobs import SHIPPED, edit, insert_switch

SELECTOR = Path(__file__).resolve().parents[1] / "latching" / "line_selector" / "module.toml"


AMPLIFIED = """\
[module]
name = "Insert with a line driver"
part = "OB-INS"
channels = ["mono"]
[supply]
voltage = "12 V"
limit = "400 mA"
quiescent = "5 mA"
[controls]
loop = "loop"
[ports]
in = "input"
out = "output"
a_send = "send"
a_return = "return"
[relay_types.signal]
coil = "1028 ohm"
contact = "50 mohm"
contact_max = "100 mohm"
operate_max = "4 ms"
release_max = "4 ms"
bounce_max = "3 ms"
off_capacitance = "1 pF"
[[relay]]
name = "K1"
control = "loop"
type = "signal"
contacts = [
  { common = "a_send", released = "ground", operated = "in" },
  { common = "pre", released = "in", operated = "a_return" },
]
[[amplifier]]
name = "U1"
from = "pre"
to = "out"
gain = "6 dB"
input_impedance = "20 kohm"
output_impedance = "100 ohm"
maximum_output = "+18 dBu"
"""


def alone(folder: Path, job: str) -> Path:
    """A folder with the module and the bench of a shipped job."""
    folder.mkdir()
    for name in ("module.toml", "bench.toml"):
        shutil.copy(SHIPPED / job / name, folder)
    return folder


def test_a_composed_job_sees_more_than_the_hand_written_one_in_half_the_acquisitions(
    tmp_path: Path,
) -> None:
    """The shipped job: 273 of 277 by `switchwalk coverage`, 348 acquisitions by `switchwalk plan`."""
    folder = alone(tmp_path / "job", "source_selector")
    promise = compose(folder, at_the_bench(folder)).promise
    assert len(promise.seen) >= 273
    assert promise.cost.acquisitions <= 348 / 2
    assert promise.moves == 0
    assert promise.good >= 0.999


def test_by_hand_each_channel_is_driven_once_and_viewed_at_its_output(tmp_path: Path) -> None:
    """Two channels can't be driven in one setup, so two setups are the fewest: closed form."""
    folder = alone(tmp_path / "job", "two_loop_switcher")
    promise = compose(folder, replace(at_the_bench(folder), scope_inputs=2, selectors=())).promise
    assert (len(promise.seen), len(promise.faults)) == (270, 270)
    assert promise.cost.acquisitions <= 160 / 2  # of the shipped job, by `switchwalk plan`
    assert promise.setups == 2
    assert promise.moves == 4 + 2  # drive, view and two plugs; then drive and view


HAND = AtHand(scope_inputs=2, selectors=())


@pytest.fixture(scope="module")
def composed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small composed job, of latching relays, for leads that are moved by hand."""
    folder = tmp_path_factory.mktemp("composed") / "job"
    folder.mkdir()
    shutil.copy(SELECTOR, folder)
    for name, file in compose(folder, HAND).files.items():
        (folder / name).write_text(file.file.text)
    return folder


def changed(folder: Path, to: Path, file: str, old: str, new: str) -> Path:
    """A copy of a composed job, with one thing in a file changed by hand."""
    shutil.copytree(folder, to)
    text = (to / file).read_text()
    assert old in text
    (to / file).write_text(text.replace(old, new, 1))
    return to


def fates(made: Composed) -> dict[str, str]:
    return {table.words: fate for file in made.files.values() for table, fate in file.fates}


def test_composing_again_changes_nothing(composed: Path) -> None:
    again = compose(composed, HAND)
    assert fates(again) == {}
    assert {name: file.file.text for name, file in again.files.items()} == {
        name: (composed / name).read_text() for name in again.files
    }


def test_a_load_that_was_changed_by_hand_is_kept_and_counted_on(composed: Path, tmp_path: Path) -> None:
    job = changed(composed, tmp_path / "own", "fixture.toml", 'desk = "10 kohm"', 'desk = "47 kohm"')
    made = compose(job, HAND)
    assert made.job.fixture.loads["desk"].across_ohm == 47e3
    assert fates(made)["[loads]"] == "kept"
    assert "[loads]" not in {table.words for table in made.files["fixture.toml"].instead}, "nothing else"
    assert 'desk = "47 kohm"' in made.files["fixture.toml"].file.text


def test_a_check_that_was_added_by_hand_is_kept_word_for_word(composed: Path, tmp_path: Path) -> None:
    own = '# Hum of the van.\n[[check]]\nname = "Hum"\nquantity = "noise"\nat = ["desk"]\nbelow = "-70 dBu"\n'
    job = tmp_path / "own"
    shutil.copytree(composed, job)
    with (job / "sequence.toml").open("a") as file:
        file.write(f"\n{own}")
    made = compose(job, HAND)
    assert own.strip() in made.files["sequence.toml"].file.text
    assert "Hum" in {check.name for check in made.job.sequence.checks}


def test_a_table_that_was_deleted_is_composed_again(composed: Path, tmp_path: Path) -> None:
    text = (composed / "sequence.toml").read_text()
    start = text.index("# Hot must be hot.")
    gone = text[start : text.index("\n\n", start) + 2]
    job = changed(composed, tmp_path / "own", "sequence.toml", gone, "")
    made = compose(job, HAND)
    assert fates(made) == {'[[check]] "Polarity at desk"': "added"}


def test_files_of_somebody_else_are_not_written_over(tmp_path: Path) -> None:
    job = tmp_path / "job"
    shutil.copytree(SHIPPED / "two_loop_switcher", job)
    before = (job / "fixture.toml").read_text()
    with pytest.raises(UsageError, match=r"fixture\.toml: not written by compose.*--replace"):
        compose(job, HAND)
    assert exit_code("compose", str(job)) == 2
    assert (job / "fixture.toml").read_text() == before


def test_a_folder_without_a_module_says_where_one_comes_from(tmp_path: Path) -> None:
    with pytest.raises(JobError, match=r"expected a folder with module\.toml.*switchwalk import"):
        compose(tmp_path, HAND)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--scope-inputs", "3"], "--scope-inputs: found 3; expected 2 or 4"),
        (["--select", "9-"], '--select: found "9-"; expected channels such as 9-16'),
        (["--select", "2"], "switchboard channel 2 energises a control line"),
        (["--select", "99"], "there is no switchboard channel 99"),
        (["--load", "10"], "--load: "),
        (["--pad", "6 ohm"], "--pad: "),
        (["--by-hand", "--select", "9"], "--by-hand and --select contradict each other"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_a_wrong_option_is_answered_with_what_was_expected(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], message: str
) -> None:
    folder = alone(tmp_path / "job", "two_loop_switcher")
    printed = switchwalk(capsys, "compose", str(folder), *options)
    assert printed.code == 2
    assert message in " ".join(printed.err.split())


def test_a_suspect_of_module_toml_is_seen_as_well(tmp_path: Path) -> None:
    """Joined at the board, two tracks that no list of single faults has; and two such bridges at once."""
    folder = insert_switch(tmp_path)
    bridge = "left.bus.hot bridged to right.bus.hot"
    both = f"{bridge} + left.bus.cold bridged to right.bus.cold"
    edit(folder / "module.toml", 'revision = "A"', f'revision = "A"\nsuspects = ["{bridge}", "{both}"]')
    for name in ("fixture.toml", "sequence.toml"):
        (folder / name).unlink()
    promise = compose(folder, AtHand(scope_inputs=4, selectors=())).promise
    assert {bridge, both} <= {fault.name for fault in promise.seen}


def test_tables_that_are_kept_and_do_not_fit_are_named_and_nothing_is_written(
    composed: Path, tmp_path: Path
) -> None:
    own = '\n[[check]]\nname = "Hum"\nquantity = "noise"\nat = ["dsek"]\nbelow = "-70 dBu"\n'
    job = tmp_path / "own"
    shutil.copytree(composed, job)
    with (job / "sequence.toml").open("a") as file:
        file.write(own)
    before = (job / "sequence.toml").read_text()
    with pytest.raises(JobError, match="did you mean desk"):
        compose(job, HAND)
    assert exit_code("compose", str(job)) == 2
    assert (job / "sequence.toml").read_text() == before


def test_a_unit_with_an_amplifier_is_seen_with_the_drive_in_view(tmp_path: Path) -> None:
    """An amplifier may invert, so that polarity is read against the driven port."""
    (tmp_path / "module.toml").write_text(AMPLIFIED)
    made = compose(tmp_path, AtHand(selectors=()))
    assert made.job.module.may_invert
    assert {setup.view[0] for setup in made.job.fixture.setups if setup.view} == {PortName.of("mono.in")}
    unseen = {fault.name for fault in made.promise.unseen}  # what grounds the send of a loop that is not used
    assert unseen == {f"K1.1.{leg} released stuck open" for leg in ("hot", "cold")}


def test_a_module_whose_channels_have_no_input_and_output_together_is_refused(tmp_path: Path) -> None:
    parted = AMPLIFIED.replace('channels = ["mono"]', 'channels = ["near", "far"]')
    parted = parted.replace('in = "input"', 'in = { role = "input", channels = ["near"] }')
    parted = parted.replace('out = "output"', 'out = { role = "output", channels = ["far"] }')
    head, _, _ = parted.partition("a_send =")
    relay = '[[relay]]\nname = "K1"\ncontrol = "loop"\ntype = "signal"\n'
    contacts = 'contacts = [{ common = "near.in", operated = "far.out" }]\n'
    types = parted[parted.index("[relay_types.signal]") : parted.index("[[relay]]")]
    (tmp_path / "module.toml").write_text(head + types + relay + contacts)
    with pytest.raises(JobError, match="no channel has both an input and an output"):
        compose(tmp_path, HAND)


FLOATING = """\
[module]
name = "Commentary feed"
part = "LMX-CF"
channels = ["one"]
[supply]
voltage = "12 V"
limit = "300 mA"
quiescent = "6 mA"
[controls]
on_air = "set: on air"
off_air = "reset"
cue = "Cue to the phones"
quiet = "Electronic mute"
[ports]
mic = "input"
line = "output"
phones = { role = "output" }
rec = { role = "output", unbalanced = true }
[relay_types.latch]
coil = "960 ohm"
contact = "50 mohm"
off_capacitance = "1 pF"
[relay_types.small]
coil = "1028 ohm"
contact = "50 mohm"
off_capacitance = "1 pF"
[switch_types.gate]
on_resistance = "60 ohm"
off_capacitance = "6 pF"
threshold = "5 V"
[[relay]]
names = { one = "K1" }
set_control = "on_air"
reset_control = "off_air"
single_coil = true
type = "latch"
contacts = [{ common = "prog", operated = "mic" , released = "cuebus" }]
[[relay]]
name = "K7"
control = "cue"
type = "small"
contacts = [{ common = "phones", operated = "prog", channel = "one" }]
[[switch]]
names = { one = "U1" }
control = "quiet"
type = "gate"
contacts = [{ common = "line", released = "post" }]
[[resistor]]
names = { one = "R1" }
series = ["prog", "post"]
value = "100 ohm"
[[resistor]]
names = { one = "R20" }
across = "cuebus"
value = "600 ohm"
[[transformer]]
names = { one = "T1" }
from = "post"
to = "rec.hot"
ratio = "2:1"
primary_resistance = "200 ohm"
secondary_resistance = "60 ohm"
magnetising_inductance = "20 H"
"""


def test_what_only_the_input_of_another_pair_shows_is_looked_for_where_a_run_sees_it(tmp_path: Path) -> None:
    """A contact closed in one leg lifts both legs alike, of which a floating winding shows nothing."""
    (tmp_path / "module.toml").write_text(FLOATING)
    unseen = {fault.name for fault in compose(tmp_path, AtHand(selectors=())).promise.unseen}
    assert not {f"K1.1.{leg} operated stuck closed" for leg in ("hot", "cold")} & unseen


def test_legs_that_one_output_drives_together_are_not_asked_for_apart(tmp_path: Path) -> None:
    """Through a balancing transformer nothing tells the legs apart, so a plan refuses what needs that."""
    folder = alone(tmp_path / "job", "two_loop_switcher")
    bench = folder / "bench.toml"
    bench.write_text(bench.read_text("utf-8").replace("hot = 1\ncold = 2", 'transformer = "1:1"'), "utf-8")
    made = compose(folder, replace(at_the_bench(folder), selectors=()))
    asked = {check.quantity for check in made.job.sequence.checks}
    assert asked
    assert not any(quantity.legs_apart for quantity in asked)
    assert 0 < len(made.promise.seen) < len(made.promise.faults)
