"""Workers end when whoever started them is gone, at work or waiting."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from photoaz.audit import executors

#: starts two workers, writes their numbers, and lets them work, or wait for more, until it is killed
PARENT = r"""
    import os, sys, time
    from photoaz.audit.executors import crew

    def at_work(seconds):
        os.write(1, f"{os.getpid()}\n".encode())
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            sum(range(1000)) if sys.argv[1] == "busy" else time.sleep(0.1)

    if __name__ == "__main__":
        with crew(2, None) as workers:
            for _ in workers.do(at_work, [600.0 if sys.argv[1] != "waiting" else 0.2] * 2):
                pass
            time.sleep(600.0)
"""


def alive(pid: int) -> bool:
    """Is there such a process, and is it more than a dead one that nobody asked about?"""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="asks /proc who is alive")
@pytest.mark.parametrize("prctl", [True, False], ids=["prctl", "pipe alone"])
@pytest.mark.parametrize("state", ["busy", "asleep", "waiting"])
def test_workers_end_when_their_parent_is_killed(tmp_path: Path, state: str, prctl: bool) -> None:
    script = tmp_path / "parent.py"
    text = textwrap.dedent(PARENT)
    if not prctl:  # in the workers as well, which import the script
        text = f"from photoaz.audit import executors\nexecutors.die_with_parent = lambda: None\n{text}"
    script.write_text(text)
    parent = subprocess.Popen([sys.executable, str(script), state], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    workers = {int(parent.stdout.readline()) for _ in range(2)}
    if state == "waiting":
        time.sleep(0.5)
    assert all(alive(pid) for pid in workers)
    os.kill(parent.pid, signal.SIGKILL)
    parent.wait(10)
    parent.stdout.close()
    until = time.monotonic() + 10.0
    while any(alive(pid) for pid in workers) and time.monotonic() < until:
        time.sleep(0.05)
    left = [pid for pid in workers if alive(pid)]
    for pid in left:
        os.kill(pid, signal.SIGKILL)
    assert left == []


def test_who_has_no_parent_of_its_own_is_left_alone() -> None:
    """As a cluster's worker, or this process."""
    executors.end_with_parent()
