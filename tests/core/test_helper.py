"""Work in other processes: it is done there, done here if they are lost, and none of them is left over."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from layerpipe.core.helper import Helper, HelperLostError, do_side_by_side
from tests.support.helper_calls import counted, endless, refused
from tests.support.waiting import PATIENCE_S, wait_until

PROJECT = Path(__file__).resolve().parents[2]


def is_running(pid: int) -> bool:
    """Whether there is such a process; one that has ended may not have been asked for its exit code yet."""
    try:
        os.kill(pid, 0)
        return Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2][0] != "Z"
    except ProcessLookupError:
        return False
    except FileNotFoundError:
        return not Path("/proc").is_dir()


def test_a_helper_works_in_another_process_and_reports_its_progress():
    reported = []
    with Helper() as helper:
        first, again = (helper.call(counted, count, on_progress=reported.append) for count in (3, 2))
    assert first[0] == again[0] != os.getpid()
    assert (first[1], again[1], reported) == (3, 2, [0.0, 1.0, 2.0, 0.0, 1.0])
    assert not is_running(first[0])


@pytest.mark.parametrize("asked", [(refused,), (lambda on_progress: 1,), (counted, threading.Lock())],
                         ids=["fails", "no function of a module", "cannot be sent"])
def test_what_fails_there_is_lost(asked):
    with Helper() as helper, pytest.raises(HelperLostError):
        helper.call(*asked, on_progress=lambda done: None)


def test_jobs_are_done_once_each_here_and_there():
    done = []

    def do(job, helper):
        done.append((job, os.getpid() if helper is None else helper.call(counted, 1, on_progress=lambda done: None)[0]))

    do_side_by_side(range(3000), do, threads=3, helpers=1)
    assert sorted(job for job, _ in done) == list(range(3000))
    assert len({pid for _, pid in done}) <= 2


@pytest.mark.parametrize("kind", ["killed", "fails", "cannot start"])
def test_the_work_of_a_lost_helper_is_done_here(kind, monkeypatch):
    if kind == "cannot start":
        monkeypatch.setattr(sys, "executable", "/no/such/interpreter")
    done, was_there = [], threading.Event()

    def do(job, helper):
        if helper is None:
            # Whoever has no helper leaves something to the other.
            assert kind == "cannot start" or was_there.wait(PATIENCE_S)
            done.append(job)
            return
        was_there.set()
        helper.call(*((endless,) if kind == "killed" else (refused,)), on_progress=lambda pid: os.kill(int(pid), 9))

    do_side_by_side(range(4), do, threads=2, helpers=1)
    assert sorted(done) == [0, 1, 2, 3]


def test_an_error_or_an_interrupt_here_ends_what_runs_there():
    pids, is_there = [], threading.Event()

    def note(pid):
        pids.append(int(pid))
        is_there.set()

    def do(job, helper):
        if helper is not None:
            helper.call(endless, on_progress=note)
        assert is_there.wait(PATIENCE_S)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        do_side_by_side(range(2), do, threads=2, helpers=1)
    assert not is_running(pids[0])


def test_a_helper_ends_with_the_process_it_works_for():
    script = ("from layerpipe.core.helper import Helper\nfrom tests.support.helper_calls import endless\n"
              "Helper().call(endless, on_progress=lambda pid: print(int(pid), flush=True))")
    parent = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, cwd=PROJECT, text=True)
    with parent:
        assert parent.stdout is not None
        pid = int(parent.stdout.readline())
        parent.kill()
    wait_until(lambda: not is_running(pid))
