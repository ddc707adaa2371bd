"""A relay board of four-byte frames over a serial port. It answers nothing: what it does is not verified."""

from drivers.profile import FrameProfile
from drivers.session import Session
from drivers.switchboard import Channels
from harness.roles import Identity

# A board that was cut off in the middle of a frame takes these for the rest of it, and the next start as a
# start.
FLUSH = bytes(4)


class FrameSwitchboard(Channels):
    """Keeps the commanded state, and says by `reads_back` that nothing confirms it."""

    def __init__(
        self, session: Session, profile: FrameProfile, *, profile_name: str, settle_s: float
    ) -> None:
        self._session, self._profile = session, profile
        identity = Identity(
            role="switchboard",
            address=session.address,
            profile=profile_name,
            text=f"{profile.description} (not verified)",
        )
        super().__init__(
            identity=identity, channel_count=profile.channels, settle_s=settle_s, reads_back=False
        )
        self.off()

    def _insist_all_open(self) -> None:
        self._session.insist(self._all_open)

    def _reopen_link(self) -> None:
        self._session.resync()

    def _open_all(self) -> None:
        """Every channel by name: the state is unknown here, and the board has no frame for all."""
        self._session.send_bytes(FLUSH)
        self._open(list(range(1, self.channel_count + 1)))

    def _open(self, channels: list[int]) -> None:
        self._send(channels, self._profile.released)

    def _close(self, channels: list[int]) -> None:
        self._send(channels, self._profile.energised)

    def _send(self, channels: list[int], state: int) -> None:
        for n in channels:
            self._session.send_bytes(frame(self._profile.start, n, state))

    def _read_back(self, wanted: frozenset[int]) -> None:
        return None


def frame(start: int, channel: int, state: int) -> bytes:
    """Four bytes: start, channel, state, low byte of their sum."""
    return bytes((start, channel, state, (start + channel + state) & 0xFF))
