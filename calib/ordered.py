"""Runs tasks on several threads with results in order, and with only a few large results in memory at a time.

Threads that work on arrays allocate and free megabytes all the time. By default the C library returns this memory to
the system and gets it back zeroed, page by page, which takes a considerable part of the time of making a map. So it is
set to keep some, which is returned between the steps of a job, because they need memory in other sizes.
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
KEPT = 2**28  # bytes that may stay free at the end of the heap, and in total before memory is returned
LARGEST = 2**25  # bytes: largest allocation that is kept, more than any array of a block
LOCKED_S = 0.0005  # seconds that a thread waits for the interpreter's lock before it is requested
LONG_S = 0.0005  # seconds of processor time of a task for which other threads are used


def workers(threads: int) -> ThreadPoolExecutor:
    """A pool of threads that keep freed memory and request the interpreter's lock soon after compiled code. By default
    another thread keeps the lock longer than many tasks take.
    """
    _keep_memory()
    sys.setswitchinterval(LOCKED_S)
    return ThreadPoolExecutor(threads)


def give_back() -> None:
    """Return free memory to the system if there is much of it; getting it back later costs time."""
    if free_bytes() > KEPT:
        tell("malloc_trim", 0)


@cache
def _keep_memory() -> None:
    tell("mallopt", TRIM_THRESHOLD, KEPT)
    tell("mallopt", MMAP_THRESHOLD, LARGEST)


def beside(work: Callable[[], Result], threads: int) -> Callable[[], Result]:
    """A function that waits for the result of `work`. With two threads or more, `work` starts at once on its own
    thread, otherwise when that function is called.
    """
    if threads < 2:
        return work
    with_one = ThreadPoolExecutor(1)
    future = with_one.submit(work)
    with_one.shutdown(wait=False)
    return future.result


def shared_out(work: Callable[[Task], Result], tasks: Iterable[Task], threads: int) -> list[Result]:
    """All results of `work` in the order of `tasks`, on `threads` threads including the calling one.

    Each thread takes the next task when it is ready. The other threads start once a task has turned out to be long, or
    at once if there are no more tasks than threads: tasks that are mostly interpreter work take longer on two threads
    competing for its lock. If tasks fail, the error of the first of them is raised.
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
                deque(turns, 0)  # no thread takes another task
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
        raise failed.pop(min(failed))  # all before it were started too, so a single thread would raise the same
    return [done[i] for i in range(len(todo))]


def _take(turns: "ref[Callable[[], None]]") -> None:
    """Take tasks if they still exist. A busy pool keeps cancelled calls for a while; they must not keep data alive."""
    take_turns = turns()
    if take_turns is not None:
        take_turns()


@cache
def _helping(threads: int) -> ThreadPoolExecutor:
    """Permanent threads: starting new ones would be expensive for a few milliseconds of work."""
    return workers(threads)


def in_order(work: Callable[[Task], Result], tasks: Iterable[Task], threads: int) -> Iterator[Result]:
    """Results of `work` in the order of `tasks`; at most two per thread wait to be consumed."""
    with workers(threads) as pool:
        yield from in_order_on(pool, work, tasks, 2 * threads)


def in_order_on(pool: Executor, work: Callable[[Task], Result], tasks: Iterable[Task], most: int) -> Iterator[Result]:
    """As `in_order` on a shared pool; at most `most` results wait to be consumed."""
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
