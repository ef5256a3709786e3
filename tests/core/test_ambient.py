"""A room warmer than the hot end that stands in it is refused."""

import pytest

from hotbench.core.ambient import SENSOR_OFF_K, check_ambient
from hotbench.core.errors import BadInput


@pytest.mark.parametrize("stated_C", [-20.0, 18.0, 24.0 + SENSOR_OFF_K])
def test_rooms_that_may_be(stated_C: float) -> None:
    check_ambient(stated_C, 24.0)


def test_a_room_that_cannot_be() -> None:
    with pytest.raises(BadInput) as caught:
        check_ambient(60.0, 24.2)
    assert str(caught.value) == (
        "ambient temperature: the room cannot be warmer than the hot end (got 60 °C, limit 24 °C, "
        "as the hot end reads); state the room's, or none where the test begins cold"
    )
