"""The demo on 64-bit Arm: a whole Debian with Debian's arm64 kernel, emulated.

ARCH=arm64 bash tests/kernel/build.sh && bash tests/kernel/arm_root.sh && python tests/kernel/arm.py
"""

import argparse
import time

from guest import BUILD, Guest

SCRIPT = """
export LC_ALL=C.UTF-8 HOME=/root PATH=/usr/bin:/bin PYTHONPATH=/src:/site PYTHONDONTWRITEBYTECODE=1
cd /root
uname -srm
python3 -c 'import platform; print(platform.machine(), platform.python_version())'
python3 -m logger demo --weeks {weeks} --seconds {seconds}
code=$?
python3 -m logger verify --config bankbook-demo/bank.toml
exit $code
"""


def main() -> int:
    """Boot, run the demo, show what it says; return its exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--weeks", type=int, default=1)
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--timeout", type=float, default=5400)
    args = parser.parse_args()
    guest = Guest(
        SCRIPT.format(weeks=args.weeks, seconds=args.seconds), arch="aarch64", memory_mb=1536,
        root=BUILD / "arm64" / "debian", epoch_s=int(time.time()),
    )  # fmt: skip
    return guest.run(args.timeout, show=True)


if __name__ == "__main__":
    raise SystemExit(main())
