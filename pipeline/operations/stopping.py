"""Runs that are stopped: by a person, by the system, or because they take too long. What they hold is given back first."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NoReturn

from snowtally.model.problems import TooLongError


class Stop(KeyboardInterrupt):
    """Raised in the main thread by a signal that asks to end.

    As with Ctrl-C, no handler of failures takes it for one.

    Parameters
    ----------
    number : the signal's.
    """

    def __init__(self, number: int) -> None:
        super().__init__()
        self.number = number


ASKING_TO_END = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


def number_of(stop: KeyboardInterrupt) -> int:
    """Return the number of the signal that an interruption came from."""
    return getattr(stop, "number", signal.SIGINT)


def raise_stops() -> dict[signal.Signals, Any]:
    """Let signals that ask to end raise `Stop`; return the handlers before.

    Only the first raises it, in the main thread. After it SIGTERM and SIGHUP wait for what is held to be given back, and a second Ctrl-C ends the process at once. A signal that
    was ignored before, as under nohup, stays so. To be called in the main thread.
    """

    def stop(number: int, _frame: object) -> NoReturn:
        for one in before:
            signal.signal(one, signal.SIG_DFL if one == signal.SIGINT else signal.SIG_IGN)
        raise Stop(number)

    handlers = {number: signal.getsignal(number) for number in ASKING_TO_END}
    before = {number: handler for number, handler in handlers.items() if handler is not signal.SIG_IGN}
    for number in before:
        signal.signal(number, stop)
    return before


@contextmanager
def stops_raised() -> Iterator[None]:
    """Let signals that ask to end raise `Stop` while the block runs.

    So locks are freed. In any other thread than the main one nothing is changed: signals come to the main thread alone.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = raise_stops()
    try:
        yield
    finally:
        for one, handler in before.items():
            signal.signal(one, handler or signal.SIG_DFL)


class _TimeIsUp(BaseException):
    """Raised in the main thread when a time limit is over.

    It is no Exception, so that nobody takes it for an input that cannot be read.
    """


@contextmanager
def time_limit(limit_s: float, what: str) -> Iterator[None]:
    """Stop the block after `limit_s` seconds.

    A call of a library in hand is finished first. In any other thread than the main one there is no limit: whoever started it has one.

    Parameters
    ----------
    what : what takes too long, for the message.

    Raises
    ------
    TooLongError : the block took longer.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def stop(_number: int, _frame: object) -> NoReturn:
        raise _TimeIsUp

    before = signal.signal(signal.SIGALRM, stop)
    try:
        signal.setitimer(signal.ITIMER_REAL, limit_s)
        try:
            yield
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)
    except _TimeIsUp:
        raise TooLongError(
            f"{what} took more than {limit_s:g} s and was stopped (operations.limits.night_s in the settings)"
        ) from None
    finally:
        signal.signal(signal.SIGALRM, before or signal.SIG_DFL)
