import time

import pytest

from snowtally.statistics.tiles import in_threads, tiles


@pytest.mark.parametrize("count", [0, 1, 7, 8, 9])
def test_tiles_cover_everything_once(count):
    assert [i for tile in tiles(count, 4) for i in range(tile.start, tile.stop)] == list(range(count))


def test_results_keep_the_order_of_the_items():
    def slow_first(item):
        time.sleep(0.02 if item == 0 else 0)
        return item

    assert list(in_threads(slow_first, range(6), 3)) == list(range(6))
    assert list(in_threads(slow_first, range(3), 1)) == [0, 1, 2]
    assert list(in_threads(slow_first, [])) == []


def test_trouble_in_a_thread_is_told():
    with pytest.raises(ZeroDivisionError):
        list(in_threads(lambda item: 1 / item, [1, 0], 2))
