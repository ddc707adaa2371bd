"""The foreign bench put together: four instruments, one box, and the bench.toml that says where they are."""

import os
import pty
import re
import select
import threading
import tty
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any

from tests.foreign.box import Unit
from tests.foreign.instruments import Generator, Oscilloscope, RouteSwitchboard, Stranger, Supply
from tests.foreign.scpi import Instrument
from tests.foreign.world import World


class TextBoard:
    """Sixteen relays behind a serial line: a line of text each, answered OK; CR LF both ways."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.held: frozenset[int] = frozenset()
        self.heard: list[str] = []
        self._ours, self._theirs = pty.openpty()
        tty.setraw(self._theirs)
        self.address = f"ASRL{os.ttyname(self._theirs)}::INSTR"
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def close(self) -> None:
        """Leave."""
        self._stop.set()
        self._thread.join(timeout=5)
        os.close(self._ours)
        os.close(self._theirs)

    def _serve(self) -> None:
        waiting = b""
        while not self._stop.is_set():
            if not select.select([self._ours], [], [], 0.05)[0]:
                continue
            waiting += os.read(self._ours, 4096)
            while b"\r\n" in waiting:
                line, waiting = waiting.split(b"\r\n", 1)
                self.heard.append(line.decode("ascii", "replace"))
                os.write(self._ours, self._obey(self.heard[-1]).encode("ascii") + b"\r\n")

    def _obey(self, line: str) -> str:
        if line == "STATE?":
            return f"{sum(1 << (channel - 1) for channel in self.held):04x}"
        if line == "ALL OFF":
            self.held = frozenset()
        elif (match := re.fullmatch(r"(ON|OFF) (\d+)", line)) and 1 <= int(match[2]) <= 16:
            one = frozenset({int(match[2])})
            self.held = self.held | one if match[1] == "ON" else self.held - one
        else:
            return "ERR"
        self.world.close(self.held)
        return "OK"


class ForeignBench:
    """Everything on the bench, running while the context lasts."""

    def __init__(
        self,
        unit: Unit,
        *,
        seed: int = 1,
        speed: float = 20.0,
        text_board: bool = False,
        stranger: bool = False,
        scope: Callable[[World], Any] = Oscilloscope,
        generator: type[Generator] = Generator,
    ) -> None:
        self.world = World(unit, seed=seed, speed=speed)
        self.generator: Instrument = Stranger() if stranger else generator(self.world)
        self.scope = scope(self.world)
        self.supply = Supply(self.world)
        self.board: RouteSwitchboard | TextBoard
        self.board = TextBoard(self.world) if text_board else RouteSwitchboard(self.world)

    def __enter__(self) -> "ForeignBench":
        for one in (self.generator, self.scope, self.supply, self.board):
            one.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for one in (self.generator, self.scope, self.supply, self.board):
            one.close()

    def errors(self) -> list[int]:
        """Give every error that any instrument has queued."""
        boards = [self.board] if isinstance(self.board, Instrument) else []
        return [
            error for one in (self.generator, self.scope, self.supply, *boards) for error in one.all_errors
        ]

    def is_safe(self) -> bool:
        """Say whether the outputs are off, the relay supply too, and every relay is released."""
        outputs = [self.world.output(n).on for n in (1, 2)]
        return not any(outputs) and not self.supply.on and not self.board.held

    def write(self, path: Path, *, scope_profile: str = "preamble-oscilloscope") -> Path:
        """Write this bench's bench.toml."""
        kind = "text-switchboard" if isinstance(self.board, TextBoard) else "route-switchboard"
        lines = {
            "bench": 'name = "Foreign bench"',
            "generator": f'address = "{self.generator.address}"\nprofile = "scpi-generator"\n'
            'hot = 1\ncold = 2\nidentity = "Foreign Works,TG-2"',
            "oscilloscope": f'address = "{self.scope.address}"\nprofile = "{scope_profile}"\n'
            'probe = "1x"\ngain_accuracy = "2 %"',
            "supply": f'address = "{self.supply.address}"\nprofile = "scpi-supply"\noutput = 1',
            "switchboard": f'address = "{self.board.address}"\nprofile = "{kind}"\nsettle = "5 ms"',
        }
        path.write_text(
            "\n\n".join(f"[{table}]\n{text}" for table, text in lines.items()) + "\n", encoding="utf-8"
        )
        return path
