"""The first module that the forkserver loads: Ctrl-C is for the daemon, which ends its workers.

A terminal sends SIGINT to the whole group. The forkserver is started with it blocked, since Python
would print a traceback while it loads the rest; from here on it is ignored, and blocked no more.
"""

import signal

signal.signal(signal.SIGINT, signal.SIG_IGN)
signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
