"""Several things at once end as they would one after the other."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import pytest

from leakcheck.threads import both, side_by_side


@pytest.fixture(params=[1, 2])
def _threads(request: pytest.FixtureRequest) -> Iterator[None]:
    """OpenCV with one thread and with two."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(request.param)
    yield
    cv2.setNumThreads(before)


def _fail(message: str) -> int:
    raise ValueError(message)


@pytest.mark.usefixtures("_threads")
def test_results_come_in_the_order_they_were_asked_for() -> None:
    """Whichever is done first."""
    assert both(lambda: 1, lambda: "two") == (1, "two")
    assert side_by_side(lambda k: k * k, range(7)) == [0, 1, 4, 9, 16, 25, 36]


@pytest.mark.usefixtures("_threads")
def test_the_first_error_is_the_one_that_is_told() -> None:
    """A pair that cannot be trusted may well break what is tried on it at the same time."""
    with pytest.raises(ValueError, match="first"):
        both(lambda: _fail("first"), lambda: _fail("second"))
    with pytest.raises(ValueError, match="second"):
        both(lambda: 1, lambda: _fail("second"))
    with pytest.raises(ValueError, match="first"):
        both(lambda: _fail("first"), lambda: 2)
