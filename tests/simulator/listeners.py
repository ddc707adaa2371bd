"""Where a process can be reached from outside: every socket of its own, as the kernel lists them."""

import ipaddress
import os
import socket
import struct
from contextlib import suppress
from pathlib import Path

LISTENS = "0A"  # TCP_LISTEN of include/net/tcp_states.h


def reachable_at(pid: int) -> list[tuple[str, int]]:
    """Addresses and ports at which a process takes connections or packets, of IPv4 and IPv6.

    The columns and the byte order of the tables: proc_net(5), and Documentation/networking/proc_net_tcp.rst.
    """
    inodes = set()
    for link in Path(f"/proc/{pid}/fd").iterdir():
        with suppress(FileNotFoundError):  # the folder that is being read, of this process itself
            inodes.add(os.readlink(link).removeprefix("socket:[").removesuffix("]"))
    result = []
    for table in ("tcp", "tcp6", "udp", "udp6"):
        path = Path(f"/proc/{pid}/net/{table}")
        for line in path.read_text("ascii").splitlines()[1:] if path.exists() else ():
            fields = line.split()
            if fields[9] in inodes and (table.startswith("udp") or fields[3] == LISTENS):
                address, port = fields[1].split(":")
                result.append((_address(address), int(port, 16)))
    return result


def _address(text: str) -> str:
    """Words of four bytes, each in the byte order of the machine."""
    words = [int(text[start : start + 8], 16) for start in range(0, len(text), 8)]
    packed = b"".join(struct.pack("=I", word) for word in words)
    return socket.inet_ntop(socket.AF_INET6 if len(words) == 4 else socket.AF_INET, packed)


def is_loopback(address: str) -> bool:
    """Whether only this machine can reach it."""
    return ipaddress.ip_address(address).is_loopback
