from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from holdstill.model import system_tables
from holdstill.model.system_tables import CrypttabEntry, FstabEntry


# The test strings of STANDARDS section 6.
def test_fstab_has_fields_and_octal_escapes() -> None:
    text = "# c\nUUID=1 / ext4 defaults 0 1\n\nLABEL=my\\040disk /mnt/my\\040disk ext4 nofail,ro\n"

    assert system_tables.parse_fstab(text) == [
        FstabEntry("UUID=1", "/", "ext4", ("defaults",)),
        FstabEntry("LABEL=my disk", "/mnt/my disk", "ext4", ("nofail", "ro")),
    ]


# The examples of crypttab(5) and the options of systemd.mount(5).
def test_crypttab_has_a_name_a_device_and_options() -> None:
    text = (
        "# c\nluks UUID=2505567a-9e27-4efe-a4d5-15ad146c258b\n"
        "swap /dev/sda7 /dev/urandom swap\nhidden /dev/sda8 none nofail,tcrypt\n"
    )

    found = system_tables.parse_crypttab(text)

    assert found == [
        CrypttabEntry("luks", "UUID=2505567a-9e27-4efe-a4d5-15ad146c258b", ()),
        CrypttabEntry("swap", "/dev/sda7", ("swap",), "/dev/urandom"),
        CrypttabEntry("hidden", "/dev/sda8", ("nofail", "tcrypt"), "none"),
    ]
    assert [entry.may_fail for entry in found] == [False, False, True]


def test_links_of_dev_disk_are_read_as_what_they_mean() -> None:
    assert system_tables.normal_spec("/dev/disk/by-label/my\\x20disk") == "LABEL=my disk"
    assert system_tables.normal_spec("/dev/disk/by-id/mmc-1") == "/dev/disk/by-id/mmc-1"


@given(text=st.text())
def test_no_text_whatever_is_too_odd(text: str) -> None:
    system_tables.parse_fstab(text)
    system_tables.parse_crypttab(text)
