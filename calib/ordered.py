"""Pieces of work done by several threads, handed over in order, only a few of them alive at a time."""

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from typing import TypeVar

Task = TypeVar("Task")
Result = TypeVar("Result")


def in_order(work: Callable[[Task], Result], tasks: Iterable[Task], threads: int) -> Iterator[Result]:
    """Results of `work` in the order of `tasks`; at most two for each thread wait to be taken."""
    with ThreadPoolExecutor(threads) as pool:
        yield from in_order_on(pool, work, tasks, 2 * threads)


def in_order_on(pool: Executor, work: Callable[[Task], Result], tasks: Iterable[Task], most: int) -> Iterator[Result]:
    """The same on threads that others may use too; at most `most` results wait to be taken."""
    waiting: deque[Future[Result]] = deque()
    try:
        for task in tasks:
            waiting.append(pool.submit(work, task))
            if len(waiting) >= most:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        for future in waiting:
            future.cancel()
