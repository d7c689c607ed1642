"""The limits of the course checks are those that the page of settings gives reasons for."""

from documented import documented

from snowtally.courses.limits import CourseLimits


def test_each_limit_is_as_documented():
    said = documented("checks")
    own = CourseLimits().model_dump(include=set(CourseLimits.__annotations__))
    assert own == {name: said[name] for name in own}
    assert len(own) > 10
