"""The logger on the kernel's own CAN: run `bus_inside.py` in the guest and show its trials.

python tests/kernel/bus.py --full-seconds 120
"""

import argparse

from guest import HERE, Guest, output

ROOT = HERE.parents[1]


def main() -> int:
    """Run; exit code 1 if a trial failed or did not report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--full-seconds", type=float, default=120)
    parser.add_argument("--timeout", type=float, default=1800)
    parser.add_argument(
        "trials", nargs="*", help="steady full full-start unfiltered drops wide errors serial; all"
    )
    args = parser.parse_args()
    words = f"{args.full_seconds:g} {' '.join(args.trials)}"
    python = f"cd {ROOT} && PYTHONPATH={ROOT} .venv/bin/python tests/kernel/bus_inside.py {words}"
    guest = Guest(python, memory_mb=1024)
    code = guest.run(args.timeout, show=True)
    text = output(guest)
    trials = [line for line in text.splitlines() if line.startswith("TRIAL ")]
    failed = any(" FAILED " in t for t in trials)
    return 0 if code == 0 and len(trials) >= (2 * len(args.trials) or 20) and not failed else 1


if __name__ == "__main__":
    raise SystemExit(main())
