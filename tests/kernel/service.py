"""The service under a true init: systemd in the guest, bankbook as systemd/install.sh installed it.

tests/kernel/init_root.sh && python tests/kernel/service.py
"""

import argparse
from pathlib import Path

from guest import BUILD, Guest, output

PAST_S = 1_262_304_000  # 2010-01-01: a board whose clock has no battery


def main() -> int:
    """Boot, watch, and show the trials; exit code 1 if one failed or did not report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--root", type=Path, default=BUILD / "debian")
    parser.add_argument("--timeout", type=float, default=3600)
    args = parser.parse_args()
    guest = Guest("", root=args.root, init="/lib/systemd/systemd", memory_mb=1024, epoch_s=PAST_S)
    code = guest.run(args.timeout, show=True)
    text = output(guest)
    trials = [line for line in text.splitlines() if line.startswith("TRIAL ")]
    return 0 if code == 0 and len(trials) >= 11 and not any(" FAILED " in t for t in trials) else 1


if __name__ == "__main__":
    raise SystemExit(main())
