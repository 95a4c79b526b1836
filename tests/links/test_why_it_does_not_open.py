"""What cannot be opened is told in words with a cure, whoever raised it: the system, pyserial, a VISA library."""

import errno
import socket

import pytest

from benchrig.links.ports import cannot_open


@pytest.mark.parametrize(
    ("error", "words", "cure"),
    [
        (PermissionError(errno.EACCES, "Permission denied"), "may not open", "dialout"),
        (ConnectionRefusedError(errno.ECONNREFUSED, "refused"), "nothing listens", "5025"),
        # A number that stands in the text alone, as libraries pass the system's words on.
        (RuntimeError("could not open port: [Errno 2] No such file or directory"), "no such port", "benchrig find"),
        # No number: VISA's names (VPP-4.3, completion codes) and the resolver's words.
        (RuntimeError("VI_ERROR_RSRC_LOCKED (-1073807345): resource is locked"), "another program", "Close"),
        (RuntimeError("VI_ERROR_TMO (-1073807339): Timeout expired"), "no answer", "on this network"),
        (socket.gaierror(socket.EAI_NONAME, "Name or service not known"), "host name is not known", "LAN menu"),
        (RuntimeError("VI_ERROR_SYSTEM_ERROR (-1073807360)"), "cannot be opened (VI_ERROR_SYSTEM_ERROR", "cable"),
    ],
)
def test_an_opening_that_fails_names_the_cause_and_the_cure(error: Exception, words: str, cure: str) -> None:
    told = cannot_open("the scope", error)
    assert str(told).startswith("the scope: ")
    assert words in str(told)
    assert cure in told.next_step
    assert (told.address, told.doing) == ("the scope", "open")
