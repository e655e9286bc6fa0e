"""How many lines of a drafted recipe must be changed, folder by folder, and how long drafting takes.

`python -m tests.bench.bench_draft` prints a table for the thirty folders of the generator. `--first 30` takes the next
thirty, drawn from the same words and habits but never looked at while tuning; `--renamed` gives the files other names,
among them made-up words, so that only sides, numbers and the sound tell anything (judge with `--first 60` or above).
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from layerpipe.jobs.draft import draft_recipe
from tests.support.sessions.recipe_score import changed_lines
from tests.support.sessions.renamed_folders import renamed, style_of
from tests.support.sessions.session_folders import FOLDERS, plan_folder, write_folder


@dataclass(frozen=True)
class Row:
    """One folder."""

    files: int
    lines: int
    muted: int
    cpu_s: float
    minutes: float


def drafted(number: int, place: Path, *, other_names: bool) -> Row:
    """Write a folder, draft its recipe, count."""
    plan = plan_folder(number)
    plan = renamed(plan) if other_names else plan
    folder = write_folder(plan, place)
    begun = time.process_time()
    draft = draft_recipe(folder, folder)
    cpu_s = time.process_time() - begun
    lasts_s = {source.file.path: source.file.seconds for take in draft.understood.takes for one in take.passes
               for source in one.sources}
    return Row(len(plan.truth.files), changed_lines(draft.text, plan.truth),
               sum(take.muted for take in draft.understood.takes), cpu_s, sum(lasts_s.values()) / 60)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=FOLDERS)
    parser.add_argument("--renamed", action="store_true")
    asked = parser.parse_args()
    rows = []
    print("folder  title                     names      files  changed lines  muted  cpu s")
    with tempfile.TemporaryDirectory() as place:
        for number in range(asked.first, asked.first + asked.count):
            row = drafted(number, Path(place), other_names=asked.renamed)
            rows.append(row)
            style = style_of(number) if asked.renamed else "its own"
            title = plan_folder(number).truth.title
            print(f"{number:6}  {title:24}  {style:9}  {row.files:5}  {row.lines:13}  {row.muted:5}  {row.cpu_s:5.2f}")
    lines = [row.lines for row in rows]
    per_minute = sum(row.cpu_s for row in rows) / sum(row.minutes for row in rows)
    print(f"changed lines: median {statistics.median(lines):g}, most {max(lines)}; {per_minute:.2f} s of processor "
          "time a file-minute")


if __name__ == "__main__":
    main()
