"""A signal is acted on, whatever the thread that it interrupts is doing."""

import signal
import threading

from hotfolder.disk.stopping import stop_on


class Held:
    """A daemon whose stop takes a lock, as setting an event does."""

    def __init__(self):
        self.lock = threading.Lock()
        self.stopped = threading.Event()

    def stop(self):
        if self.lock.acquire(timeout=5):
            self.lock.release()
            self.stopped.set()


def test_a_signal_that_comes_while_a_lock_is_held_waits_for_nothing():
    kept = {each: signal.getsignal(each) for each in (signal.SIGINT, signal.SIGTERM)}
    daemon = Held()
    try:
        stop_on((signal.SIGINT, signal.SIGTERM), daemon.stop)
        with daemon.lock:
            signal.raise_signal(signal.SIGINT)
            signal.raise_signal(signal.SIGTERM)
        assert daemon.stopped.wait(5)
    finally:
        for number, handler in kept.items():
            signal.signal(number, handler)
