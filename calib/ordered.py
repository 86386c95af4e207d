"""Pieces of work done by several threads, handed over in order, large ones with only a few of them alive at a time.

Threads that work on arrays get and free megabytes all the time. The C library would return them to the system and have
them back zeroed, page by page, which takes a good part of the time of making a map. So it is told to keep some. What it
keeps is given back between the steps of a job, which need theirs in other sizes.
"""

import math
import sys
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from functools import cache
from time import thread_time
from typing import TypeVar
from weakref import ref

from calib.c_library import free_bytes, tell

Task = TypeVar("Task")
Result = TypeVar("Result")


TRIM_THRESHOLD, MMAP_THRESHOLD = -1, -3  # options of mallopt(3), numbered as in malloc.h of the GNU C library
KEPT = 2**28  # bytes that may lie free at the end of a piece of memory, and in all when some are given back
LARGEST = 2**25  # bytes of a piece of memory that is kept: more than any array of a block
LOCKED_S = 0.0005  # that a thread waits for the interpreter's lock before the one that has it is told to give it away
LONG_S = 0.0005  # of processor time: a piece of work that other threads are called for


def workers(threads: int) -> ThreadPoolExecutor:
    """Threads that keep the memory they have freed, and that soon ask for the interpreter's lock when they come back
    from compiled code: left alone, another thread keeps it longer than many a piece of work takes."""
    _keep_memory()
    sys.setswitchinterval(LOCKED_S)
    return ThreadPoolExecutor(threads)


def give_back() -> None:
    """Return to the system what lies free, where it is much: to have it back later takes as long."""
    if free_bytes() > KEPT:
        tell("malloc_trim", 0)


@cache
def _keep_memory() -> None:
    tell("mallopt", TRIM_THRESHOLD, KEPT)
    tell("mallopt", MMAP_THRESHOLD, LARGEST)


def beside(work: Callable[[], Result], threads: int) -> Callable[[], Result]:
    """What waits for the result of `work`, which begins at once on a thread of its own where more than one may be used,
    and otherwise when it is waited for.
    """
    if threads < 2:
        return work
    with_one = ThreadPoolExecutor(1)
    future = with_one.submit(work)
    with_one.shutdown(wait=False)
    return future.result


def shared_out(work: Callable[[Task], Result], tasks: Iterable[Task], threads: int) -> list[Result]:
    """All results of `work` in the order of `tasks`, which are done by `threads` threads, the calling one among them.

    Each thread takes the next piece when it is ready, and none hands anything over or waits for another's. The others
    are called once a piece has turned out to be long, or at once where there are no more pieces than threads: pieces of
    little more than the interpreter's own work take longer on two threads that wait for its lock in turn. Of pieces
    that fail the first one's error is raised, whoever did it.
    """
    todo = list(tasks)
    turns = iter(range(len(todo)))  # a turn is taken by one thread only
    done: dict[int, Result] = {}
    failed: dict[int, Exception] = {}

    def take_turns(most_s: float = math.inf) -> None:
        for i in turns:
            begun = thread_time()
            try:
                done[i] = work(todo[i])
            except Exception as error:
                failed[i] = error
                deque(turns, 0)  # nobody takes another
            if thread_time() - begun > most_s:
                break

    if len(todo) > threads:
        take_turns(LONG_S)
    helpers = min(threads, len(todo) - len(done)) - 1
    others = [_helping(threads - 1).submit(_take, ref(take_turns)) for _ in range(helpers)]
    try:
        take_turns()
    finally:
        deque(turns, 0)  # after an interrupt
        for other in others:
            if not other.cancel():
                other.result()
    if failed:
        raise failed.pop(min(failed))  # all before it were begun too, so it is the one that fails on one thread
    return [done[i] for i in range(len(todo))]


def _take(turns: "ref[Callable[[], None]]") -> None:
    """Take turns where they are still wanted: busy threads keep what they are to begin though it has been cancelled,
    and must not keep with it what the work is done on."""
    take_turns = turns()
    if take_turns is not None:
        take_turns()


@cache
def _helping(threads: int) -> ThreadPoolExecutor:
    """Threads that stay: to begin new ones for each few milliseconds of work would cost a good part of them."""
    return workers(threads)


def in_order(work: Callable[[Task], Result], tasks: Iterable[Task], threads: int) -> Iterator[Result]:
    """Results of `work` in the order of `tasks`; at most two for each thread wait to be taken."""
    with workers(threads) as pool:
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
