"""Work on several threads: results in order, errors of the piece that failed, few pieces waiting, memory given back."""

import resource
import sys
import threading
import weakref
from collections.abc import Callable
from pathlib import Path
from time import thread_time

import numpy as np
import pytest

from calib import ordered
from calib.c_library import free_bytes
from calib.ordered import LONG_S, beside, give_back, in_order, shared_out


@pytest.mark.parametrize("threads", [1, 3])
def test_results_come_in_order_and_few_wait(threads: int) -> None:
    """Memory: while the first is still being taken, no more than two for each thread may have been asked for."""
    asked: list[int] = []

    def tasks():  # type: ignore[no-untyped-def]
        for task in range(20):
            asked.append(task)
            yield task

    got = []
    for result in in_order(lambda task: task * task, tasks(), threads):
        got.append(result)
        assert len(asked) <= len(got) + 2 * threads
    assert got == [task * task for task in range(20)]


def test_threads_that_work_do_not_wait_long_for_the_interpreters_lock() -> None:
    before = sys.getswitchinterval()
    sys.setswitchinterval(0.005)  # Python's own
    list(in_order(abs, [1], 2))
    assert sys.getswitchinterval() < 0.001
    sys.setswitchinterval(before)


def work_long() -> None:
    begun = thread_time()
    while thread_time() < begun + 2 * LONG_S:
        pass


@pytest.mark.parametrize("threads", [1, 2, 3])
@pytest.mark.parametrize("count", [1, 3, 20])
def test_shared_work_is_done_by_that_many_threads_also_within_shared_work(threads: int, count: int) -> None:
    """Where there are more pieces than threads, the first is done before any other thread is called."""
    first = 0 if count <= threads else 1
    together = range(first, first + min(threads, count - first))
    meeting = threading.Barrier(len(together))

    def within(task: int) -> list[int]:
        return shared_out(lambda other: task * other, range(3), threads)

    def work(task: int) -> tuple[int, list[int]]:
        if task in together:
            meeting.wait(5.0)  # as many at the same time as there are threads
        elif task < first:
            work_long()
        return threading.get_ident(), within(task)

    found = shared_out(work, range(count), threads)
    assert len({found[task][0] for task in together}) == len(together)
    assert threading.get_ident() in {thread for thread, _ in found}
    assert [result for _, result in found] == [[0, task, 2 * task] for task in range(count)]
    assert shared_out(work, [], threads) == []


def test_short_pieces_of_shared_work_are_done_by_the_calling_thread() -> None:
    assert set(shared_out(lambda _: threading.get_ident(), range(1000), 2)) == {threading.get_ident()}


@pytest.mark.parametrize("failing", ["mine", "another's"])
def test_shared_work_that_fails_on_any_thread_fails(failing: str) -> None:
    meeting, me = threading.Barrier(2), threading.get_ident()

    def work(task: int) -> None:
        meeting.wait(5.0)
        if (threading.get_ident() == me) == (failing == "mine"):
            raise ValueError(failing)

    with pytest.raises(ValueError, match=failing):
        shared_out(work, range(2), 2)


def test_an_interrupt_of_the_calling_thread_ends_the_work_of_all() -> None:
    """The other thread waits for the interrupt, however slow the machine is; were it not ended, it did all pieces."""
    done: list[int] = []
    me, interrupted = threading.get_ident(), threading.Event()

    def work(task: int) -> None:
        work_long()
        if threading.get_ident() != me:
            interrupted.wait(5.0)
        elif task > 0:
            interrupted.set()
            raise KeyboardInterrupt
        done.append(task)

    with pytest.raises(KeyboardInterrupt):
        shared_out(work, range(1000), 2)
    assert len(done) < 500


def test_of_pieces_that_fail_together_the_first_one_s_error_is_raised() -> None:
    """Whichever thread does it: what a job says of its failure must not depend on threads."""
    for _ in range(20):
        meeting = threading.Barrier(2)

        def work(task: int, meeting: threading.Barrier = meeting) -> None:
            meeting.wait(5.0)
            raise ValueError(f"piece {task}")

        with pytest.raises(ValueError, match="piece 0"):
            shared_out(work, range(2), 2)


def test_busy_threads_keep_nothing_of_work_that_was_done_without_them() -> None:
    """Memory: while one caller's long piece holds the helping thread, another's matrices come and go."""
    begun, ends = threading.Event(), threading.Event()

    def hold(_: int) -> None:
        if threading.current_thread() is not caller:
            begun.set()
        ends.wait(5.0)

    caller = threading.Thread(target=shared_out, args=(hold, range(2), 2))
    caller.start()
    assert begun.wait(5.0)
    matrix = np.zeros(3)
    kept = weakref.ref(matrix)
    assert shared_out(matrix.take, range(2), 2) == [0.0, 0.0]
    del matrix
    is_kept = kept() is not None
    ends.set()
    caller.join()
    assert not is_kept


@pytest.mark.parametrize(("threads", "at_once"), [(1, False), (2, True)])
def test_work_beside_begins_at_once_where_there_is_a_thread_for_it(threads: int, at_once: bool) -> None:
    begun = threading.Event()

    def work() -> int:
        begun.set()
        return 7

    result = beside(work, threads)
    assert begun.wait(5.0 if at_once else 0.0) == at_once
    assert result() == 7


@pytest.mark.parametrize("share", [shared_out, lambda *given: list(in_order(*given))])
def test_a_piece_that_fails_ends_the_work_with_its_own_error(share: Callable[..., list[int]]) -> None:
    done: list[int] = []
    lock = threading.Lock()

    def work(task: int) -> int:
        if task == 3:
            raise ValueError("block 3")
        work_long()
        with lock:
            done.append(task)
        return task

    with pytest.raises(ValueError, match="block 3"):
        share(work, range(1000), 2)
    assert max(done) < 10


@pytest.mark.parametrize("is_much", [True, False])
def test_memory_that_lies_free_is_given_back_between_steps_where_it_is_much(monkeypatch, is_much: bool) -> None:  # type: ignore[no-untyped-def]
    """Kept while threads work, so that it need not be zeroed again; then it goes."""

    def resident_mb() -> float:
        return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 1e6

    list(in_order(np.sqrt, [4.0], 1))
    pieces = [np.ones(2 * 10**6) for _ in range(12)]
    full, used = resident_mb(), free_bytes()
    del pieces
    kept, freed = resident_mb(), free_bytes()
    assert kept > full - 50
    assert freed > used + 180e6
    monkeypatch.setattr(ordered, "KEPT", freed - 1e6 if is_much else freed + 1e6)
    give_back()
    assert (resident_mb() < full - 150) == is_much
