"""Work cut into tiles that threads share, with the same bytes whatever their number."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from functools import cache
from typing import TypeVar

import scipy.linalg  # noqa: F401  its library is there before it is looked for
from threadpoolctl import ThreadpoolController

from snowtally.model.cores import own_cores

AT_A_TIME = 512
"""Cells, or blocks of cells, that a thread takes at a time: few enough to stay in cache (kriged from 250 sites, two arrays of a
megabyte). No result depends on it. Accuracy and cost alone."""

Item = TypeVar("Item")
Result = TypeVar("Result")


def tiles(count: int, size: int) -> list[slice]:
    """Return slices of `size` that cover 0 to `count`.

    The last may be shorter.

    >>> tiles(5, 2)
    [slice(0, 2, None), slice(2, 4, None), slice(4, 5, None)]
    """
    return [slice(start, min(start + size, count)) for start in range(0, count, size)]


@cache
def _libraries() -> ThreadpoolController:
    """Return the linear algebra libraries that are loaded.

    To look for them takes longer than most products.
    """
    return ThreadpoolController()


def one_blas_thread() -> AbstractContextManager:
    """Return a context with one thread for linear algebra.

    Its own threads would compete with those of `in_threads`, and could split a product differently on another machine.
    """
    return _libraries().limit(limits=1, user_api="blas")


def in_threads(work: Callable[[Item], Result], items: Sequence[Item], threads: int | None = None) -> Iterator[Result]:
    """Yield `work(item)` in the order of the items.

    In `threads` threads; as many as the process may use when missing.

    The tiles' edges do not depend on the number of threads, so neither does any byte.
    """
    threads = threads or own_cores()
    with one_blas_thread():
        if threads == 1 or len(items) <= 1:
            yield from map(work, items)
            return
        with ThreadPoolExecutor(threads) as pool:
            yield from pool.map(work, items)
