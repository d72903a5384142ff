"""Several processes under one terminal: output, restarts, and an end that leaves nothing behind."""

import io
import os
import signal
import subprocess
import sys
import textwrap
import time

import pytest

from rentals.runtime.bootstrap import PROJECT
from rentals.runtime.errors import StartError
from rentals.runtime.servers import is_alive, wait_gone
from rentals.runtime.supervisor import Program, Supervisor


def python(name: str, code: str, **options: float) -> Program:
    return Program(name, [sys.executable, "-u", "-c", textwrap.dedent(code)], **options)


@pytest.fixture
def supervisor():
    made = Supervisor(environment=os.environ, out=io.StringIO())
    yield made
    made._stops_asked = 2
    made.stop()


def watch_until(supervisor: Supervisor, condition, seconds: float = 10) -> None:
    """Watch as the demo does, until something is seen."""
    limit = time.monotonic() + seconds
    original = supervisor.pump

    def pump(wait: float) -> None:
        original(wait)
        if condition() or time.monotonic() > limit:
            supervisor._ask_to_stop()

    supervisor.pump = pump
    supervisor.watch()
    assert condition()
    supervisor.pump = original


class TestOutput:
    def test_every_line_carries_its_program(self, supervisor: Supervisor):
        assert supervisor.run_to_end(python("first", "print('one'); print('two', end='')")) == 0
        lines = supervisor.out.getvalue().splitlines()
        assert [line.split(" ", 1)[1] for line in lines] == ["first   | one", "first   | two"]

    def test_bytes_that_are_no_text_do_not_stop_it(self, supervisor: Supervisor):
        supervisor.run_to_end(python("first", r"import sys; sys.stdout.buffer.write(b'\xff\xfe ok\n')"))
        assert "ok" in supervisor.out.getvalue()

    def test_a_closed_terminal_does_not_stop_it(self, supervisor: Supervisor):
        supervisor.out.close()
        assert supervisor.run_to_end(python("first", "print('one')")) == 0


class TestStart:
    def test_tells_of_a_program_that_ends_while_starting(self, supervisor: Supervisor):
        supervisor.start(python("web", "raise SystemExit(7)"))
        with pytest.raises(StartError, match=r"web process ended while starting \(exit code 7\)"):
            supervisor.wait_until(lambda: False, "web", seconds=10)

    def test_tells_of_a_program_that_never_answers(self, supervisor: Supervisor):
        supervisor.start(python("web", "import time; time.sleep(60)"))
        with pytest.raises(StartError, match="web process did not answer within 1 seconds"):
            supervisor.wait_until(lambda: False, "web", seconds=1)


class TestWatch:
    def test_a_killed_program_is_started_again(self, supervisor: Supervisor):
        supervisor.start(python("worker", "import time; print('up'); time.sleep(60)"))
        first = supervisor.running["worker"].process.pid
        os.kill(first, signal.SIGKILL)
        watch_until(supervisor, lambda: supervisor.running["worker"].process.pid != first and "up" in supervisor.out.getvalue())
        assert "worker ended unexpectedly (signal SIGKILL); starting it again." in supervisor.out.getvalue()

    def test_a_program_that_keeps_ending_is_given_up(self, supervisor: Supervisor):
        supervisor.start(python("beat", "print('last words'); raise SystemExit(1)"))
        with pytest.raises(StartError, match=r"beat process keeps ending \(exit code 1\)"):
            supervisor.watch()
        assert supervisor.out.getvalue().count("starting it again") == 3
        assert supervisor.out.getvalue().count("last words") == 4


class TestStop:
    def test_waits_for_work_in_hand_within_its_grace(self, supervisor: Supervisor):
        code = """
            import signal, sys, time
            signal.signal(signal.SIGTERM, lambda *_: (time.sleep(0.5), print('finished'), sys.exit(0)))
            print('up'); time.sleep(60)
        """
        supervisor.start(python("worker", code))
        supervisor.wait_until(lambda: "up" in supervisor.out.getvalue(), "worker", seconds=10)
        supervisor.stop()
        assert "finished" in supervisor.out.getvalue()

    def test_ends_what_will_not_end(self, supervisor: Supervisor):
        code = """
            import signal, time
            signal.signal(signal.SIGTERM, signal.SIG_IGN); signal.signal(signal.SIGQUIT, signal.SIG_IGN)
            print('up'); time.sleep(60)
        """
        supervisor.start(python("worker", code, grace=0.3))
        supervisor.wait_until(lambda: "up" in supervisor.out.getvalue(), "worker", seconds=10)
        process = supervisor.running["worker"].process
        began = time.monotonic()
        supervisor.stop()
        assert process.returncode == -signal.SIGKILL
        assert 1.5 < time.monotonic() - began < 6

    def test_a_killed_supervisor_takes_its_programs_with_it(self):
        code = f"""
            import sys
            from rentals.runtime.supervisor import Program, Supervisor
            import os
            made = Supervisor(environment=os.environ)
            made.start(Program("child", [{sys.executable!r}, "-c", "import time; time.sleep(60)"]))
            print(made.running["child"].process.pid, flush=True)
            made.watch()
        """
        parent = subprocess.Popen([sys.executable, "-c", textwrap.dedent(code)], stdout=subprocess.PIPE, text=True, cwd=PROJECT)
        child = int(parent.stdout.readline())
        assert is_alive(child)
        parent.kill()
        parent.wait()
        parent.stdout.close()
        assert wait_gone(child, seconds=10)
