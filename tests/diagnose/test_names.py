"""Near misses that people make with topic names."""

import pytest

from toprung.diagnose.names import nearest

HAVE = ["cart1/odom", "cart1/scan", "cart1/drive", "cart1/image"]


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ("Cart1/scan", "cart1/scan"),  # a capital
        ("/cart1/scan", "cart1/scan"),  # a leading slash
        ("cart_1/scan", "cart1/scan"),  # an underscore more
        ("scan", "cart1/scan"),  # the namespace forgotten
        ("cart2/scan", "cart1/scan"),  # another namespace
        ("cart1/scann", "cart1/scan"),  # a letter more
        ("cart1/dirve", "cart1/drive"),  # two letters swapped
        ("cart1/battery", None),
        ("plan", None),
    ],
)
def test_the_nearest_name_is_what_somebody_meant(wanted, found):
    assert nearest(wanted, HAVE) == found


def test_nothing_is_near_where_nothing_is():
    assert nearest("cart1/scan", []) is None
