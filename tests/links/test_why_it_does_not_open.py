"""What cannot be opened is told in words with a cure, whoever raised it: the system, pyserial, a VISA library."""

import errno
import grp
import os
import socket
import termios
from pathlib import Path

import pytest

from benchrig.links.ports import cannot_open


@pytest.mark.parametrize(
    ("error", "words", "cure"),
    [
        (PermissionError(errno.EACCES, "Permission denied"), "may not open", "dialout"),
        (ConnectionRefusedError(errno.ECONNREFUSED, "refused"), "nothing listens", "5025"),
        # A number that stands in the text alone, as libraries pass the system's words on.
        (RuntimeError("could not open port: [Errno 2] No such file or directory"), "no such port", "benchrig find"),
        # As the terminal interface tells of 7 data bits that an adapter has not got.
        (termios.error(errno.EINVAL, "Invalid argument"), "does not take its line settings", "7 data bits"),
        # No number: VISA's names (VPP-4.3, completion codes) and the resolver's words.
        (RuntimeError("VI_ERROR_RSRC_LOCKED (-1073807345): resource is locked"), "another program", "Close"),
        (RuntimeError("VI_ERROR_TMO (-1073807339): Timeout expired"), "no answer", "on this network"),
        # A name with IPv6 addresses only, and such an address itself, in the C library's words.
        (socket.gaierror(-5, "No address associated with hostname"), "no IPv4 address", "LAN menu"),
        (socket.gaierror(-9, "Address family for hostname not supported"), "no IPv4 address", "LAN menu"),
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


def test_a_forbidden_port_names_the_group_that_it_belongs_to(tmp_path: Path) -> None:
    """dialout on many systems, uucp or another on the rest: the port itself says which."""
    port = tmp_path / "ttyUSB0"
    port.touch()
    group = next(group for group in grp.getgrall() if group.gr_gid)
    if os.geteuid() == 0:
        os.chown(port, 0, group.gr_gid)
    else:
        group = grp.getgrgid(port.stat().st_gid)
    refused = PermissionError(errno.EACCES, "Permission denied")
    port.chmod(0o660)
    assert f"usermod -aG {group.gr_name} $USER" in cannot_open("the meter", refused, str(port)).next_step
    port.chmod(0o600)  # the group may not either
    assert "Join the port's group (often" in cannot_open("the meter", refused, str(port)).next_step
