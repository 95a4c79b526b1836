"""Ports are named so that the name still means the same adapter tomorrow; cables without a port are noticed."""

from pathlib import Path

from benchrig.links.portlist import PortFound, hid_cables, named, passing, serial_ports


def linked(folder: Path, kind: str, name: str, device: Path) -> str:
    (folder / kind).mkdir(exist_ok=True)
    link = folder / kind / name
    link.unlink(missing_ok=True)
    link.symlink_to(device)
    return str(link)


def test_an_adapter_is_named_by_its_identity(tmp_path: Path) -> None:
    """As udev's rule 60-serial makes the links."""
    device = tmp_path / "ttyUSB0"
    device.touch()
    by_id = linked(tmp_path, "by-id", "usb-FTDI_FT232R_A5001-if00-port0", device)
    linked(tmp_path, "by-path", "pci-0000:00:14.0-usb-0:1:1.0-port0", device)
    (found,) = named([PortFound(str(device), "0403:6001", "A5001")], str(tmp_path))
    assert found.lasting == by_id


def test_adapters_that_are_alike_are_named_by_their_sockets(tmp_path: Path) -> None:
    """Without serial numbers they share one name under by-id, which leads to whichever came last."""
    devices = [tmp_path / "ttyUSB0", tmp_path / "ttyUSB1"]
    by_path = []
    for number, device in enumerate(devices):
        device.touch()
        linked(tmp_path, "by-id", "usb-1a86_USB_Serial-if00-port0", device)
        by_path.append(linked(tmp_path, "by-path", f"pci-0000:00:14.0-usb-0:{number + 1}:1.0-port0", device))
    found = named([PortFound(str(device), "1a86:7523") for device in devices], str(tmp_path))
    assert [port.lasting for port in found] == by_path


def test_a_port_without_links_has_no_lasting_name(tmp_path: Path) -> None:
    (found,) = named([PortFound("/dev/ttyS0")], str(tmp_path))
    assert found.lasting == ""
    assert not passing("/dev/ttyS0")
    assert passing("/dev/ttyUSB0")
    assert passing("/dev/ttyACM12")
    assert not passing("/dev/serial/by-id/usb-A-if00-port0")


def test_this_machine_is_listed_without_an_error() -> None:
    assert all(port.device for port in serial_ports())


def test_a_cable_that_is_no_serial_port_is_noticed(tmp_path: Path) -> None:
    """The kernel's words for a HID device; a keyboard is none of our business."""
    for name, identifier in (("hidraw0", "0003:00001A86:0000E008"), ("hidraw1", "0003:0000046D:0000C31C")):
        (tmp_path / name / "device").mkdir(parents=True)
        (tmp_path / name / "device" / "uevent").write_text(f"DRIVER=hid-generic\nHID_ID={identifier}\nHID_NAME=X\n")
    (tmp_path / "hidraw2").mkdir()  # unplugged while it was looked at
    assert hid_cables(str(tmp_path)) == ["/dev/hidraw0 1a86:e008"]
    assert hid_cables(str(tmp_path / "none")) == []
