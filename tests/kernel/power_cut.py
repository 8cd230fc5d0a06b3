"""Cut the power of the guest while the record is being written, many times, and look at what is left.

The record lies on an ext4 file system on a virtual disk. The emulator's block layer logs every write and
flush; after a SIGKILL at a random instant, disks are made that such a cut could have left: what was written
since the last flush may be there, missing or torn (see `diskcut`). Each is mounted, the file system's journal
replayed, and the record opened, checked and compared with the console's ledger.

    python tests/kernel/power_cut.py --kills 50 --cuts 4
"""

import argparse
import json
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from diskcut import cut_image, entries
from guest import HERE, Guest

ROOT = HERE.parents[1]
SIZE_MB = 96


@dataclass
class Ledger:
    """What the console said, each line with the number of requests logged when it was read."""

    lines: list[tuple[int, str]] = field(default_factory=list)

    def safe(self, at: int) -> tuple[int, int]:
        """Return the newest instant committed and sealed for sure when request `at` was issued. [ms]"""
        committed = sealed = 0
        for seen, line in self.lines:
            if seen <= at and line.startswith("COMMITTED"):
                committed = int(line.split()[1])
            if seen <= at and line.startswith("SEALED"):
                sealed = int(line.split()[1])
        return committed, sealed

    def doing(self, at: int) -> str:
        """Return what the writer was doing: the last line before."""
        return next((line.split()[0] for seen, line in reversed(self.lines) if seen <= at), "STARTING")


def make_image(path: Path) -> None:
    """Make an empty ext4 file system."""
    with path.open("wb") as f:
        f.truncate(SIZE_MB << 20)
    subprocess.run(["mkfs.ext4", "-q", "-F", str(path)], check=True)


def one_life(image: Path, log: Path, rng: random.Random, writer_args: str, longest_s: float) -> Ledger:
    """Power on, let the writer work for a random time, cut the power; return the ledger."""
    with log.open("wb") as f:
        f.truncate(4 << 30)  # sparse
    drive = (
        f"driver=blklogwrites,file.driver=file,file.filename={image},log.driver=file,"
        f"log.filename={log},log-sector-size=512,if=virtio"
    )
    script = (
        f"cd {ROOT} && PYTHONPATH={ROOT} .venv/bin/python tests/kernel/writer.py /mnt/bank.db {writer_args}"
    )
    guest = Guest(script, drive=drive)
    ledger, counter = Ledger(), LogCounter(log)
    guest.start()
    started, end = False, time.monotonic() + 240
    for line in guest.read(300):
        if line.split(" ")[0] in {
            "WRITER",
            "OFFERED",
            "COMMITTED",
            "SEALING",
            "SEALED",
            "BACKUP",
            "BACKED-UP",
        }:
            ledger.lines.append((counter.count(), line))
            if not started and line.startswith("WRITER"):
                started, end = True, time.monotonic() + rng.uniform(0.2, longest_s)
        elif "Error" in line or "BENCH-EXIT" in line:
            guest.cut()
            raise RuntimeError("the writer failed:\n" + "\n".join(guest.lines[-30:]))
        if time.monotonic() > end:
            break
    guest.cut()
    return ledger


class LogCounter:
    """Counts the requests in a growing log without reading it again."""

    def __init__(self, log: Path) -> None:
        self._log, self._at, self._n = log, 512, 0

    def count(self) -> int:
        """Return how many requests are in the log by now."""
        for entry in entries(self._log, self._at):
            self._n += 1
            self._at = entry.end
        return self._n


def check(image: Path, folder: Path, need: tuple[int, int]) -> dict[str, object]:
    """Mount an image, replay its journal, open the record and compare it with the ledger."""
    mount = folder / "mnt"
    mount.mkdir(exist_ok=True)
    subprocess.run(["mount", "-o", "loop", str(image), str(mount)], check=True)
    try:
        run = subprocess.run(
            [sys.executable, str(HERE / "inspect_record.py"), str(mount / "bank.db"), *map(str, need)],
            capture_output=True,
            text=True,
            cwd=ROOT,
            check=False,
        )
    finally:
        subprocess.run(["umount", str(mount)], check=True)
    if run.returncode != 0:
        return {"ok": False, "why": run.stderr[-600:] or run.stdout[-600:]}
    return dict(json.loads(run.stdout))


def main() -> int:
    """Run the bench; print one line a cut and a summary."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--cuts", type=int, default=4, help="disks made from each kill's log")
    parser.add_argument("--longest", type=float, default=12.0, help="longest life after the writer is up [s]")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--writer", default="", help="arguments for writer.py")
    args = parser.parse_args()
    rng, folder = random.Random(args.seed), Path(tempfile.mkdtemp(prefix="bankbook-cut-"))
    image, base, log, cut = (folder / n for n in ("disk.img", "base.img", "writes.log", "cut.img"))
    make_image(image)
    results: Counter[str] = Counter()
    doing: Counter[str] = Counter()
    worst_s = 0.0
    for kill in range(args.kills):
        shutil.copyfile(image, base)
        ledger = one_life(image, log, rng, args.writer, args.longest)
        # The last request may have been half logged when the emulator died.
        total = LogCounter(log).count() - 1
        first = next((seen for seen, line in ledger.lines if line.startswith("WRITER")), total)
        for number in range(args.cuts):
            at = total if number == 0 else rng.randint(min(first, total), total)
            made = cut_image(base, log, cut, rng, at=at)
            need = ledger.safe(at)
            found = check(cut, folder, need)
            results["ok" if found["ok"] else "bad"] += 1
            doing[ledger.doing(at)] += 1
            worst_s = max(worst_s, float(str(found.get("missing_s", 0.0))))
            print(
                f"kill {kill:3d} cut {number} after {at:6d} of {total} requests, {made.lost} lost, "
                f"{made.torn} torn, while {ledger.doing(at):10s}: {found}",
                flush=True,
            )
            if not found["ok"]:
                shutil.copyfile(cut, folder / f"bad-{kill}-{number}.img")
        shutil.copyfile(cut if found["ok"] else base, image)  # life goes on from what the cut left
    print(
        f"disks looked at: {sum(results.values())} from {args.kills} kills; {dict(results)}; "
        f"cut while: {dict(doing)}; committed readings missing at worst: {worst_s:.0f} s",
        flush=True,
    )
    if not results["bad"]:
        shutil.rmtree(folder)
    return 1 if results["bad"] else 0


if __name__ == "__main__":
    raise SystemExit(main())
