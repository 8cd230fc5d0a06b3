"""Cut the power of the guest while the record is being written, many times, and look at what is left.

The record lies on an ext4 file system on a virtual disk. The emulator's block layer logs every write and
flush; after a SIGKILL, disks are made that such a cut could have left: what was written since the last flush
may be there, missing or torn (see `diskcut`). Each is mounted, the file system's journal replayed, and the
record opened, checked and compared with the console's ledger.

The kills are aimed at each of what the writer does in turn, at a random instant within it. Of every kill one
disk is made of the last request, and one of a request within each thing that this life had done, half of
these just before a flush, when most is at stake.

    python tests/kernel/power_cut.py --kills 50
    python tests/kernel/power_cut.py --kills 12 --writer "--synchronous NORMAL"
"""

import argparse
import json
import random
import shutil
import subprocess
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import mean

from diskcut import cut_image, entries
from guest import BUILD, HERE, Guest
from inspect_record import look
from phases import AIMS, WORDS, Ledger, Spans, counter_of, sectors_of, spans_of

ROOT = HERE.parents[1]
SIZE_MB = 96
GRACE_S = 90.0
"""How long a life may last beyond its time until what the kill is aimed at begins."""
REPAIRED: list[Path] = []
"""Disks that could only be mounted after e2fsck."""
MOST_DAYS = 60
"""Then a new record is begun: to verify many days takes long in emulation."""


def make_image(path: Path) -> None:
    """Make an empty ext4 file system."""
    with path.open("wb") as f:
        f.truncate(SIZE_MB << 20)
    subprocess.run(["mkfs.ext4", "-q", "-F", "-b", "4096", str(path)], check=True)  # as on a large card


@dataclass(frozen=True)
class Aim:
    """What a kill is to fall into, and how long that lasts. [s]"""

    name: str
    lasts_s: float


def drive(image: Path, log: Path) -> str:
    """Return qemu's words for a disk whose writes are logged; the log begins empty."""
    with log.open("wb") as f:
        f.truncate(4 << 30)  # sparse
    return (
        f"driver=blklogwrites,file.driver=file,file.filename={image},log.driver=file,"
        f"log.filename={log},log-sector-size=512,if=virtio"
    )


def root_disk() -> Path:
    """Return a disk with the Debian root of `init_root.sh` and this very tree in /src."""
    out, debian = BUILD / "root.img", BUILD / "debian"
    installed = (debian / "opt/bankbook/venv").lstat().st_mtime
    new = not out.exists() or out.stat().st_mtime < installed
    if new:
        with out.open("wb") as f:
            f.truncate(4 << 30)  # sparse
        subprocess.run(["mkfs.ext4", "-q", "-F", str(out)], check=True)
    with tempfile.TemporaryDirectory() as folder, mounted(out, Path(folder)) as mount:
        if new:
            subprocess.run(["cp", "-a", f"{debian}/.", str(mount)], check=True)
        shutil.rmtree(mount / "src", ignore_errors=True)
        for room in ("adapters", "analysis", "logger", "sample_data", "tests/kernel"):
            skip = shutil.ignore_patterns("__pycache__", "build")
            shutil.copytree(ROOT / room, mount / "src" / room, ignore=skip)
    return out


def asleep(root: Path, image: Path, log: Path, saved: Path) -> None:
    """Boot the guest until the writer waits for its disk, and save the machine: each life begins there."""
    script = "cd /src && PYTHONPATH=/src exec /opt/bankbook/venv/bin/python tests/kernel/writer.py"
    guest = Guest(script, drive=drive(image, log), root_disk=root)
    guest.start()
    if not any(line == "READY" for line in guest.read(600)):
        guest.cut()
        raise RuntimeError("the writer did not come up:\n" + "\n".join(guest.lines[-30:]))
    guest.save(saved)


def one_life(guest: Guest, log: Path, rng: random.Random, writer: str, longest_s: float, aim: Aim) -> Ledger:
    """Let the writer work for a random time and until it does what is aimed at, then cut the power."""
    ledger, count = Ledger(), counter_of(log)
    guest.start()
    guest.go_on()
    guest.write(f"/mnt/bank.db {writer}")
    timer, ripe = None, float("inf")
    for line in guest.read(300):
        word = line.split(" ")[0]
        if word in WORDS:
            ledger.add(count(), line)
            if word == "WRITER":
                ripe = time.monotonic() + rng.uniform(0.2, longest_s)
        elif timer is None and ("Error" in line or "BENCH-EXIT" in line):
            break
        late = time.monotonic() - ripe
        if timer is None and late > 0 and (word == AIMS[aim.name][0] or late > GRACE_S):
            timer = threading.Timer(
                rng.uniform(0, max([aim.lasts_s, *ledger.lasted(aim.name)[-1:]])), guest.cut
            )
            timer.start()
    if timer is None:
        guest.cut()
        raise RuntimeError("the writer failed or was silent:\n" + "\n".join(guest.lines[-30:]))
    timer.join()
    return ledger


@contextmanager
def mounted(image: Path, folder: Path) -> Iterator[Path]:
    """Mount an image, which replays its file system's journal."""
    mount = folder / "mnt"
    mount.mkdir(exist_ok=True)
    words = ["mount", "-o", "loop", str(image), str(mount)]
    if subprocess.run(words, check=False, capture_output=True).returncode != 0:
        # A superblock torn within its sectors: ext4 does not survive that by itself, whoever writes on it.
        subprocess.run(["e2fsck", "-fy", str(image)], check=False, capture_output=True)
        REPAIRED.append(image)
        subprocess.run(words, check=True)
    try:
        yield mount
    finally:
        subprocess.run(["umount", str(mount)], check=True)


def choose(spans: Spans, total: int, flushes: list[int], rng: random.Random) -> dict[str, int]:
    """Return for each thing done in a life a number of requests after which to cut; the kill's own first."""
    out = {"kill": total}
    for name, found in spans.items():
        first, last = rng.choice(found)
        before_flush = [f for f in flushes if first < f <= last]
        aimed = (
            rng.choice(before_flush) if before_flush and rng.random() < 0.5 else rng.randint(first + 1, last)
        )
        out[name] = min(aimed, total)
    return out


def main() -> int:
    """Run the bench; print one line a disk and a summary."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--longest", type=float, default=10.0, help="longest life after the writer is up [s]")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--writer", default="", help="arguments for writer.py")
    args = parser.parse_args()
    strict = "NORMAL" not in args.writer
    rng, folder = random.Random(args.seed), Path(tempfile.mkdtemp(prefix="bankbook-cut-"))
    image, base, log, cut = (folder / n for n in ("disk.img", "base.img", "writes.log", "cut.img"))
    make_image(image)
    root, saved = root_disk(), folder / "machine"
    asleep(root, image, log, saved)
    disks: Counter[str] = Counter()
    killed: Counter[str] = Counter()
    within: Counter[str] = Counter()
    hit: Counter[str] = Counter()
    lost: list[tuple[int, float]] = []
    lasts = dict.fromkeys(AIMS, 0.2)
    migrated = False
    for kill in range(args.kills):
        with mounted(image, folder) as mount:
            own = sectors_of(mount / "bank.db")
        shutil.copyfile(image, base)
        aim = list(AIMS)[kill % len(AIMS)]
        guest = Guest("", drive=drive(image, log), root_disk=root, saved=saved)
        ledger = one_life(guest, log, rng, args.writer, args.longest, Aim(aim, lasts[aim]))
        lasts |= {a: mean(took) for a in AIMS if (took := ledger.lasted(a))}
        # The last request may have been half logged when the emulator died.
        issued = list(entries(log))[:-1]
        spans = spans_of(issued, ledger, own)
        flushes = [i for i, e in enumerate(issued) if e.flags & 1]
        for name, at in choose(spans, len(issued), flushes, rng).items():
            made = cut_image(base, log, cut, rng, at=at)
            doing = sorted(p for p, found in spans.items() if any(a < at <= b for a, b in found)) or ["idle"]
            done = migrated or ledger.said("MIGRATED", at)
            with mounted(cut, folder) as mount:
                found = look(mount / "bank.db", *ledger.safe(at), migrated=strict and done)
            bad = found["wrong"] or (strict and (found["missing"] or found.get("sealed_missing")))
            disks["bad" if bad else "ok"] += 1
            disks["with lost or torn writes"] += bool(made.lost or made.torn)
            disks["writes lost"] += made.lost
            disks["writes torn"] += made.torn
            within.update(doing)
            hit.update(doing if made.lost or made.torn else [])
            if found["missing"]:
                lost.append((found["missing"], ledger.age(found["missing"], at)))
            if name == "kill":
                killed.update(doing)
                shutil.copyfile(cut, folder / "next.img")
            print(
                f"kill {kill:3d} aimed at {aim}, disk after {at} of {len(issued)} requests, "
                f"{made.lost} lost, {made.torn} torn, within {'+'.join(doing)}: {json.dumps(found)}",
                flush=True,
            )
            if bad:
                shutil.copyfile(cut, folder / f"bad-{kill}-{name}.img")
        migrated = migrated or ledger.said("MIGRATED", len(issued))
        shutil.copyfile(folder / "next.img", image)  # life goes on from what the kill left
        if found.get("sealed_days", 0) > MOST_DAYS:
            make_image(image)
            migrated = False
    print(f"KILLS {args.kills}, within: {dict(killed)}")
    print(f"DISKS {disks['ok'] + disks['bad']}, {dict(disks)}")
    print(f"WITHIN {dict(within)}; of these with lost or torn writes: {dict(hit)}")
    print(f"REPAIRED by e2fsck before they could be mounted: {len(REPAIRED)}")
    print(f"COMMITTED readings missing on {len(lost)} disks")
    if lost:
        counts, ages = zip(*lost, strict=True)
        print(f"  readings a pack: {mean(counts):.0f} in the mean, {max(counts)} at most")
        print(f"  said to be safe {mean(ages):.1f} s before the cut in the mean, {max(ages):.1f} s at most")
    if not disks["bad"]:
        shutil.rmtree(folder)
    return 1 if disks["bad"] else 0


if __name__ == "__main__":
    raise SystemExit(main())
