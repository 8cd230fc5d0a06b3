"""Boot the test kernel under software emulation and run one shell script in it."""

from __future__ import annotations

import base64
import json
import os
import selectors
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
BUILD = HERE / "build"
Ask = Callable[..., dict[str, Any]]


@dataclass
class Guest:
    """One emulated machine; its console is read line by line.

    Attributes
    ----------
    script : str
        Shell script run inside, as root, with the host's file tree read-only below a tmpfs.
    disk : pathlib.Path or None
        Raw image given as /dev/vda and mounted on /mnt.
    cache : str
        qemu's cache mode of the disk. "writeback" keeps what the guest has not flushed in the host's page
        cache; a killed emulator does not lose that, so a power cut needs `loses_unflushed` (see README).
    root, init
        The host's folder that the guest sees as /, and a program to hand over to instead of the script.
    root_disk : pathlib.Path or None
        Raw image, /dev/vdb, that the guest sees as / instead; only such a machine can be saved. Its other
        disk is left alone: the script mounts it.
    saved : pathlib.Path or None
        What `save` wrote; the machine goes on from there instead of booting.
    arch : str
        "x86_64", or "aarch64" with what `ARCH=arm64 build.sh` made.
    epoch_s : int or None
        Clock of the guest at boot, the hardware's too, UTC epoch seconds; None leaves the emulator's. [s]
    """

    script: str
    disk: Path | None = None
    drive: str | None = None
    cache: str = "writeback"
    mount_options: str = "rw,noatime"
    arch: str = "x86_64"
    epoch_s: int | None = None
    memory_mb: int = 768
    root: Path = Path("/")
    root_disk: Path | None = None
    saved: Path | None = None
    init: str = ""
    lines: list[str] = field(default_factory=list)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Power on."""
        run = base64.b64encode(self.script.encode()).decode()
        arm = self.arch == "aarch64"
        folder = BUILD / "arm64" if arm else BUILD
        machine = ["-machine", "virt", "-cpu", "cortex-a72"] if arm else ["-cpu", "max"]
        console = "console=ttyAMA0" if arm else "console=ttyS0"
        words = [console, "quiet", "panic=-1", f"bench.run={run}"]
        if (self.disk or self.drive) and not self.root_disk:
            words.append(f"bench.disk=/dev/vda,{self.mount_options}")
        if self.root_disk:
            words.append("bench.root=/dev/vdb")
        if self.init:
            words.append(f"bench.init={self.init}")
        rtc: list[str] = []
        if self.epoch_s is not None:
            words.append(f"bench.time={self.epoch_s}")
            rtc = ["-rtc", f"base={time.strftime('%Y-%m-%dT%H:%M:%S', time.gmtime(self.epoch_s))}"]
        args = [
            f"qemu-system-{self.arch}", "-accel", "tcg", *machine, "-m", str(self.memory_mb), "-nographic",
            "-no-reboot", "-kernel", str(folder / "vmlinuz"), "-initrd", str(folder / "initramfs.gz"),
            "-append", " ".join([*words, ""]), "-nic", "none",
        ]  # fmt: skip
        if self.root_disk is None:
            share = f"local,path={self.root},mount_tag=host,security_model=none,readonly=on,multidevs=remap"
            args += ["-virtfs", share]
        args += rtc
        if self.drive:
            args += ["-drive", self.drive]
        elif self.disk:
            args += ["-drive", f"file={self.disk},format=raw,if=virtio,cache={self.cache}"]
        if self.root_disk:
            args += ["-drive", f"file={self.root_disk},format=raw,if=virtio,readonly=on"]
            args += ["-qmp", f"unix:{self._socket()},server=on,wait=off"]
        if self.saved:
            args += ["-incoming", f"exec:cat {self.saved}"]
        self.process = subprocess.Popen(
            args,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )

    def read(self, timeout_s: float) -> Iterator[str]:
        """Yield console lines until the guest ends or the time is over."""
        assert self.process is not None
        assert self.process.stdout is not None
        end = time.monotonic() + timeout_s
        fd = self.process.stdout.fileno()
        os.set_blocking(fd, False)
        rest = b""
        with selectors.DefaultSelector() as selector:
            selector.register(fd, selectors.EVENT_READ)
            while (left := end - time.monotonic()) > 0:
                if not selector.select(min(left, 1.0)):
                    continue
                chunk = os.read(fd, 65536)
                if not chunk:
                    return
                *whole, rest = (rest + chunk).split(b"\n")
                for raw in whole:
                    line = raw.decode(errors="replace").rstrip("\r")
                    self.lines.append(line)
                    yield line

    def run(self, timeout_s: float = 300.0, *, show: bool = False) -> int:
        """Power on, wait for the script to end, return its exit code; -1 if it did not end in time."""
        self.start()
        code = -1
        for line in self.read(timeout_s):
            if show:
                print(line, flush=True)
            if line.startswith("BENCH-EXIT "):
                code = int(line.split()[1])
                break
        self.cut()
        return code

    def write(self, line: str) -> None:
        """Type a line on the console."""
        assert self.process is not None
        assert self.process.stdin is not None
        self.process.stdin.write(f"{line}\n".encode())
        self.process.stdin.flush()

    def save(self, to: Path) -> None:
        """Write the whole machine but its disks to a file and switch it off."""
        with self._control() as ask:
            ask("stop")
            ask("migrate", uri=f"exec:cat > {to}")
            while (status := ask("query-migrate").get("status")) not in {"completed", "failed"}:
                time.sleep(0.2)
        self.cut()
        if status == "failed":
            raise RuntimeError("the machine could not be saved")

    def go_on(self) -> None:
        """Let a machine run that begins as it was saved."""
        with self._control() as ask:
            while ask("query-status").get("status") == "inmigrate":
                time.sleep(0.1)
            ask("cont")

    @contextmanager
    def _control(self) -> Iterator[Ask]:
        """Talk to the emulator itself."""
        with socket.socket(socket.AF_UNIX) as control:
            for _ in range(200):
                with suppress(OSError):
                    control.connect(str(self._socket()))
                    break
                time.sleep(0.1)
            talk = control.makefile("rw")

            def ask(command: str, **arguments: object) -> dict[str, Any]:
                talk.write(json.dumps({"execute": command, "arguments": arguments}) + "\n")
                talk.flush()
                while "return" not in (said := json.loads(talk.readline())):
                    if "error" in said:
                        raise RuntimeError(str(said["error"]))
                return dict(said["return"])

            talk.readline()  # its greeting
            ask("qmp_capabilities")
            yield ask

    def _socket(self) -> Path:
        assert self.root_disk is not None
        return self.root_disk.with_suffix(f".{os.getpid()}.qmp")

    def cut(self) -> None:
        """Cut the power: the emulator is killed where it stands."""
        if self.process is not None and self.process.poll() is None:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()


def output(guest: Guest) -> str:
    """Return what the script printed, without the boot."""
    try:
        start = next(i for i, line in enumerate(guest.lines) if "BENCH-READY" in line)
    except StopIteration:
        return "\n".join(guest.lines)
    return "\n".join(guest.lines[start + 1 :])
