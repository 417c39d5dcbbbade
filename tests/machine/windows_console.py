"""Run under Windows in a console of its own: start a command, press Ctrl-C as soon as it reads.

    python windows_console.py COMMAND...

Prints, as JSON, how the command ended and which of its processes are still there.
"""

import ctypes
import json
import signal
import subprocess
import sys
import time

import psutil

WAIT_SECONDS = 60
GROUP_OF_THE_CONSOLE = 0


def main() -> None:
    """Start it, wait for its readers, press the keys, wait for its end."""
    kernel = ctypes.WinDLL("kernel32")  # type: ignore[attr-defined]
    run = subprocess.Popen(sys.argv[1:], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
    readers: list[psutil.Process] = []
    until = time.monotonic() + WAIT_SECONDS
    while not readers and run.poll() is None and time.monotonic() < until:
        readers = psutil.Process(run.pid).children()
        time.sleep(0.05)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the keys are everybody's in the console
    kernel.GenerateConsoleCtrlEvent(signal.CTRL_C_EVENT, GROUP_OF_THE_CONSOLE)  # type: ignore[attr-defined]
    code = run.wait(WAIT_SECONDS)
    _, alive = psutil.wait_procs(readers, timeout=WAIT_SECONDS / 6)
    ended = {"code": code, "readers": len(readers), "alive": len(alive)}
    sys.stdout.write(json.dumps(ended))


if __name__ == "__main__":
    main()
