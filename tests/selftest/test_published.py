"""The shelf of published examples is whole and readable."""

import pytest

from accstudy.errors import InputError
from accstudy.selftest.published import case, cases, table, topics


@pytest.mark.parametrize("topic", topics())
def test_every_example_names_where_it_comes_from_and_has_something_to_compare(topic):
    found = cases(topic)
    assert len({c.id for c in found}) == len(found) > 0
    for c in found:
        assert c.source
        assert c.obtained
        assert c.published or c.computed
        assert set(c.tolerance) <= set(c.published)


def test_an_unknown_example_is_answered_with_the_nearest():
    with pytest.raises(InputError, match="gum_h5_voltage"):
        case("iso5725", "gum_h5_voltge")
    with pytest.raises(InputError, match="iso5725"):
        cases("iso5752")


def test_data_come_as_copies_and_with_every_digit():
    first = case("iso5725", "nist_SmLs07").frame
    first["value"] = 0.0
    assert case("iso5725", "nist_SmLs07").frame["value"][0] == 1000000000000.4
    assert len(table("iso5725", "critical_values")) == 80
