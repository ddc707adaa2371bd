"""When the bench fails in mid-run: what was lost, and how the run may go on without believing anything.

The rules are strict. What was asked of the failed instrument is not asked again: an acquisition that failed
is a missing reading with its reason, a state that could not be set is missing as a whole. Before anything
else is done all four instruments are opened anew, must be who they were, are off and verified, and get every
setting again. A run in which this happened ends without a verdict, and one in which it happens too often ends
there; so does one whose switchboard reads nothing back, since nothing would say that it is where it should
be: what resumes it proves its lines anew. What fails before the walk (through reference, lines one by one,
hookup check) stops the run.
"""

from dataclasses import dataclass
from datetime import UTC, datetime

from harness.errors import BadReply, BenchError, BenchTimeout, Desynchronised, InstrumentError, LinkLost
from harness.reading import Fact, LostToBench
from harness.records.run import BenchFault
from harness.records.store import RunStore
from harness.roles import Bench
from harness.session.drive import Drive
from harness.session.events import Observer, Remark

TRANSIENT = (BenchTimeout, LinkLost, Desynchronised, BadReply, InstrumentError)
"""What may be gone after reopening. Another identity, or a switch that reads back wrong, will not be."""

MOST_FAULTS = 3  # common practice, no source: a bench that fails more often has to be looked at


@dataclass(frozen=True, kw_only=True)
class NotTaken:
    """Why something was not captured, in words, and what programs ask of it."""

    reason: str
    facts: tuple[Fact, ...] = ()


class Recovery:
    """Counts a run's bench faults, and brings the bench back to how it was when it was opened."""

    def __init__(self, bench: Bench, drive: Drive, store: RunStore, run: int, observe: Observer) -> None:
        self._bench, self._drive, self._store, self._run, self._observe = bench, drive, store, run, observe
        self.faults: list[str] = []

    def after(self, error: BenchError) -> NotTaken:
        """Record the fault and reopen the bench, everything off; gives the reason for what is missing.

        Raises the error itself where there were too many or a switchboard reads nothing back, and BenchError
        where the bench does not come back.
        """
        self.faults.append(str(error))
        fault = BenchFault(instrument=error.instrument, address=error.address)
        self._store.add_event(self._run, fault, str(error), at=datetime.now(UTC))
        self._observe(Remark(text=f"bench fault, not the unit's: {error}"))
        if len(self.faults) > MOST_FAULTS:
            error.add_note(f"the bench failed {len(self.faults)} times; the run ends here")
            raise error
        bench = self._bench
        if not bench.switchboard.reads_back:
            error.add_note(
                "the switchboard says nothing of what it does, so that the run cannot go on after a fault; "
                "`switchwalk resume` goes on with it, and proves the lines anew"
            )
            raise error
        self._drive.forget()
        bench.generator.recover()
        bench.supply.recover()
        bench.switchboard.recover()
        bench.oscilloscope.recover()
        self._observe(Remark(text="all instruments reopened, the same as before, and off; the run goes on"))
        return NotTaken(
            reason=f"the bench failed: {error}", facts=(LostToBench(instrument=error.instrument),)
        )
