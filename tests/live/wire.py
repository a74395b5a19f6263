"""The pulse stream from its documentation alone: hello lines and frames byte by byte, and a link.

Source of every offset, bit and bound here: src/ingest/wire/PROTOCOL.md. Nothing is checked before it
is sent, so that a test can say anything.
"""

import json
import secrets
import socket
import struct
import time
import zlib

FIRST, LAST, DRIVE_KNOWN, DEVICE_LOST, KEEPALIVE, END = 1, 2, 4, 8, 16, 32
OUTSIDE, SETTING_KNOWN, SHAM, PAUSE, GO_ON, EXPOSURE_ENDED, ABORT = 64, 128, 256, 512, 1024, 2048, 4096
NOISE, BASELINE, EXPOSURE = 1, 2, 3
FIXED_BYTES = 96
DEADLINE_S = 10.0


def stream_id():
    """32 hexadecimal digits, drawn at random."""
    return secrets.token_hex(16)


def hello(config, **changes):
    """What a sender says of itself, from a configuration; `None` leaves a key out."""
    receive = config["receive"]
    scale, gain = receive["volts_per_count"], receive["gain_db"]
    keys = {
        "simmer": 1,
        "stream": stream_id(),
        "resume": False,
        "sample_format": receive["sample_format"],
        "channels": receive["channels"],
        "sample_rate_hz": receive["sample_rate_hz"],
        "volts_per_count": scale if isinstance(scale, list) else [scale],
        "gain_db": gain if isinstance(gain, list) else [gain],
        "pretrigger_samples": round(receive["pretrigger_s"] * receive["sample_rate_hz"]),
        "start_utc": "2026-05-04T09:30:00Z",
        "stage_from": "sender",
        "drive_setting_unit": "mV",
        "payload_crc": True,
        "device": "bench digitiser",
    }
    keys.update(changes)
    return {key: value for key, value in keys.items() if value is not None}


def line(keys):
    """A line of JSON, UTF-8, with its LF."""
    return json.dumps(keys, separators=(",", ":")).encode() + b"\n"


def frame(sequence=0, first_sample=0, payload=b"", set_bytes=2, **fields):
    """One frame; every field can be said otherwise, also those that follow from others."""
    target = fields.pop("target", b"")
    target = target.encode() if isinstance(target, str) else target
    beyond = fields.pop("beyond", b"")
    known = {
        "magic": b"smr1",
        "header_bytes": FIXED_BYTES + len(target) + len(beyond),
        "flags": 0,
        "pulse": 0,
        "pulse_first_sample": first_sample,
        "pulse_time_ns": 0,
        "drive_mpa": 0.0,
        "drive_setting": 0.0,
        "exposure": 0,
        "samples": len(payload) // set_bytes,
        "payload_bytes": len(payload),
        "stage": EXPOSURE,
        "target_bytes": len(target),
        "zero_78": bytes(2),
        "payload_crc32": zlib.crc32(payload),
        "zero_84": bytes(8),
        "header_crc32": None,
    }
    unknown = set(fields) - set(known)
    assert not unknown, unknown
    known.update(fields)
    k = known
    head = k["magic"] + struct.pack(
        "<HHQQQQQddIIIBB",
        k["header_bytes"],
        k["flags"],
        sequence,
        first_sample,
        k["pulse"],
        k["pulse_first_sample"],
        k["pulse_time_ns"],
        k["drive_mpa"],
        k["drive_setting"],
        k["exposure"],
        k["samples"],
        k["payload_bytes"],
        k["stage"],
        k["target_bytes"],
    )
    head += k["zero_78"] + struct.pack("<I", k["payload_crc32"]) + k["zero_84"]
    assert len(head) == 92
    crc = zlib.crc32(head + target) if k["header_crc32"] is None else k["header_crc32"]
    return head + struct.pack("<I", crc) + target + beyond + payload


def renumbered(piece, sequence):
    """The frame with another sequence, and the header CRC that belongs to it."""
    moved = bytearray(piece)
    moved[8:16] = struct.pack("<Q", sequence)
    name = bytes(moved[FIXED_BYTES : FIXED_BYTES + moved[77]])
    moved[92:96] = struct.pack("<I", zlib.crc32(bytes(moved[:92]) + name))
    return bytes(moved)


def keepalive(sequence, first_sample=0, **fields):
    """A keepalive: the sequence of the next frame, no samples."""
    return frame(sequence, first_sample, flags=KEEPALIVE, stage=0, pulse_first_sample=0, **fields)


def end(sequence, first_sample=0, flags=0, **fields):
    """End of stream: the sequence of the next frame, no samples."""
    return frame(sequence, first_sample, flags=END | flags, stage=0, pulse_first_sample=0, **fields)


def outside(sequence, first_sample=0, flags=0, payload=b"", **fields):
    """A frame outside any pulse."""
    fields = {"stage": EXPOSURE, "pulse_first_sample": 0} | fields
    return frame(sequence, first_sample, payload, flags=OUTSIDE | flags, **fields)


class Link:
    """One connection to the monitor."""

    def __init__(self, address, greeting=None, receive_bytes=None):
        if isinstance(address, str):
            self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        else:
            self.socket = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
            self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if receive_bytes:
            self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
        self.socket.settimeout(DEADLINE_S)
        self.socket.connect(address)
        self.kept = b""
        self.reply = None
        if greeting is not None:
            self.send(greeting if isinstance(greeting, bytes) else line(greeting))
            self.reply = self.hear()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    def send(self, *pieces):
        """Writes all of it."""
        self.socket.sendall(b"".join(pieces))

    def close(self):
        """Ends the connection as a process does that goes away."""
        self.socket.close()

    def hear(self, within_s=DEADLINE_S):
        """The next line, as JSON; None at the end of the connection."""
        due = time.monotonic() + within_s
        while b"\n" not in self.kept:
            left = due - time.monotonic()
            if left <= 0:
                raise TimeoutError(f"no line within {within_s} s; so far {self.kept!r}")
            self.socket.settimeout(left)
            try:
                got = self.socket.recv(65536)
            except TimeoutError:
                continue
            except ConnectionResetError:
                got = b""
            finally:
                self.socket.settimeout(DEADLINE_S)
            if not got:
                assert not self.kept, f"the monitor ended in the middle of a line: {self.kept!r}"
                return None
            self.kept += got
        text, self.kept = self.kept.split(b"\n", 1)
        return json.loads(text)

    def wait_for(self, key, within_s=DEADLINE_S):
        """The next line that has the key; acknowledgements before it are passed over."""
        due = time.monotonic() + within_s
        while True:
            said = self.hear(max(0.0, due - time.monotonic()))
            assert said is not None, f"the monitor closed before it said {key}"
            if key in said:
                return said
            assert set(said) == {"ack"}, f"{said} instead of {key}"

    def acknowledged(self, sequence):
        """Waits until all frames below are accounted for; nothing else may come before."""
        while (said := self.hear()) != {"ack": sequence}:
            assert said is not None, f"the monitor closed before it acknowledged {sequence}"
            assert set(said) == {"ack"} and said["ack"] < sequence, said

    def ended(self, within_s=DEADLINE_S):
        """Waits until the monitor has closed; asserts that nothing but acknowledgements came before."""
        due = time.monotonic() + within_s
        while (said := self.hear(max(0.0, due - time.monotonic()))) is not None:
            assert set(said) == {"ack"}, f"{said} instead of the end"


# The worked example of PROTOCOL.md, copied from the page; wire.py must build the same bytes.
EXAMPLE = bytes.fromhex(
    """
    73 6d 72 31 66 00 05 00 00 00 00 00 00 00 00 00
    00 09 3d 00 00 00 00 00 01 00 00 00 00 00 00 00
    00 09 3d 00 00 00 00 00 00 c2 eb 0b 00 00 00 00
    7b 14 ae 47 e1 7a c4 3f 00 00 00 00 00 00 00 00
    01 00 00 00 03 00 00 00 06 00 00 00 03 06 00 00
    47 7c 89 ec 00 00 00 00 00 00 00 00 2d bd 19 ac
    76 65 73 73 65 6c 01 00 fe ff 2c 01
    """
)
