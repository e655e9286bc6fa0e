"""Make the demo stems anew: `python demo_stems/make_demo.py [--to FOLDER] [--seconds S]`.

Everything is seeded; the same machine and library versions give the same files, byte for byte. With --seconds only the
beginning of each file is made; apart from the last bit it is the beginning of the whole.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

import copper
import lantern
import rooms
from strings import Array


def files(seconds: float | None = None) -> dict[str, tuple[int, Callable[[], Array]]]:
    """Name of each file with its rate and what renders it."""
    found: dict[str, tuple[int, Callable[[], Array]]] = {}
    lantern_s = lantern.SECONDS if seconds is None else min(seconds, lantern.SECONDS)
    copper_s = copper.SECONDS if seconds is None else min(seconds, copper.SECONDS)
    for plan in lantern.TAKES:
        found[plan.file] = (lantern.RATE_HZ, lambda plan=plan: lantern.take(plan, lantern_s))
    found["bed.flac"] = (lantern.RATE_HZ, lambda: lantern.bed(lantern_s))
    for electric in copper.TAKES:
        found[electric.file] = (electric.rate_hz, lambda plan=electric: copper.take(plan, copper_s))
    return found


def main() -> None:
    """Write every stem."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--to", type=Path, default=Path(__file__).parent, help="folder to write to")
    parser.add_argument("--seconds", type=float, default=None, help="only the beginning")
    parser.add_argument("--only", default="", help="only files whose name holds this")
    asked = parser.parse_args()
    asked.to.mkdir(parents=True, exist_ok=True)
    for name, (rate_hz, render) in files(asked.seconds).items():
        if asked.only in name:
            rooms.write_flac(asked.to / name, render(), rate_hz)
            print(name)


if __name__ == "__main__":
    main()
