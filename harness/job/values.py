"""How a single value of the four files reads: quantities with their units, names, addresses, patterns."""

import re
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from harness.units import InQuantity

NAME = re.compile(r"[a-z][a-z0-9_]*")
PART_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]*")
THROW = re.compile(r"[a-z][a-z0-9_]*(\.(hot|cold))?")


def _name(value: object) -> object:
    if isinstance(value, str) and not NAME.fullmatch(value):
        raise ValueError(f'found "{value}"; expected a name in lower case with underscores')
    return value


def _throw(value: object) -> object:
    if isinstance(value, str) and not THROW.fullmatch(value):
        raise ValueError(
            f'found "{value}"; expected a net in lower case with underscores, or its leg as in "bus.cold"'
        )
    return value


def _part_name(value: object) -> object:
    if isinstance(value, str) and not PART_NAME.fullmatch(value):
        raise ValueError(f'found "{value}"; expected a part\'s name such as "K1"')
    return value


def _probe(value: object) -> object:
    if (
        not isinstance(value, str)
        or not (match := re.fullmatch(r"(\d+(?:\.\d+)?)x", value))
        or not float(match[1])
    ):
        found = f'"{value}"' if isinstance(value, str) else value
        raise ValueError(f'found {found}; expected a probe\'s factor such as "1x" or "10x"')
    return float(match[1])


def _pattern(value: object) -> object:
    if isinstance(value, str):
        try:
            re.compile(value)
        except re.error as error:
            raise ValueError(f'found "{value}"; expected a regular expression ({error})') from None
    return value


def _address(value: object) -> object:
    if isinstance(value, str):
        if not value or not value.isascii() or not value.isprintable() or " " in value:
            raise ValueError(
                f'found "{value}"; expected an address such as "TCPIP::192.0.2.10::5025::SOCKET"'
            )
        if re.match(r"(TCPIP|USB|GPIB|ASRL|VXI)\d*(::|/)", value) and not re.search(
            r"::(SOCKET|INSTR|RAW)$", value
        ):
            raise ValueError(f'found "{value}"; expected an address that ends in ::SOCKET or ::INSTR')
    return value


def _listed(value: object) -> object:
    return [value] if isinstance(value, str) else value


Frequency = Annotated[float, InQuantity("frequency")]
Voltage = Annotated[float, InQuantity("voltage", "positive")]
Level = Annotated[float, InQuantity("level")]
Resistance = Annotated[float, InQuantity("resistance")]
SeriesResistance = Annotated[float, InQuantity("resistance", "not negative")]
Time = Annotated[float, InQuantity("time")]
Span = Annotated[float, InQuantity("span")]
Capacitance = Annotated[float, InQuantity("capacitance")]
StrayCapacitance = Annotated[float, InQuantity("capacitance", "not negative")]
Current = Annotated[float, InQuantity("current")]
CurrentLimit = Annotated[float, InQuantity("current", "positive")]
Decibel = Annotated[float, InQuantity("ratio_db")]
Loss = Annotated[float, InQuantity("ratio_db", "not negative")]
Fraction = Annotated[float, InQuantity("fraction")]
Accuracy = Annotated[float, InQuantity("fraction", "positive")]
Name = Annotated[str, BeforeValidator(_name), Field(description="a name in lower case with underscores")]
Throw = Annotated[str, BeforeValidator(_throw), Field(description="a net, or one leg of it")]
PartName = Annotated[str, BeforeValidator(_part_name), Field(description='a part\'s name such as "K1"')]
Text = Annotated[str, Field(description="text in quotes")]
Pattern = Annotated[str, BeforeValidator(_pattern)]
Address = Annotated[
    str, BeforeValidator(_address), Field(description='an address such as "TCPIP::192.0.2.10::5025::SOCKET"')
]
Probe = Annotated[float, BeforeValidator(_probe)]
LegName = Literal["hot", "cold"]
one_or_more = BeforeValidator(_listed)  # text alone is a list of one
