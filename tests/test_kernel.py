"""The kernel process survives what native code can do, and says what happened."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from soffit.errors import FileError, KernelCrash, KernelError, KernelTimeout
from soffit.part import kernel

ROOT = Path(__file__).resolve().parent.parent


def pid() -> int:
    found = kernel.call("os:getpid")
    assert isinstance(found, int)
    return found


def alive(process: int) -> bool:
    """Whether a process still runs; one that is dead but not yet collected does not."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def gone_within(process: int, seconds: float) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if not alive(process):
            return True
        time.sleep(0.02)
    return False


def test_result_comes_back_and_the_process_is_kept() -> None:
    assert kernel.call("math:comb", 40, 20) == 137846528820
    assert pid() == pid() != os.getpid()


def test_kernel_library_is_not_loaded_here() -> None:
    script = (
        "import sys\nfrom soffit.part import kernel\nkernel.call('os:getpid')\n"
        "assert not any(m.split('.')[0] in ('OCP', 'numpy') for m in sys.modules)"
    )
    subprocess.run([sys.executable, "-c", script], cwd=ROOT, check=True, timeout=60)


def test_error_inside_names_the_operation_and_the_process_lives_on() -> None:
    before = pid()
    with pytest.raises(KernelError, match=r"^reading x\.step: .*ValueError: invalid literal.*;"):
        kernel.call("builtins:int", "x", doing="reading x.step")
    assert pid() == before


def test_error_on_purpose_passes_as_it_is() -> None:
    with pytest.raises(FileError, match="cannot be opened") as caught:
        kernel.call("soffit.part.brep.read:read_step", "no such file.step", 0.02, False)
    assert caught.value.kind == "file/unreadable"


def test_exception_of_the_native_library_becomes_a_kernel_error() -> None:
    with pytest.raises(KernelError, match=r"^cutting: .*Standard_"):
        kernel.call("OCP.gp:gp_Dir", 0.0, 0.0, 0.0, doing="cutting")


def test_segmentation_fault_is_a_crash_and_the_next_call_works() -> None:
    before = pid()
    with pytest.raises(KernelCrash, match=r"^fusing: .*crashed"):
        kernel.call("ctypes:string_at", 0, doing="fusing")
    assert pid() != before


def test_endless_call_is_stopped_in_time() -> None:
    before = pid()
    start = time.monotonic()
    with pytest.raises(KernelTimeout, match=r"^meshing: .*within 0\.4 s"):
        kernel.call("time:sleep", 60, timeout_s=0.4, doing="meshing")
    assert 0.4 <= time.monotonic() - start < 2
    assert gone_within(before, 1) or sys.platform != "linux"
    assert kernel.call("operator:add", 2, 3) == 5


@pytest.mark.skipif(sys.platform != "linux", reason="address space is limited on Linux only")
def test_memory_is_limited() -> None:
    with pytest.raises(KernelError, match=r"^growing: .*2 GB of memory"):
        kernel.call("builtins:bytes", 3 * 2**30, memory_limit_bytes=2 * 2**30, doing="growing")
    # A limit is that of one process: back to the default, the same call has room.
    assert kernel.call("operator:length_hint", b"abc") == 3


def test_what_is_printed_inside_does_not_mix_with_the_answers() -> None:
    assert kernel.call("builtins:print", "x" * 100000) is None
    assert kernel.call("os:write", 1, b"\x00" * 64) == 64
    assert kernel.call("os:read", 0, 10) == b""
    assert kernel.call("operator:neg", 7) == -7


def test_calls_from_many_threads_each_get_their_own_answer() -> None:
    found: dict[int, object] = {}

    def ask(n: int) -> None:
        found[n] = kernel.call("operator:mul", n, n)

    threads = [threading.Thread(target=ask, args=(n,)) for n in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert found == {n: n * n for n in range(12)}


def test_process_outlives_the_thread_that_made_the_first_call() -> None:
    kernel.stop()
    first: list[int] = []
    thread = threading.Thread(target=lambda: first.append(pid()))
    thread.start()
    thread.join()
    time.sleep(0.2)
    assert [pid()] == first


def test_stop_ends_the_process() -> None:
    before = pid()
    kernel.stop()
    assert gone_within(before, 2) or sys.platform != "linux"


def run(script: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-W", "ignore", "-c", script],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    )


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux ties a child to its parent")
def test_process_dies_with_a_parent_that_is_killed_in_mid_call() -> None:
    script = (
        "from soffit.part import kernel\n"
        "print(kernel.call('os:getpid'), flush=True)\nkernel.call('time:sleep', 60)"
    )
    with run(script) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        assert alive(child)
        parent.kill()
        parent.wait()
        assert gone_within(child, 2)


@pytest.mark.skipif(sys.platform != "linux", reason="needs /proc")
def test_process_ends_when_the_parent_ends_by_itself() -> None:
    script = "from soffit.part import kernel\nprint(kernel.call('os:getpid'), flush=True)"
    with run(script) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        assert parent.wait(10) == 0
        assert gone_within(child, 2)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this platform does not fork")
def test_forked_process_gets_a_kernel_of_its_own() -> None:
    script = (
        "import os\nfrom soffit.part import kernel\n"
        "mine = kernel.call('os:getpid')\n"
        "if os.fork() == 0:\n"
        "    other = kernel.call('os:getpid')\n"
        "    kernel.stop()\n"
        "    os._exit(0 if other != mine else 5)\n"
        "code = os.waitstatus_to_exitcode(os.wait()[1])\n"
        "assert kernel.call('os:getpid') == mine\n"
        "print(code)"
    )
    with run(script) as parent:
        out, _ = parent.communicate(timeout=30)
    assert out.split() == ["0"]
    assert parent.returncode == 0


@pytest.mark.skipif(sys.platform == "win32", reason="signals of a terminal differ there")
def test_interrupt_ends_a_waiting_call_at_once() -> None:
    import signal

    script = (
        "import time\nfrom soffit.part import kernel\n"
        "print(kernel.call('os:getpid'), flush=True)\n"
        "start = time.monotonic()\n"
        "try:\n    kernel.call('time:sleep', 60)\n"
        "except KeyboardInterrupt:\n    print(time.monotonic() - start < 10)"
    )
    with run(script) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        time.sleep(0.3)
        start = time.monotonic()
        parent.send_signal(signal.SIGINT)
        assert parent.stdout.readline().strip() == "True"
        assert parent.wait(5) == 0
        assert time.monotonic() - start < 2
        assert gone_within(child, 1)
