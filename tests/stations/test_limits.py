"""The limits of the station checks are those that the page of settings gives reasons for."""

from documented import documented

from snowtally.stations.limits import StationLimits


def test_each_limit_is_as_documented():
    said = documented("stations")
    own = {name: value for name, value in StationLimits().model_dump().items() if isinstance(value, int | float)}
    assert own == {name: said[name] for name in own}
    assert len(own) > 10
