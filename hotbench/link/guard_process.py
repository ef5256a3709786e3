"""The guard's own process: run as a file, standard library only, so that it starts at once.

Arguments: descriptor of the port, descriptor of the pipe from the host, longest silence in
seconds, safe bytes in hexadecimal. On the pipe any byte is a sign of life, QUIT ends the guard.
READY goes to standard output once nothing but SIGKILL can end the guard unheard.
"""

import os
import select
import signal
import sys
import time

QUIT = b"Q"
READY = b"R"
SHOUTS = 3
PAUSE_s = 0.4
PARENT_CHECK_s = 0.5
WRITE_PATIENCE_s = 0.3


def main(arguments: list[str]) -> None:
    """Guard until the host quits, dies or has been silent for too long."""
    port, pipe = int(arguments[0]), int(arguments[1])
    silence_s, safe = float(arguments[2]), bytes.fromhex(arguments[3])
    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGPIPE):
        signal.signal(number, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, lambda *_: _leave(port, safe))
    os.write(sys.stdout.fileno(), READY)
    guard(port, pipe, silence_s, safe)


def guard(port: int, pipe: int, silence_s: float, safe: bytes) -> None:
    """Watch the pipe; send `safe` on the port when the host ends in any way or goes silent."""
    parent = os.getppid()
    heard_s = time.monotonic()
    shouted = False
    while True:
        ready, _, _ = select.select([pipe], [], [], min(PARENT_CHECK_s, silence_s / 4.0))
        if ready:
            words = os.read(pipe, 4096)
            if QUIT in words:
                send(port, safe)
                return
            if not words:
                break
            heard_s, shouted = time.monotonic(), False
        elif os.getppid() != parent:
            break
        elif not shouted and time.monotonic() - heard_s > silence_s:
            send(port, safe)
            shouted = True
    insist(port, safe)


def insist(port: int, safe: bytes) -> None:
    """Send more than once: a line may be lost, and the board must not choke on its own words."""
    for _ in range(SHOUTS):
        send(port, safe)
        drain(port, PAUSE_s)


def send(port: int, data: bytes) -> None:
    """Write as far as the port takes it; a port that is gone ends the attempt."""
    end_s = time.monotonic() + WRITE_PATIENCE_s
    while data and time.monotonic() < end_s:
        try:
            _, ready, _ = select.select([], [port], [], WRITE_PATIENCE_s)
            data = data[os.write(port, data) :] if ready else data
        except BlockingIOError:
            continue
        except OSError:
            return


def drain(port: int, duration_s: float) -> None:
    """Take what the board says, as the host would."""
    end_s = time.monotonic() + duration_s
    while (left_s := end_s - time.monotonic()) > 0.0:
        try:
            ready, _, _ = select.select([port], [], [], left_s)
            if ready and not os.read(port, 4096):
                time.sleep(left_s)
        except BlockingIOError:
            continue
        except OSError:
            time.sleep(left_s)


def _leave(port: int, safe: bytes) -> None:
    send(port, safe)
    os._exit(0)


if __name__ == "__main__":
    main(sys.argv[1:])
