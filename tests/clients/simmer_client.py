#!/usr/bin/env python3
"""Sends a digitiser's samples to `simmer monitor` and follows its events. Copy it and change it.

Python 3.11 or later and NumPy. The protocol is described in src/ingest/wire/PROTOCOL.md.

    digitiser = Digitiser(sample_rate_hz=20e6, volts_per_count=6.103515625e-5,
                          pretrigger_samples=40_000)
    with Sender("127.0.0.1:8788", digitiser) as sender:
        for number, (first_sample, samples) in enumerate(records):
            pulse = Pulse(number, first_sample, time_ns=first_sample * 50,
                          stage=Stage.EXPOSURE, exposure=1, drive_mpa=0.16)
            sender.send_pulse(pulse, samples)
        print(sender.end())

    for event in Follower("http://127.0.0.1:8787", "events"):
        if event["event"] == "alarm raised":
            print(event["name"], event["cause"])

A `Sender` never waits for the network unless the monitor is slower than the digitiser. It keeps
what the monitor has not acknowledged, connects again when the link is cut, and goes on where the
monitor stands. Run as a program it sends invented noise: `python simmer_client.py --help`.
"""

from __future__ import annotations

import argparse
import http.client
import json
import math
import secrets
import socket
import struct
import sys
import threading
import time
import urllib.parse
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from enum import IntEnum, IntFlag
from functools import partial

import numpy as np

HEADER = struct.Struct("<4sHHQQQQQddIIIBBHIQ")  # 92 bytes; the header's CRC-32 follows
LONGEST_LINE_BYTES = 1 << 16
DTYPES = {
    "ri8": "i1",
    "ri16_le": "<i2",
    "ri16_be": ">i2",
    "ri32_le": "<i4",
    "rf32_le": "<f4",
    "rf64_le": "<f8",
}


class Stage(IntEnum):
    """What a pulse is for. `BY_OPERATOR` if and only if `Digitiser.stage_from` is "operator"."""

    BY_OPERATOR = 0
    NOISE = 1  # no drive
    BASELINE = 2  # drive, no bubbles
    EXPOSURE = 3


class Flags(IntFlag):
    """The flags of a frame."""

    FIRST = 1
    LAST = 2
    DRIVE_KNOWN = 4
    SAMPLES_LOST = 8
    KEEPALIVE = 16
    END_OF_STREAM = 32
    OUTSIDE_PULSE = 64
    SETTING_KNOWN = 128
    SHAM = 256
    PAUSE = 512
    GO_ON = 1024
    EXPOSURE_ENDED = 2048
    ABORT = 4096


@dataclass(frozen=True)
class Digitiser:
    """What does not change in a stream; must be exactly what the monitor's configuration says."""

    sample_rate_hz: float
    volts_per_count: float | list[float]  # V; one number, or one a channel
    pretrigger_samples: int  # trigger (drive onset) after the first sample of every pulse
    channels: int = 1
    gain_db: float | list[float] = 0.0  # one number, or one a channel
    sample_format: str = "ri16_le"  # a key of DTYPES
    start_utc: str | None = None  # UTC at device time 0, RFC 3339
    stage_from: str = "sender"  # or "operator": the person at the monitor says what pulses are for
    drive_setting_unit: str = ""
    device: str = "simmer_client.py"


@dataclass(frozen=True)
class Pulse:
    """One pulse. The monitor takes drive, stage, exposure, target and sham from its first frame."""

    number: int  # rises from pulse to pulse
    first_sample: int  # device index of its first sample: counts samples since the device started
    time_ns: int  # device time of that sample, ns since `start_utc`, by the device's clock
    stage: Stage = Stage.EXPOSURE
    exposure: int = 0  # 0: unknown, then a change of target or of stage begins the next one
    drive_mpa: float | None = None  # peak negative pressure, MPa
    drive_setting: float | None = None  # as set at the generator, in Digitiser.drive_setting_unit
    target: str = ""  # at most 32 bytes of UTF-8
    sham: bool = False  # trigger without drive


@dataclass(frozen=True)
class Totals:
    """The account of a stream, in frames; `pulses` of which anything came."""

    received: int  # came in whole
    lost: int  # never came, or had a damaged payload
    pulses: int


class SimmerError(Exception):
    """The monitor refuses something or cannot be reached; `error` is the protocol's word if any."""

    def __init__(self, error: str, detail: str) -> None:
        super().__init__(f"{error}: {detail}")
        self.error = error


@dataclass
class _Frame:
    """A frame without its sequence, which a new stream after `expired` gives anew."""

    flags: Flags
    first_sample: int
    samples: int
    payload: bytes = b""
    crc: int = 0
    pulse: Pulse | None = None

    def to_bytes(self, sequence: int) -> bytes:
        """Header and payload as they go over the wire."""
        p = self.pulse or Pulse(0, 0, 0, stage=Stage.BY_OPERATOR)
        target = p.target.encode()
        head = HEADER.pack(
            b"smr1", HEADER.size + 4 + len(target), self.flags, sequence, self.first_sample,
            p.number, p.first_sample, p.time_ns, p.drive_mpa or 0.0, p.drive_setting or 0.0,
            p.exposure, self.samples, len(self.payload), p.stage, len(target), 0, self.crc, 0,
        )  # fmt: skip
        head_crc = zlib.crc32(target, zlib.crc32(head))
        return b"".join((head, struct.pack("<I", head_crc), target, self.payload))


class _Link:
    """One connection: a socket, its lines, and whether it is still up."""

    def __init__(self, address: str, timeout_s: float) -> None:
        if "/" in address:  # a Unix stream socket
            self.socket = socket.socket(socket.AF_UNIX)
            self.socket.settimeout(timeout_s)
            self.socket.connect(address)
        else:
            host, _, port = address.rpartition(":")
            self.socket = socket.create_connection((host.strip("[]"), int(port)), timeout_s)
            self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.up = True
        self.keepalive_s = 2.0
        self._unread = b""

    def line(self) -> dict:
        """The next line; OSError when there is none in time."""
        while b"\n" not in self._unread:
            got = self.socket.recv(1 << 16)
            if not got or len(self._unread) > LONGEST_LINE_BYTES:
                raise OSError("the monitor closed the connection" if not got else "line too long")
            self._unread += got
        line, _, self._unread = self._unread.partition(b"\n")
        return json.loads(line)

    def cut(self) -> None:
        """Wakes whoever reads or writes."""
        self.up = False
        try:
            self.socket.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass  # it is down already


class Sender:
    """A stream to the monitor. Methods may be called from one thread; they return at once, except
    when the monitor is slower than the digitiser for longer than `keep_bytes` last.

    Args:
        address: "HOST:PORT", or the path of a Unix socket.
        payload_crc: whether payloads carry a CRC-32; False is taken on loopback and Unix sockets.
        patience_s: how long to try to reach the monitor, s, before `SimmerError`; also after a cut.
        keep_bytes: memory for frames that are not acknowledged, bytes. When it is full and the link
            is cut, the oldest frames are given up (the totals count them as lost).
        token: the monitor's token, which only senders on other machines need.
        say: is told of cuts and resumes, in words.

    Raises:
        SimmerError: the monitor does not take the stream, or cannot be reached.
    """

    def __init__(
        self,
        address: str,
        digitiser: Digitiser,
        *,
        payload_crc: bool = True,
        patience_s: float = 60.0,
        keep_bytes: int = 256 << 20,
        token: str | None = None,
        say: Callable[[str], None] = lambda text: None,
    ) -> None:
        if digitiser.sample_format not in DTYPES:
            raise ValueError(f"sample_format is {digitiser.sample_format}, must be of {[*DTYPES]}")
        self.address, self.digitiser, self.payload_crc = address, digitiser, payload_crc
        self.patience_s, self.keep_bytes, self.say = patience_s, keep_bytes, say
        self._token = token
        self.dtype = np.dtype(DTYPES[digitiser.sample_format])
        self.streams = 1  # more than 1 when the monitor had forgotten the stream after a cut
        self.resumes = 0
        self.given_up_frames = 0  # frames that are in no stream's account, after `expired`
        self.max_payload_bytes = 0
        self._stream = secrets.token_hex(16)
        self._known = False  # whether the monitor may know this stream
        self._due = 0  # device index at the end of the newest frame
        self._number = -1  # of the newest pulse
        self._whole = True  # whether the open pulse's first frame is in this stream
        # The state below is shared with the two threads of the link.
        self._changed = threading.Condition()
        self._kept: dict[int, _Frame] = {}
        self._kept_bytes = 0
        self._oldest = 0  # lowest sequence that is kept, else the next one
        self._next = 0  # sequence of the next frame that is made
        self._unsent = 0  # sequence of the next frame that goes out
        self._ending = self._closing = False
        self._refused: tuple[int, int] | None = None  # (stream, sequence) of a refused frame
        self._totals: Totals | None = None
        self._failure: SimmerError | None = None
        self._link = self._connect()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    # What a lab calls.

    def send_pulse(self, pulse: Pulse, samples: np.ndarray, *, frame_samples: int = 40_000) -> None:
        """Sends a whole pulse, in frames of `frame_samples` sample sets.

        `samples` has the shape (sample sets, channels), or (sample sets,) with one channel, and the
        type of `Digitiser.sample_format` (int16 for ri16_le, float32 for rf32_le); it is copied.
        """
        starts = range(0, len(samples), frame_samples)
        for start in starts:
            part = samples[start : start + frame_samples]
            self.send_part(pulse, part, first=start == 0, last=start == starts[-1])

    def send_part(
        self,
        pulse: Pulse,
        samples: np.ndarray,
        *,
        first: bool,
        last: bool,
        first_sample: int | None = None,
        lost: bool = False,
        also: Flags = Flags(0),
    ) -> None:
        """Sends one frame of a pulse, so that the analysis can begin before the burst is over.

        Args:
            first_sample: device index of its first sample; where the frame before ended, if None.
            lost: the device lost samples before this frame. If `first_sample` shows no jump, nobody
                knows where, and the pulse counts as incomplete.
            also: `Flags.EXPOSURE_ENDED`, `Flags.ABORT`, `Flags.PAUSE` or `Flags.GO_ON`.
        """
        block = np.asarray(samples)
        block = block[:, None] if block.ndim == 1 else block
        if block.ndim != 2 or block.shape[1] != self.digitiser.channels:
            must = f"(n, {self.digitiser.channels})"
            raise ValueError(f"samples have the shape {block.shape}, must be {must}")
        if not np.can_cast(block.dtype, self.dtype, "equiv"):
            raise TypeError(f"samples are {block.dtype}, the stream's are {self.dtype}")
        if first_sample is None:
            first_sample = pulse.first_sample if first else self._due
        flags = also | (Flags.FIRST if first else 0) | (Flags.LAST if last else 0)
        flags |= Flags.SAMPLES_LOST if lost else 0
        flags |= Flags.DRIVE_KNOWN if pulse.drive_mpa is not None else 0
        flags |= Flags.SETTING_KNOWN if pulse.drive_setting is not None else 0
        flags |= Flags.SHAM if pulse.sham else 0
        payload = block.astype(self.dtype, copy=False).tobytes()  # sample set after sample set
        self._put(_Frame(flags, first_sample, len(block), payload, pulse=pulse))

    def pause(self, at_sample: int | None = None) -> None:
        """No pulse is due from here on. `at_sample` is the device index reached, here and below."""
        self._between(Flags.PAUSE, at_sample)

    def go_on(self, at_sample: int | None = None) -> None:
        """Pulses are due again."""
        self._between(Flags.GO_ON, at_sample)

    def exposure_ended(self, at_sample: int | None = None) -> None:
        """The exposure is complete."""
        self._between(Flags.EXPOSURE_ENDED, at_sample)

    def abort(self, at_sample: int | None = None) -> None:
        """The exposure was broken off."""
        self._between(Flags.ABORT, at_sample)

    def unacknowledged(self) -> int:
        """How many frames are kept because the monitor has not accounted for them yet."""
        with self._changed:
            return len(self._kept)

    def end(self, timeout_s: float = 120.0) -> Totals:
        """Ends the stream and returns the monitor's account, once all frames are accounted for."""
        with self._changed:
            self._ending = True
            self._changed.notify_all()
            done = self._changed.wait_for(lambda: self._totals or self._failure, timeout_s)
        self.close()
        if self._totals:
            return self._totals
        raise self._failure if done else SimmerError("timeout", f"no totals within {timeout_s} s")

    def close(self) -> None:
        """Leaves, without end of stream unless it was sent; the monitor then awaits a resume."""
        with self._changed:
            self._closing = True
            if self._link:
                self._link.cut()
            self._changed.notify_all()
        self._thread.join()

    def __enter__(self) -> Sender:
        return self

    def __exit__(self, kind: type | None, *_: object) -> None:
        if kind is None and not self._closing:
            self.end()
        self.close()

    # Frames in.

    def _between(self, flag: Flags, at_sample: int | None) -> None:
        at_sample = self._due if at_sample is None else at_sample
        self._put(_Frame(flag | Flags.OUTSIDE_PULSE, at_sample, 0))

    def _put(self, frame: _Frame) -> None:
        """Checks what the monitor would refuse, then hands the frame to the link."""
        if frame.first_sample < self._due:
            raise ValueError(f"first_sample is {frame.first_sample}, must be at least {self._due}")
        if len(frame.payload) > self.max_payload_bytes:
            most = self.max_payload_bytes
            raise ValueError(f"a frame has {len(frame.payload)} bytes, must have at most {most}")
        if pulse := frame.pulse:
            for name in ("drive_mpa", "drive_setting"):
                value = getattr(pulse, name)
                if value is not None and not math.isfinite(value):
                    raise ValueError(f"{name} is {value}, must be finite")
            lowest = self._number + (Flags.FIRST in frame.flags)
            if pulse.number < lowest:  # the monitor takes such a frame as one that comes too late
                raise ValueError(f"the pulse's number is {pulse.number}, must be at least {lowest}")
            if len(pulse.target.encode()) > 32:
                raise ValueError(f"target is {pulse.target}, must be at most 32 bytes")
            if (self.digitiser.stage_from == "operator") != (pulse.stage == Stage.BY_OPERATOR):
                source = self.digitiser.stage_from
                raise ValueError(f"stage is {pulse.stage.name} although stage_from is {source}")
        if self.payload_crc:
            frame.crc = zlib.crc32(frame.payload)
        size = len(frame.payload)
        with self._changed:
            self._changed.wait_for(
                lambda: not self._kept or self._kept_bytes + size <= self.keep_bytes
                or not self._link or not self._link.up or self._failure
            )  # fmt: skip
            if self._failure:
                raise self._failure
            if self._ending or self._closing:
                raise ValueError("the stream is over")
            self._due = frame.first_sample + frame.samples
            self._number = pulse.number if pulse else self._number
            self._whole |= Flags.FIRST in frame.flags
            if pulse and not self._whole:  # the rest of a pulse that an expired stream began
                self.given_up_frames += 1
                return
            while self._kept and self._kept_bytes + size > self.keep_bytes:
                self._forget_below(self._oldest + 1)
            self._kept[self._next] = frame
            self._kept_bytes += size
            self._next += 1
            self._changed.notify_all()

    def _forget_below(self, sequence: int) -> None:
        while self._oldest < min(sequence, self._next):
            self._kept_bytes -= len(self._kept.pop(self._oldest).payload)
            self._oldest += 1

    # The link: this thread connects and writes, a second one reads.

    def _run(self) -> None:
        while not self._closing:
            link = self._link
            reader = threading.Thread(target=self._read, args=(link,), daemon=True)
            reader.start()
            try:
                self._write(link)
            except OSError:
                pass  # a cut; what was not acknowledged goes out again
            link.cut()
            reader.join()
            link.socket.close()
            with self._changed:
                self._link = None
                self._changed.notify_all()
                if self._closing or self._totals or self._failure:
                    return
            self.say(f"link cut; {len(self._kept)} frames are kept")
            try:
                new_link = self._connect()
            except SimmerError as failure:
                with self._changed:
                    self._failure = failure
                    self._changed.notify_all()
                return
            with self._changed:
                self._link = new_link

    def _connect(self) -> _Link:
        """Connects and says hello until the monitor says yes."""
        deadline = time.monotonic() + self.patience_s
        trouble = SimmerError("closed", "by the caller")
        while not self._closing:
            link = None
            try:
                link = _Link(self.address, timeout_s=min(10.0, self.patience_s))
                reply = self._hello(link)
                if reply.get("ok"):
                    return self._accepted(link, reply)
                trouble = SimmerError(reply.get("error", "syntax"), reply.get("detail", str(reply)))
            except (OSError, ValueError) as error:
                reply = {"retry": True}
                trouble = SimmerError("unreachable", f"{self.address}: {error}")
            if link:
                link.socket.close()
            if not reply.get("retry") or time.monotonic() > deadline:
                raise trouble
            if trouble.error == "expired":
                self._begin_anew()
                continue
            with self._changed:
                self._changed.wait_for(lambda: self._closing, 0.5)
        raise trouble

    def _hello(self, link: _Link) -> dict:
        """Says hello and returns the reply."""
        d, resume = self.digitiser, self._known
        hello = {"simmer": 1, "stream": self._stream, "resume": resume}
        if resume:
            hello["oldest"] = self._oldest
        if d.start_utc is not None:
            hello["start_utc"] = d.start_utc
        for key in (
            "sample_format", "channels", "sample_rate_hz", "volts_per_count", "gain_db",
            "pretrigger_samples", "stage_from", "drive_setting_unit", "device",
        ):  # fmt: skip
            hello[key] = getattr(d, key)
        hello["payload_crc"] = self.payload_crc
        if self._token is not None:
            hello["token"] = self._token
        # If the reply is cut off, the monitor knows the stream all the same: say resume next time.
        self._known = True
        link.socket.sendall(json.dumps(hello).encode() + b"\n")
        reply = link.line()
        if not resume and not reply.get("ok"):
            self._known = False
        return reply

    def _accepted(self, link: _Link, reply: dict) -> _Link:
        self.max_payload_bytes = int(reply["max_payload_bytes"])
        link.keepalive_s = float(reply["keepalive_s"])
        link.socket.settimeout(5 * link.keepalive_s)  # acknowledgements come every 0.5 s
        with self._changed:
            self._forget_below(int(reply["next"]))
            self._unsent = max(int(reply["next"]), self._oldest)
            if self._unsent or self._next:  # else nothing was sent before the cut
                self.resumes += 1
                self.say(f"resumed at frame {self._unsent}")
        return link

    def _begin_anew(self) -> None:
        """A new stream, with what is kept and comes from the first whole pulse on."""
        with self._changed:
            frames, self._whole = [], False
            for frame in self._kept.values():
                self._whole |= Flags.FIRST in frame.flags
                if self._whole or not frame.pulse:
                    frames.append(frame)
            self.given_up_frames += len(self._kept) - len(frames)
            self._kept = dict(enumerate(frames))
            self._kept_bytes = sum(len(frame.payload) for frame in frames)
            self._oldest, self._next = 0, len(frames)
            self._stream, self._known = secrets.token_hex(16), False
            self.streams += 1
        self.say("the monitor does not know the stream any more: a new one")

    def _write(self, link: _Link) -> None:
        """Writes frames, and keepalives when there are none, until the link is down."""
        ended = False
        while True:
            with self._changed:
                self._changed.wait_for(
                    lambda: not link.up
                    or self._unsent < self._next
                    or (self._ending and not ended),
                    None if ended else link.keepalive_s / 2,
                )
                if not link.up:
                    return
                self._unsent = max(self._unsent, self._oldest)
                sequence, frame = self._unsent, self._kept.get(self._unsent)
                if frame:
                    self._unsent += 1
                else:
                    ended = self._ending
                    frame = _Frame(Flags.END_OF_STREAM if ended else Flags.KEEPALIVE, self._due, 0)
            link.socket.sendall(frame.to_bytes(sequence))

    def _read(self, link: _Link) -> None:
        """Reads what the monitor says until the link is down."""
        try:
            while link.up:
                self._heard(link.line())
        except (OSError, ValueError):
            pass  # a cut, or what cannot be a line of the monitor
        with self._changed:
            link.cut()
            self._changed.notify_all()

    def _heard(self, line: dict) -> None:
        with self._changed:
            if "ack" in line:
                self._forget_below(int(line["ack"]))
            elif "end" in line:
                self._totals = Totals(line["received"], line["lost"], line["pulses"])
            elif "error" in line:
                at = (self.streams, line.get("sequence"))
                if line["error"] in ("header", "length", "backwards"):
                    # Once it can be the link's fault. Twice the same frame is the frame's.
                    if at == self._refused:
                        self._failure = SimmerError(line["error"], line.get("detail", ""))
                    self._refused = at
                self.say(f"the monitor says {line['error']}: {line.get('detail', '')}")
            self._changed.notify_all()


@dataclass
class Follower:
    """Lines of the monitor's NDJSON followers, one dict each, as they come.

    Args:
        page: the monitor's page, "http://HOST:PORT".
        what: "events" (alarms, stages, marks, …) or "pulses" (a row a pulse and channel).
        after: begin after this event's `n` or this pulse's number; None: from now on.
        token: the monitor's token, if it has one.
        timeout_s: TimeoutError when nothing comes for so long, s; None: wait.
    """

    page: str
    what: str = "events"
    after: int | None = None
    timeout_s: float | None = None
    token: str | None = field(default=None, repr=False)
    _connection: http.client.HTTPConnection = field(init=False, repr=False)

    def __post_init__(self) -> None:
        query = "" if self.after is None else f"?after={self.after}"
        host = urllib.parse.urlsplit(self.page).netloc
        self._connection = http.client.HTTPConnection(host, timeout=self.timeout_s)
        self._connection.connect()
        self._socket = self._connection.sock
        headers = {} if self.token is None else {"Authorization": f"Bearer {self.token}"}
        self._connection.request("GET", f"/api/v1/{self.what}/follow{query}", headers=headers)
        self._response = self._connection.getresponse()
        if self._response.status != 200:
            problem = self._response.read(LONGEST_LINE_BYTES).decode(errors="replace")
            self._connection.close()
            raise SimmerError(f"HTTP status {self._response.status}", problem)

    def __iter__(self) -> Iterator[dict]:
        try:
            while (line := self._response.readline(1 << 24)).endswith(b"\n"):
                if line.strip():
                    yield json.loads(line)
        except (http.client.HTTPException, ConnectionError):
            return  # the monitor stopped, or `close` was called

    def close(self) -> None:
        """Ends the iteration, also from another thread."""
        try:
            self._socket.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass  # it is down already


def main() -> int:
    """Sends invented noise pulses and prints the totals."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--to", default="127.0.0.1:8788", help="HOST:PORT or path of a Unix socket")
    parser.add_argument("--pulses", type=int, default=20)
    parser.add_argument("--period-s", type=float, default=0.2, help="from pulse to pulse, s")
    parser.add_argument("--samples", type=int, default=120_000, help="sample sets a pulse")
    parser.add_argument("--frame-samples", type=int, default=40_000, help="sample sets a frame")
    parser.add_argument("--noise-counts", type=float, default=20.0, help="deviation, counts")
    parser.add_argument("--stage", choices=["noise", "baseline", "exposure"], default="noise")
    parser.add_argument("--drive-mpa", type=float, help="peak negative pressure, MPa")
    parser.add_argument("--sample-rate-hz", type=float, default=20e6)
    parser.add_argument("--channels", type=int, default=1)
    parser.add_argument("--volts-per-count", type=float, default=6.103515625e-5)
    parser.add_argument("--gain-db", type=float, default=0.0)
    parser.add_argument("--pretrigger-samples", type=int, default=40_000)
    parser.add_argument("--sample-format", choices=[*DTYPES], default="ri16_le")
    parser.add_argument("--token", help="the monitor's token, which only other machines need")
    parser.add_argument("--patience-s", type=float, default=60.0, help="for connecting, s")
    args = parser.parse_args()
    digitiser = Digitiser(
        args.sample_rate_hz, args.volts_per_count, args.pretrigger_samples, args.channels,
        args.gain_db, args.sample_format,
    )  # fmt: skip
    random = np.random.default_rng(1)
    try:
        say = partial(print, file=sys.stderr)
        sender = Sender(
            args.to, digitiser, patience_s=args.patience_s, token=args.token, say=say
        )
        began = time.monotonic()
        with sender:
            for number in range(args.pulses):
                time.sleep(max(0.0, began + number * args.period_s - time.monotonic()))
                time_ns = round(number * args.period_s * 1e9)
                first_sample = round(number * args.period_s * args.sample_rate_hz)
                stage = Stage[args.stage.upper()]
                pulse = Pulse(number, first_sample, time_ns, stage, drive_mpa=args.drive_mpa)
                noise = random.normal(0.0, args.noise_counts, (args.samples, args.channels))
                noise = noise if sender.dtype.kind == "f" else np.rint(noise)
                samples = noise.astype(sender.dtype)
                sender.send_pulse(pulse, samples, frame_samples=args.frame_samples)
            totals = sender.end()
    except (SimmerError, ValueError) as error:
        print(f"error: {error}", file=sys.stderr)
        return 1
    print(f"received {totals.received} frames, lost {totals.lost}, {totals.pulses} pulses")
    return 0


if __name__ == "__main__":
    sys.exit(main())
