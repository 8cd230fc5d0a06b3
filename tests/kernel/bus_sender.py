"""A pack on a CAN interface: the bursts of the orchard's pack B, and other traffic up to a full bus."""

import argparse
import itertools
import socket
import struct
import time

from sample_data.can_peer import frames

FRAME = struct.Struct("=IB3x8s")
EXTENDED = 0x8000_0000
"""CAN_EFF_FLAG: a 29-bit identifier. Source: Linux, include/uapi/linux/can.h."""
ERROR = 0x2000_0000
"""CAN_ERR_FLAG: an error frame, as a controller's driver makes them. Source: same file."""


def burst(n: int, *, base: int = 0) -> list[bytes]:
    """Return one burst of pack B as raw frames; with a base, as 29-bit frames on top of it.

    Then every frame has an 11-bit twin before it that ends in the same bits and carries nonsense.
    """
    values = {"pack_v": 5312, "pack_a": (n % 400) - 200, "soc": 7000, "charge_enabled": 1}
    values |= {f"cell_{i:02d}_v": 3320 + (n * i) % 7 for i in range(1, 17)}
    values |= {f"temp_{i}": 45 + i for i in range(1, 6)}
    out = []
    for m in frames(values, n % 256):
        data = bytes(m.data)
        if base:
            out.append(FRAME.pack(m.arbitration_id, m.dlc, bytes(8)))
        wide = base + m.arbitration_id | EXTENDED if base else m.arbitration_id
        out.append(FRAME.pack(wide, m.dlc, data.ljust(8, b"\0")))
    return out


def main() -> None:
    """Send until the time is over; print how many frames left."""
    parser = argparse.ArgumentParser()
    parser.add_argument("interface")
    parser.add_argument("--seconds", type=float, default=10)
    parser.add_argument("--rate", type=float, default=0, help="frames a second in all; 0: only the pack")
    parser.add_argument("--period", type=float, default=1.0, help="of the pack's bursts [s]")
    parser.add_argument("--no-pack", action="store_true", help="only the other traffic")
    parser.add_argument("--base", type=lambda text: int(text, 0), default=0, help="send 29-bit identifiers")
    parser.add_argument("--error", type=lambda text: int(text, 0), help="one error frame of this class first")
    args = parser.parse_args()
    bus = socket.socket(socket.PF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
    bus.setsockopt(socket.SOL_CAN_RAW, socket.CAN_RAW_LOOPBACK, 0)
    bus.bind((args.interface,))
    if args.error is not None:
        bus.send(FRAME.pack(ERROR | args.error, 8, bytes(8)))
    start, sent, refused = time.monotonic(), 0, 0
    other = itertools.count(0x100)
    next_burst = 0.0
    while (now := time.monotonic() - start) < args.seconds:
        due = burst(int(now / args.period), base=args.base) if now >= next_burst else []
        next_burst += args.period if due else 0.0
        due = [] if args.no_pack else due
        target = int(now * args.rate)
        due += [
            FRAME.pack(0x100 + next(other) % 0x80, 8, bytes(8))
            for _ in range(max(0, target - sent - len(due)))
        ]
        for frame in due:
            try:
                bus.send(frame)
                sent += 1
            except OSError:
                refused += 1  # the interface is down, or its queue is full
        time.sleep(0.002)
    print(f"SENT {sent} {refused}", flush=True)


if __name__ == "__main__":
    main()
