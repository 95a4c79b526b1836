"""What the package promises to users is there, and nothing promised is missing from the list."""

import benchrig


def test_every_public_name_can_be_used():
    """The table, the list and the packages agree."""
    assert sorted(benchrig._HOMES) == benchrig.__all__ == sorted(benchrig.__all__)
    for name in benchrig.__all__:
        assert callable(getattr(benchrig, name)), name


def test_names_shared_with_a_package_mean_the_function():
    """benchrig.judgement is a package and a function; the function is what users call."""
    assert benchrig.judge(5.0, 0.01, (4.75, 5.25)).verdict == "pass"
    assert benchrig.drift([0.0, 1.0, 2.0, 3.0, 4.0], [0.0, 1.0, 2.0, 3.0, 4.0]).slope == 1.0
