"""The kernel's log as it is followed: the records of Documentation/ABI/testing/dev-kmsg, and one that has no end."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from verify.volume.kernel_log import KernelLine, KernelLog, parse_record


@pytest.mark.parametrize(
    ("record", "line"),
    [
        # The examples of Documentation/ABI/testing/dev-kmsg, from memory.
        (b"7,160,424069,-;pci_root PNP0A03:00: host bridge\n SUBSYSTEM=acpi\n DEVICE=+acpi:PNP0A03:00\n",
         KernelLine(7, "pci_root PNP0A03:00: host bridge")),
        (b"6,339,5140900,-;NET: Registered protocol family 10\n", KernelLine(6, "NET: Registered protocol family 10")),
        (b"30,340,5690716,-;udevd[80]: starting version 181\n", KernelLine(6, "udevd[80]: starting version 181")),
        # Facility and severity are priority // 8 and priority % 8: RFC 5424, section 6.2.1.
        (b"12,1,2,c;text; with more; in it\n", KernelLine(4, "text; with more; in it")),
        (b"3,1,2,-;\xff\n", KernelLine(3, "\ufffd")),
        (b"no record", None),
        (b"x,1,2;text\n", None),
    ],
)  # fmt: skip
def test_a_record(record: bytes, line: KernelLine | None) -> None:
    assert parse_record(record) == line


def test_only_what_comes_after_it_was_opened_and_never_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "kmsg"
    path.write_bytes(b"6,1,1,-;before\n")
    log = KernelLog(str(path))
    assert list(log.lines()) == []
    with open(path, "ab") as file:
        file.write(b"3,2,2,-;disk gone\n")
    assert list(log.lines()) == [KernelLine(3, "disk gone")]
    log.close()


def test_lines_that_were_lost_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "kmsg"
    path.write_bytes(b"")
    log = KernelLog(str(path))
    answers = [BrokenPipeError(errno.EPIPE, "overwritten"), b"4,9,9,-;after\n", BlockingIOError()]

    def read(fd: int, size: int) -> bytes:
        answer = answers.pop(0)
        if isinstance(answer, OSError):
            raise answer
        return answer

    monkeypatch.setattr(os, "read", read)
    assert [line.text for line in log.lines()] == ["(lines of the kernel's log were lost)", "after"]
    log.close()


@pytest.mark.skipif(os.geteuid() != 0 or not os.path.exists("/dev/kmsg"), reason="only root writes to the kernel's log")
def test_the_real_log() -> None:
    log = KernelLog()
    text = "ackproof: a line of its own test"
    with open("/dev/kmsg", "w", encoding="utf-8") as file:
        file.write(f"<6>{text}\n")
    assert text in [line.text for line in log.lines()]
    log.close()
