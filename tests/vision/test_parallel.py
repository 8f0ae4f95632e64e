"""The same work for many items: what comes out is as if they were done one after the other."""

from __future__ import annotations

import threading

import pytest

from verify.vision.parallel import each


@pytest.mark.parametrize("threads", [1, 2, 5])
def test_what_is_made_stands_in_the_order_of_the_items(threads: int) -> None:
    later = threading.Event()

    def work(number: int) -> int:
        if number == 1 and threads > 1:
            assert later.wait(10), "the second item waits until the third is done"
        if number == 2:
            later.set()
        return number * number

    assert each(work, iter(range(9)), threads) == [n * n for n in range(9)]


def test_the_first_is_done_before_any_other_begins() -> None:
    begun: list[int] = []

    def work(number: int) -> int:
        begun.append(number)
        return len(begun)

    assert each(work, range(5), 4)[0] == 1


@pytest.mark.parametrize("threads", [1, 3])
@pytest.mark.parametrize("broken", [0, 3])
def test_what_goes_wrong_comes_out(threads: int, broken: int) -> None:
    def work(number: int) -> int:
        if number == broken:
            raise ValueError(f"item {number}")
        return number

    with pytest.raises(ValueError, match=f"item {broken}"):
        each(work, range(4), threads)


def test_nothing_gives_nothing() -> None:
    assert each(str, []) == []
