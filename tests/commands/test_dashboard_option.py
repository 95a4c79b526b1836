"""`--dashboard` beside a job: the page is served while it runs, and a wrong place is said before anything starts."""

from contextlib import ExitStack

import pytest

from benchrig.commands.display_choice import open_dashboard
from benchrig.errors import FileError


def test_the_page_is_a_display_while_the_job_runs_and_says_where_it_is(capsys):
    with ExitStack() as stack:
        (page,) = open_dashboard(stack, "127.0.0.1:0")
        assert page.address in capsys.readouterr().err


def test_without_the_option_there_is_no_page():
    with ExitStack() as stack:
        assert open_dashboard(stack, None) == []


@pytest.mark.parametrize("where", ["nonsense", "127.0.0.1:", "127.0.0.1:port"])
def test_a_place_that_is_none_is_refused(where):
    with ExitStack() as stack, pytest.raises(FileError, match="HOST:PORT"):
        open_dashboard(stack, where)
