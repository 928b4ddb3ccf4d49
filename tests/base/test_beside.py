"""A second process beside this one: the same values with and without it, however it ends.

Outside reference: the operating system's list of processes.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pytest
from executor_work import dies_elsewhere, refuses, shifted

from fluxsense.base.beside import aside, beside, cores
from fluxsense.base.errors import InputError


def test_the_same_with_and_without() -> None:
    with beside(True, ("executor_work",)) as helper:
        assert helper is not None
        waiting = [aside(helper, shifted, 0.5, n) for n in range(20)]
        assert [w() for w in waiting] == [aside(None, shifted, 0.5, n)() for n in range(20)]
        assert aside(helper, os.getpid)() != os.getpid()  # it was another process
    with beside(False) as helper:
        assert helper is None


def test_an_error_is_raised_where_it_was_asked() -> None:
    with beside(True) as helper:
        refused = aside(helper, refuses, None, 3)
        after = aside(helper, shifted, 0.5, 1)
        with pytest.raises(InputError, match="refused"):
            refused()
        assert after() == shifted(0.5, 1)


def test_what_a_dead_process_was_asked_is_done_here() -> None:
    with beside(True) as helper:
        waiting = [aside(helper, dies_elsewhere, os.getpid(), n) for n in range(3)]
        assert [w() for w in waiting] == [0, 1, 2]


def _alive(pid: int) -> bool:
    try:
        with open(f"/proc/{pid}/stat", encoding="ascii") as file:
            return file.read().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.skipif(not os.path.exists("/proc/self/stat"), reason="needs the list of processes")
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_it_ends_with_the_process_that_started_it(how: signal.Signals) -> None:
    code = (
        "import os, signal, time\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # whoever runs tests in the background ignores it
        "from fluxsense.base.beside import aside, beside\n"
        "if __name__ == '__main__':\n"
        "    with beside(True) as helper:\n"
        "        print(aside(helper, os.getpid)(), flush=True)\n"
        "        time.sleep(60)\n"
    )
    first = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    assert first.stdout is not None
    second = int(first.stdout.readline())
    assert _alive(second)
    first.send_signal(how)
    first.wait(20)
    first.stdout.close()
    end = time.monotonic() + 20
    while _alive(second) and time.monotonic() < end:
        time.sleep(0.05)
    assert not _alive(second)


def test_cores_are_those_that_may_be_used() -> None:
    if hasattr(os, "sched_setaffinity"):
        code = "import os; from fluxsense.base.beside import cores; os.sched_setaffinity(0, {min(os.sched_getaffinity(0))}); print(cores())"
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        assert done.stdout.strip() == "1"
    assert 1 <= cores() <= (os.cpu_count() or 1)
