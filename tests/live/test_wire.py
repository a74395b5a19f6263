"""The tests' own frames are those of the documentation."""

import struct
import zlib

from wire import DRIVE_KNOWN, EXAMPLE, EXPOSURE, FIRST, frame, keepalive


def test_the_worked_example_is_built_byte_for_byte():
    # CRC-32 check value of IEEE 802.3: PROTOCOL.md, and the catalogue's CRC-32/ISO-HDLC, from memory.
    assert zlib.crc32(b"123456789") == 0xCBF43926
    built = frame(
        0,
        4000000,
        struct.pack("<3h", 1, -2, 300),
        flags=FIRST | DRIVE_KNOWN,
        pulse=1,
        pulse_time_ns=200_000_000,
        drive_mpa=0.16,
        exposure=1,
        stage=EXPOSURE,
        target="vessel",
    )
    assert built == EXAMPLE and len(built) == 108


def test_the_keepalive_after_it_has_the_documented_crc():
    built = keepalive(1, 4000003)
    assert len(built) == 96 and built[92:] == struct.pack("<I", 0x1BE73E8D)
