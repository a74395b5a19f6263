"""Frames at fault, each with the name that PROTOCOL.md gives its fault.

Each follows a good frame 0 that opened pulse 0 with 8 samples of one channel of ri16_le, in a stream whose
stages are the sender's.
"""

import math
import zlib

from wire import BASELINE, DRIVE_KNOWN, END, FIRST, GO_ON, KEEPALIVE, LAST, OUTSIDE, PAUSE, SETTING_KNOWN, frame

SETS = bytes(16)
MAX_PAYLOAD_BYTES = 4194304


def fault(error, **fields):
    """Frame 1, which follows an open pulse of 8 samples, with fields said otherwise."""
    whole = {
        "sequence": 1,
        "first_sample": 8,
        "payload": SETS,
        "pulse_first_sample": 0,
        "flags": LAST,
        "stage": BASELINE,
    }
    return error, frame(**(whole | fields))


def cut_crc(target):
    """A header CRC that leaves out the target's name."""
    return zlib.crc32(fault("header", target=target)[1][:92])


FAULTS = {
    # Rule 1: magic, header CRC.
    "magic of HTTP": fault("header", magic=b"GET "),
    "magic of another version": fault("header", magic=b"smr2"),
    "one bit of the magic": fault("header", magic=b"smr0"),
    "header CRC 0": fault("header", header_crc32=0),
    "header CRC without the name": fault("header", target="left", header_crc32=cut_crc("left")),
    # header_bytes is 96 + target_bytes, or more.
    "header_bytes 0": fault("header", header_bytes=0),
    "header_bytes 95": fault("header", header_bytes=95),
    "header_bytes without the name": fault("header", target="left", header_bytes=96),
    "header_bytes one short": fault("header", target="left", header_bytes=99),
    "target_bytes 33": fault("header", target="t" * 33),
    "target_bytes 255": fault("header", target="t" * 255),
    # Rule 3 and the table: payload_bytes.
    "payload_bytes one set more": fault("length", payload_bytes=18),
    "payload_bytes one byte less": fault("length", payload_bytes=15),
    "payload_bytes 0 beside samples": fault("length", payload_bytes=0),
    "samples 0 beside a payload": fault("length", samples=0),
    "payload one set over the most": fault(
        "length", samples=MAX_PAYLOAD_BYTES // 2 + 1, payload_bytes=MAX_PAYLOAD_BYTES + 2
    ),
    "payload of 4 GiB": fault("length", samples=0x7FFFFFFF, payload_bytes=0xFFFFFFFE),
    "samples that wrap to payload_bytes 0": fault("length", samples=0x80000000, payload_bytes=0, payload=b""),
    # Flags.
    "keepalive and end": fault("header", flags=KEEPALIVE | END, payload=b"", stage=0),
    "pause and go on": fault("header", flags=PAUSE | GO_ON),
    "first and keepalive": fault("header", flags=FIRST | KEEPALIVE, payload=b"", stage=0),
    "last and keepalive": fault("header", flags=LAST | KEEPALIVE, payload=b"", stage=0),
    "first and end": fault("header", flags=FIRST | END, payload=b"", stage=0),
    "last and end": fault("header", flags=LAST | END, payload=b"", stage=0),
    "first outside any pulse": fault("header", flags=FIRST | OUTSIDE),
    "last outside any pulse": fault("header", flags=LAST | OUTSIDE),
    "flag 8192": fault("header", flags=LAST | 8192),
    "flag 16384": fault("header", flags=LAST | 16384),
    "flag 32768": fault("header", flags=LAST | 32768),
    "bytes 78": fault("header", zero_78=b"\x01\x00"),
    "bytes 79": fault("header", zero_78=b"\x00\x80"),
    "bytes 84": fault("header", zero_84=b"\x01" + bytes(7)),
    "bytes 91": fault("header", zero_84=bytes(7) + b"\x01"),
    # Fields against their bounds and against hello.
    "stage 4": fault("header", stage=4),
    "stage 255": fault("header", stage=255),
    "stage of the operator in a sender's stream": fault("header", stage=0),
    "sequence 2^53": fault("header", sequence=2**53),
    "sequence 2^64-1": fault("header", sequence=2**64 - 1),
    "first_sample 2^53": fault("header", first_sample=2**53),
    "pulse 2^53": fault("header", pulse=2**53),
    "pulse_first_sample 2^53": fault("header", pulse_first_sample=2**53, first_sample=2**53),
    "pulse_time_ns 2^63": fault("header", pulse_time_ns=2**63),
    "drive not a number": fault("header", flags=LAST | DRIVE_KNOWN, drive_mpa=math.nan),
    "drive without bound": fault("header", flags=LAST | DRIVE_KNOWN, drive_mpa=math.inf),
    "drive that nobody knows": fault("header", drive_mpa=0.1),
    "setting not a number": fault("header", flags=LAST | SETTING_KNOWN, drive_setting=math.nan),
    "setting below all bounds": fault("header", flags=LAST | SETTING_KNOWN, drive_setting=-math.inf),
    "setting that nobody knows": fault("header", drive_setting=1.0),
    # The target's name: UTF-8 without control characters.
    "name that is no UTF-8": fault("header", target=b"le\xfft"),
    "name cut inside a character": fault("header", target="µ".encode()[:1]),
    "surrogate in the name": fault("header", target=b"\xed\xa0\x80"),
    "name overlong": fault("header", target=b"\xc0\xaf"),
    "line feed in the name": fault("header", target="le\nft"),
    "NUL in the name": fault("header", target="le\0ft"),
    "DEL in the name": fault("header", target="left\x7f"),
    "next line (C1) in the name": fault("header", target="left\x85"),
    # The pulse's own fields are the same in all its frames.
    "pulse_first_sample changes": fault("header", pulse_first_sample=1),
    "pulse_time_ns changes": fault("header", pulse_time_ns=1),
    "frame before its pulse": fault("header", pulse=1, pulse_first_sample=9),
    # Rule 4: first_sample never lies before the end of the frame before, across pulses, too.
    "one sample back in the pulse": fault("backwards", first_sample=7),
    "one sample back in the next pulse": fault("backwards", first_sample=7, pulse=1, pulse_first_sample=7),
    "one sample back outside any": fault("backwards", first_sample=7, flags=OUTSIDE),
    "back to 0 after lost frames": fault("backwards", first_sample=0, sequence=9, pulse=3),
}
