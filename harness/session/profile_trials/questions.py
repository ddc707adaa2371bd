"""What is asked for a profile of each kind, in the order in which an instrument can be tried meanwhile.

A command that switches something off is asked for before the one that switches it on. `{n}` and the other
placeholders are those of the profile's page in the documentation.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

Given = Mapping[str, Any]
"""Answers by key, such as `commands.frequency`."""


def _always(given: Given) -> bool:
    return True


@dataclass(frozen=True, kw_only=True)
class Question:
    """A key of the profile, what is asked for it, and whether it is asked for after other answers."""

    key: str
    words: str
    when: Callable[[Given], bool] = _always


def _if(key: str, *values: object) -> Callable[[Given], bool]:
    """If that key was answered so; without values, if it was answered at all."""
    return lambda given: given.get(key) in values if values else key in given


def _unless(key: str, *values: object) -> Callable[[Given], bool]:
    asked = _if(key, *values)
    return lambda given: not asked(given)


def _questions(*rows: tuple[str, str] | tuple[str, str, Callable[[Given], bool]]) -> tuple[Question, ...]:
    return tuple(
        Question(key=row[0], words=row[1], when=row[2] if len(row) == 3 else _always) for row in rows
    )


IS_SERIAL = "serial"
"""Not a key of a profile: given if the address is a serial port."""

DESCRIPTION = _questions(("description", "what the instrument is, for people"))
LINE = _questions(
    ("baud_rate", "baud rate", _if(IS_SERIAL)),
    ("data_bits", "data bits: 7 or 8", _if(IS_SERIAL)),
    ("parity", "parity: none, even, odd, mark or space", _if(IS_SERIAL)),
    ("stop_bits", "stop bits: 1 or 2", _if(IS_SERIAL)),
    ("flow_control", "flow control: none, XON/XOFF, RTS/CTS or DTR/DSR", _if(IS_SERIAL)),
    ("dtr", "level of DTR while the port is open: y or n", _if(IS_SERIAL)),
    ("rts", "level of RTS while the port is open: y or n", _if(IS_SERIAL)),
)
LINES_OF_TEXT = _questions(
    ("terminator", "what ends a line that is sent: LF, CR LF, CR or none"),
    ("answer_terminator", "what ends an answer, if that is another"),
    ("echoes", "whether every line is sent back: y or n"),
    ("answer", "what is answered to a command that is no question, such as OK"),
    (
        "answer_after_questions",
        "whether that comes behind the answer to a question as well: y or n",
        _if("answer"),
    ),
    ("prompt", "what it says when it takes the next line, such as >"),
    ("pause_s", "seconds that it needs between two lines"),
)
IDENTITY = _questions(
    ("identity_fields", "fields, separated by commas, of its answer to *IDN?; 0 if it does not know that"),
    ("error_query", 'question for its error queue; "" if it has none'),
    ("decimal_comma", "whether its numbers have a decimal comma in place of a point: y or n"),
)

IS_ON = (
    ("on_answer", "what it answers to the next question with its output on, if not 1 or ON"),
    ("off_answer", "and with its output off", _if("on_answer")),
    (
        "output_state",
        "a regular expression whose one group is that, such as ;(ON|OFF)$, if there is more in the answer",
    ),
)
GENERATOR = _questions(
    ("outputs", "number of outputs"),
    ("output_impedance_ohm", "impedance of an output, in ohm"),
    ("output_impedance_tolerance", "its tolerance as a fraction, such as 0.01"),
    ("amplitude_min_vpp", "least amplitude without a load, in volts peak to peak"),
    ("amplitude_max_vpp", "largest amplitude without a load, in volts peak to peak"),
    ("frequency_min_hz", "lowest frequency, in Hz"),
    ("frequency_max_hz", "highest frequency, in Hz"),
    ("independent_frequencies", "whether two outputs can run at two frequencies at once: y or n"),
    ("matched_load", "whether amplitudes are meant at a load of the output's impedance: y or n"),
    ("commands.output_off", "command that switches output {n} off"),
    *IS_ON,
    ("commands.output_query", "question whether output {n} is on"),
    ("commands.load_open", "command that sets the load of output {n} to open"),
    ("commands.function_sine", "command that selects a sine on output {n}"),
    ("commands.frequency", "command that sets the frequency: {hz}, and {n} if each output has its own"),
    (
        "frequency_digits",
        "a regular expression whose one group is the number in the next answer, such as FRQ,([0-9.]+HZ); "
        "nothing if the answer is the number",
    ),
    ("commands.frequency_query", "question for the frequency of output {n}"),
    ("commands.amplitude", "command that sets the amplitude: {n} and a level such as {vpp}, {vrms} or {dbm}"),
    ("amplitude_digits", "a regular expression as for frequency_digits, for the next answer; or nothing"),
    ("commands.amplitude_query", "question for the amplitude of output {n}, in the same unit"),
    ("commands.offset", "command that sets the DC offset: {n}, {v}"),
    ("commands.phase", "command that sets the phase: {n}, {deg}"),
    ("commands.silence", "command that makes output {n} give 0 V while it stays on"),
    ("commands.sync_source", "command that lets the sync output follow output {n}"),
    ("commands.output_on", "command that switches output {n} on"),
)

SUPPLY = _questions(
    ("voltage_max_v", "largest voltage that may be set, in volts"),
    ("current_max_a", "largest current limit that may be set, in amperes"),
    ("off_below_v", "it counts as off below this voltage, in volts; usually 1"),
    ("off_within_s", "within this time after it was switched off, in seconds; usually 2"),
    ("commands.select", "command that selects output {n}, if it has several"),
    ("commands.output_off", "command that switches the output off"),
    *IS_ON,
    ("commands.output_query", "question whether the output is on"),
    ("commands.voltage", "command that sets the voltage, by one of {v}, {mv}, {v_tenths}, {v_hundredths}"),
    ("commands.current", "command that sets the current limit, by one of {a}, {ma}, {a_hundredths}"),
    ("commands.measure_voltage", "question for the voltage at its terminals"),
    (
        "voltage_digits",
        "where the number is in that answer, such as ^([0-9]{4}), if there is more in it",
        _if("commands.measure_voltage"),
    ),
    ("voltage_unit_v", "what 1 means in it, in volts", _if("commands.measure_voltage")),
    ("commands.measure_current", "question for the current that it gives"),
    ("current_digits", "where the number is in that answer", _if("commands.measure_current")),
    ("current_unit_a", "what 1 means in it, in amperes", _if("commands.measure_current")),
    ("commands.output_on", "command that switches the output on"),
)

HAND_SUPPLY = _questions(
    ("voltage_max_v", "largest voltage that anybody is asked to set, in volts"),
    ("current_max_a", "largest current limit that anybody is asked to set, in amperes"),
)

BINARY, CODES = _if("samples", "binary"), _unless("samples", "text_volts")
OSCILLOSCOPE = _questions(
    ("inputs", "number of inputs"),
    ("divisions", "vertical divisions on the screen"),
    ("time_divisions", "horizontal divisions of the record"),
    ("input_impedance_ohm", "input resistance with a plain lead, in ohm"),
    ("input_capacitance_f", "input capacitance with a plain lead, in farads, such as 15e-12"),
    ("volts_per_division_v", "every setting of volts per division, ascending, with commas"),
    ("seconds_per_division_s", "every setting of seconds per division, ascending; none if any is possible"),
    ("record_lengths", "every record length, ascending; none if any is possible"),
    ("record_length_max", "samples in the longest record"),
    ("commands.reset", "command that resets it"),
    ("reset_s", "seconds that it takes after that", _if("commands.reset")),
    ("commands.init", "a line to send when it is opened"),
    ("commands.display_on", "command that puts input {n} into the record"),
    ("commands.display_off", "command that takes input {n} out of the record"),
    ("commands.coupling_dc", "command that selects DC coupling of input {n}"),
    ("commands.probe", "command that sets the probe factor of input {n} to {x}"),
    (
        "commands.scale",
        "command that sets input {n} to {v_per_div}, or to {v_range} of the whole screen; in whole "
        "millivolts {v_per_div:milli d}, as 500mV {v_per_div:prefixed}V, and so with other numbers",
    ),
    (
        "commands.offset",
        "command that sets input {n}'s middle of the screen: {v}, {minus_v}, {div}, {minus_div}",
    ),
    ("commands.timebase_scale", "command that sets {s_per_div}, {s_range} or {rate_hz}"),
    ("commands.timebase_position", "command that sets the record's position to {s}"),
    ("commands.trigger_source", "command that triggers on input {n}"),
    ("commands.trigger_level", "command that sets the trigger level to {v}"),
    ("commands.trigger_slope", "command that selects the rising edge"),
    ("commands.trigger_auto", "command that selects automatic triggering"),
    ("commands.trigger_normal", "command that makes it wait for a trigger"),
    ("commands.trigger_force", "command that triggers it", _if("commands.trigger_normal")),
    (
        "commands.trigger_external",
        "command that triggers on the external trigger input",
        _if("commands.trigger_normal"),
    ),
    (
        "commands.trigger_external_level",
        "command that sets the level there to {v}, if another one does",
        _if("commands.trigger_external"),
    ),
    ("external_level_v", "that level in volts, if not 1", _if("commands.trigger_external")),
    (
        "trigger_jitter_s",
        "seconds by which a record may be beside the edge there, if it is not one sample",
        _if("commands.trigger_external"),
    ),
    ("commands.high_resolution", "command that selects a high-resolution mode"),
    ("commands.average", "command that selects averaging, perhaps of {averages} records"),
    ("commands.average_count", "command that sets how many, {averages}", _if("commands.average")),
    ("commands.acquire_type", "command that selects plain sampling; no averaging"),
    ("commands.acquire_points", "command that sets the record length to {points}"),
    ("commands.stop", "command that stops it"),
    ("commands.single", "command that starts one record"),
    ("commands.complete_query", "question whether the record is complete"),
    (
        "complete_answer",
        "what it answers then, such as STOP or bit 3 is 0; none of *OPC?",
        _if("commands.complete_query"),
    ),
    (
        "complete_after_s",
        "seconds after its own length until a record is complete",
        _unless("commands.complete_query"),
    ),
    ("samples", "how samples come: binary, text_codes or text_volts"),
    ("sample_bits", "bits of a sample: 8 or 16", BINARY),
    ("sample_signed", "whether codes are signed: y or n", BINARY),
    (
        "byte_order",
        "which byte of 16 bits comes first: the more significant (big) or the other (little)",
        _if("sample_bits", 16),
    ),
    ("code_min", "the converter's first code, if not that of its bits", CODES),
    ("code_max", "the converter's last code", CODES),
    (
        "text_in_block",
        "whether the list has a block's header (#8...) before it: y or n",
        _unless("samples", "binary"),
    ),
    ("block_prefix", "text before the # of a block or before a list, perhaps with {n}"),
    ("block_terminated", "whether a line feed follows the block: y or n"),
    ("answer_holds", "one_input, inputs_in_turn, inputs_interleaved or a_block_each"),
    ("points_per_read", "most samples in one answer, if there is a limit"),
    ("first_sample", "number of a record's first sample: 0 or 1"),
    ("commands.waveform_source", "command that selects input {n} for reading"),
    ("commands.waveform_format", "command that selects the format of samples"),
    ("commands.waveform_points", "command that sets how many {points} are read"),
    (
        "commands.window_start",
        "command that reads from sample {start}, perhaps to {stop}, {end} or by {count}",
    ),
    (
        "commands.window_stop",
        "command that reads to sample {stop}, {end}, or {count}",
        _if("commands.window_start"),
    ),
    ("commands.preamble_query", "question for the preamble, of input {n} if it takes that"),
    ("scaling.formula", "how a code becomes volts, such as (raw - reference) * scale + origin"),
    ("scaling.scale", "where the volts per code are: field 8, label YMULT, a question or a number", CODES),
    ("scaling.codes_per_division", "codes of a division, if that source gives the volts per division", CODES),
    ("scaling.reference", "where the formula's reference is", CODES),
    ("scaling.origin", "where the formula's origin is", CODES),
    ("scaling.points", "where the number of samples is"),
    ("scaling.interval_s", "where the seconds from sample to sample are"),
    ("scaling.rate_hz", "where the samples per second are", _unless("scaling.interval_s")),
    ("scaling.x_origin_s", "where the time of the first sample from the trigger is"),
    ("scaling.x_reference", "where the sample is that this is the time of", _if("scaling.x_origin_s")),
    ("scaling.fields", "how many numbers the preamble must have", _if("commands.preamble_query")),
    ("expects", "what it must report of its own format, such as label BYT_NR = 1"),
    ("commands.data_query", "question for the samples; it may take {n}, {start}, {stop}, {end}, {count}"),
)

CHANNELS = _questions(
    ("channels", "number of relays"),
    ("first_number", "the board's own number of its first relay"),
)
ROUTE = _questions(
    ("commands.open_all", "command that opens all"),
    ("commands.open", "command that opens {channels}"),
    ("commands.close", "command that closes {channels}"),
    ("commands.close_query", "question whether {channels} are closed, each 1 or 0"),
)
TEXT = _questions(
    ("commands.open_all", "command that opens all relays"),
    ("commands.open", "command that opens relay {n}"),
    ("commands.close", "command that closes relay {n}"),
    ("commands.set_all", "command that sets all relays by {mask}, if it has that"),
    ("commands.state_query", "question for the state of the relays"),
    ("state", "its answer: hexadecimal, decimal, binary or list", _if("commands.state_query")),
    ("active_low", "whether a 1, in that answer and in {mask}, is a released relay: y or n"),
)
FRAME = _questions(
    ("start", "first byte of a frame, such as 0xA0"),
    ("energised", "third byte that energises a relay"),
    ("released", "third byte that releases it"),
    ("echoes", "whether the board sends every frame back: y or n"),
)
HELD = _if("first_register")
MODBUS = _questions(
    ("framing", "RTU or TCP"),
    ("device", "number of the device (unit identifier)"),
    ("first_coil", "address of the first relay's coil, from 0; none if relays are registers"),
    (
        "first_register",
        "address of the first relay's holding register, from 0",
        lambda given: "first_coil" not in given,
    ),
    ("write_functions", "functions that write: of coils 5, 15, of registers 6, 16; none: both"),
    ("energised", "what is written into a register to energise", HELD),
    ("released", "what is written into a register to release", HELD),
    ("energised_reads", "what the register reads then, if that is another number", HELD),
    ("released_reads", "what it reads when released, if that is another number", HELD),
    ("relays_per_register", "relays in a register, a bit each", HELD),
    (
        "active_low",
        "whether a coil or bit that is 1 is a released relay: y or n",
        lambda given: "first_coil" in given or given.get("relays_per_register", 1) > 1,
    ),
    ("reads_back", "whether the board tells the state (function 1 or 3): y or n"),
)
GPIO = _questions(
    ("lines", "offsets of the chip's lines for channels 1, 2, ..., with commas"),
    ("active_low", "whether a low level energises: y or n"),
)
FTDI = _questions(
    ("pins", "numbers of the pins for channels 1, 2, ..., with commas"),
    ("active_low", "whether a low level energises: y or n"),
)

HID = _questions(
    ("report", "by which reports it is written: feature or output"),
    ("report_id", "id of these reports"),
    ("report_length", "bytes of a report behind its id"),
    ("commands.open_all", "report that opens all relays, its bytes in hexadecimal such as FC"),
    ("commands.open", "report that opens relay {n}, such as FD {n}"),
    ("commands.close", "report that closes relay {n}"),
    ("commands.set_all", "report that sets all relays by {mask}, if it has that"),
    ("state_byte", "byte of a feature report, from 0 behind its id, that has the relays' bits"),
    ("state_report_id", "id of that report", _if("state_byte")),
    ("active_low", "whether a bit that is 1, there and in {mask}, is a released relay: y or n"),
)

SPOKEN_TO = (*DESCRIPTION, *LINE, *LINES_OF_TEXT)
QUESTIONS: Mapping[str, tuple[Question, ...]] = {
    "generator": (*SPOKEN_TO, *IDENTITY, *GENERATOR),
    "supply": (*SPOKEN_TO, *IDENTITY, *SUPPLY),
    "hand-supply": (*DESCRIPTION, *HAND_SUPPLY),
    "oscilloscope": (*SPOKEN_TO, *IDENTITY, *OSCILLOSCOPE),
    "route-switchboard": (*SPOKEN_TO, *IDENTITY, *CHANNELS, *ROUTE),
    "text-switchboard": (*SPOKEN_TO, *CHANNELS, *TEXT),
    "frame-switchboard": (*DESCRIPTION, *LINE, *CHANNELS, *FRAME),
    "modbus-switchboard": (*DESCRIPTION, *LINE, Question(key="channels", words="number of relays"), *MODBUS),
    "gpio-switchboard": (*DESCRIPTION, *GPIO),
    "ftdi-switchboard": (*DESCRIPTION, *FTDI),
    "hid-switchboard": (*DESCRIPTION, *CHANNELS, *HID),
}
"""By the kind of profile."""
