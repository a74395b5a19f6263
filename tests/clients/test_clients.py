"""The example clients, run against a real `simmer monitor`."""

import json
import re
import shutil
import struct
import subprocess
import sys
import threading
import time
import zlib
from pathlib import Path

import numpy as np
import pytest
from conftest import DEADLINE_S, REPO
from simmer_client import Digitiser, Flags, Follower, Pulse, Sender, SimmerError, Stage, _Frame

HERE = Path(__file__).resolve().parent
RATE_HZ = 20e6
PERIOD_SAMPLES = 4_000_000  # 5 pulses a second
# As config/bench-phantom.toml has it.
BENCH = Digitiser(RATE_HZ, 6.103515625e-5, 40_000, start_utc="2026-05-04T09:30:00Z")
FRAME_SAMPLES = 30_000
PULSE_SAMPLES = 120_000


def pulse(number, **about):
    """A pulse on the grid of 5 a second."""
    first_sample = number * PERIOD_SAMPLES
    return Pulse(number, first_sample, first_sample * 50, **{"stage": Stage.NOISE} | about)


def record(seed, tone_counts=0.0, noise_counts=20.0, channels=1):
    """Noise of a pulse's length, and 0.7 MHz from the trigger on; int16."""
    noise = np.random.default_rng(seed).normal(0.0, noise_counts, (PULSE_SAMPLES, channels))
    since_trigger = np.arange(PULSE_SAMPLES) - BENCH.pretrigger_samples
    tone = tone_counts * np.sin(2 * np.pi * 0.7e6 / RATE_HZ * since_trigger) * (since_trigger >= 0)
    return np.rint(noise + tone[:, None]).astype(np.int16)


def series(number):
    """Pulses 1 to 100 of a session: 10 noise, 40 baseline, 50 exposure."""
    if number <= 10:
        return pulse(number, target="vessel"), record(number)
    stage = Stage.BASELINE if number <= 50 else Stage.EXPOSURE
    about = {"stage": stage, "drive_mpa": 0.16, "exposure": int(number > 50), "target": "vessel"}
    return pulse(number, **about), record(number, tone_counts=400.0)


def send_series(sender):
    """All of them, in four frames each."""
    for number in range(1, 101):
        sender.send_pulse(*series(number), frame_samples=FRAME_SAMPLES)
    return sender.end()


def worked_example():
    """The bytes of the page's frame, and the CRCs that it names."""
    page = (REPO / "src/ingest/wire/PROTOCOL.md").read_text()
    lines = re.search(r"```frame\n(.*?)```", page, re.S)[1].splitlines()
    frame = bytes.fromhex("".join(line.split(maxsplit=1)[1] for line in lines))
    return frame, int(re.search(r"its header_crc32 is 0x([0-9a-f]{8})", page)[1], 16)


def test_frames_are_those_of_the_protocol_page():
    frame, keepalive_crc = worked_example()
    samples = np.array([1, -2, 300], "<i2").tobytes()
    about = Pulse(1, 4_000_000, 200_000_000, Stage.EXPOSURE, 1, drive_mpa=0.16, target="vessel")
    flags = Flags.FIRST | Flags.DRIVE_KNOWN
    # The worked example of PROTOCOL.md.
    assert _Frame(flags, 4_000_000, 3, samples, zlib.crc32(samples), about).to_bytes(0) == frame
    keepalive = _Frame(Flags.KEEPALIVE, 4_000_003, 0).to_bytes(1)
    assert keepalive == struct.pack("<4sHHQQ68xI", b"smr1", 96, 16, 1, 4_000_003, keepalive_crc)


def test_a_stream_cut_twice_in_a_frame_resumes_and_its_account_closes(start_monitor, relay):
    """The same 100 pulses with and without two cuts leave the same rows, and nothing is lost."""
    whole = start_monitor()
    with Sender(whole.stream, BENCH) as sender:
        assert send_series(sender).received == 400
    whole.stop()

    cut = start_monitor()
    frame_bytes = 96 + len("vessel") + 2 * FRAME_SAMPLES
    # First in the middle of a sample of a payload, then in the middle of a header.
    in_payload, in_header = 133 * frame_bytes + 102 + 30_001, 100 * frame_bytes + 50
    between = relay(cut.stream, ("cut", in_payload), ("cut", in_header))
    with Sender(between.address, BENCH) as sender:
        totals = send_series(sender)
    assert sender.resumes == 2 and sender.streams == 1
    assert (totals.received, totals.lost, totals.pulses) == (400, 0, 100)
    rows = cut.stop()
    assert [row["pulse"] for row in rows] == [str(number) for number in range(1, 101)]
    assert [row["stage"] for row in rows] == ["noise"] * 10 + ["baseline"] * 40 + ["exposure"] * 50
    assert {row["target"] for row in rows} == {"vessel"}
    assert {float(row["drive_mpa"]) for row in rows[10:]} == {0.16}
    assert rows == whole.rows()
    about = cut.about()
    assert about["account"]["closes"] and about["account"]["samples_received"] == 100 * PULSE_SAMPLES
    assert about["stream"]["resumes"] == 2 and about["stream"]["frames_lost"] == 0


def test_a_lost_reply_and_lost_totals_are_asked_for_again(start_monitor, relay):
    """The link is cut before the reply to hello, and again between end of stream and the totals."""
    monitor = start_monitor()
    frames_and_end = 5 * (4 * 96 + 2 * PULSE_SAMPLES) + 96
    between = relay(monitor.stream, ("mute",), ("cut", frames_and_end))
    with Sender(between.address, BENCH) as sender:
        for number in range(5):
            sender.send_pulse(pulse(number), record(number), frame_samples=FRAME_SAMPLES)
        totals = sender.end()
    assert len(between.sent) == 3
    assert (totals.received, totals.lost, totals.pulses) == (20, 0, 5)
    assert len(monitor.stop()) == 5


def test_a_link_that_says_nothing_counts_as_cut(start_monitor, relay):
    """Nothing is passed on any more, but nobody closes: the sender connects again by itself."""
    monitor = start_monitor()
    between = relay(monitor.stream, ("freeze", 250_000))
    said = []
    with Sender(between.address, BENCH, say=said.append) as sender:
        for number in range(5):
            sender.send_pulse(pulse(number), record(number))
        totals = sender.end()
    assert (totals.received, totals.lost, totals.pulses) == (15, 0, 5)
    assert sender.resumes == 1, said
    assert len(monitor.stop()) == 5


def test_an_idle_sender_keeps_the_link_alive(start_monitor):
    """Six times the keepalive time without a frame, longer than the monitor waits."""
    monitor = start_monitor()
    with Sender(monitor.stream, BENCH) as sender:
        sender.send_pulse(pulse(0), record(0))
        sender.pause()
        time.sleep(12.0)
        sender.go_on(at_sample=300_000_000)
        sender.send_pulse(pulse(75), record(75))
        totals = sender.end()
    assert sender.resumes == 0
    assert (totals.received, totals.lost, totals.pulses) == (8, 0, 2)
    assert [row["pulse"] for row in monitor.stop()] == ["0", "75"]


def test_a_monitor_that_was_started_anew_gets_a_new_stream(start_monitor):
    """It says `expired`. What was begun with the first one is given up, whole pulses go on."""
    first = start_monitor()
    sender = Sender(first.stream, BENCH)
    for number in range(5):
        sender.send_pulse(pulse(number), record(number))
    parts = np.split(record(5), 3)
    sender.send_part(pulse(5), parts[0], first=True, last=False)
    deadline = time.monotonic() + DEADLINE_S
    while sender.unacknowledged():
        assert time.monotonic() < deadline
        time.sleep(0.02)
    first.kill()
    sender.send_part(pulse(5), parts[1], first=False, last=False)
    second = start_monitor(stream=first.stream)
    while sender.streams == 1:
        assert time.monotonic() < deadline
        time.sleep(0.02)
    sender.send_part(pulse(5), parts[2], first=False, last=True)
    for number in range(6, 10):
        sender.send_pulse(pulse(number), record(number))
    totals = sender.end()
    assert (sender.streams, sender.given_up_frames) == (2, 2)
    assert (totals.received, totals.lost, totals.pulses) == (12, 0, 4)
    assert [row["pulse"] for row in second.stop()] == ["6", "7", "8", "9"]


def test_what_is_given_up_during_a_cut_is_accounted_as_lost(start_monitor, relay):
    """A sender that may keep 1 MB only, cut while it goes on: oldest frames are lost, not silently."""
    monitor = start_monitor()
    between = relay(monitor.stream, ("freeze", 500_000), ("mute",))
    with Sender(between.address, BENCH, keep_bytes=1_000_000) as sender:
        made = 0
        while not sender.resumes:  # waits while the frozen link looks alive, then gives frames up
            sender.send_pulse(pulse(made), record(made))
            made += 1
            assert made < 1000
        totals = sender.end()
    hello = json.loads(between.sent[-1].partition(b"\n")[0])
    assert hello["resume"] and hello["oldest"] > 0
    assert totals.received + totals.lost == 3 * made
    assert totals.lost > 0
    monitor.stop()
    assert monitor.about()["stream"]["frames_lost"] == totals.lost


def test_alarms_are_read_while_pulses_are_sent(start_monitor):
    """Samples at full scale raise the alarm of that name, and the follower says so at once."""
    monitor = start_monitor()
    events = Follower(monitor.page, "events", timeout_s=DEADLINE_S)
    rows = Follower(monitor.page, "pulses", timeout_s=DEADLINE_S)
    raised, heard = threading.Event(), []

    def follow():
        for event in events:
            heard.append(event)
            if event["event"] == "alarm raised" and event["name"] == "overload":
                raised.set()

    thread = threading.Thread(target=follow)
    thread.start()
    with Sender(monitor.stream, BENCH) as sender:
        for number in range(5):
            sender.send_pulse(pulse(number, stage=Stage.EXPOSURE), record(number, tone_counts=400.0))
        assert [row["pulse"] for _, row in zip(range(5), rows)] == [0, 1, 2, 3, 4]
        assert not raised.is_set()
        clipped = np.clip(record(5, tone_counts=12_000.0), -8192, 8191)  # full_scale_counts
        sender.send_pulse(pulse(5, stage=Stage.EXPOSURE), clipped)
        # The stream goes on, so the alarm does not come from its end.
        assert raised.wait(DEADLINE_S), heard
        sender.end()
    events.close()
    rows.close()
    thread.join(DEADLINE_S)
    assert not thread.is_alive()
    alarm = next(e for e in heard if e["event"] == "alarm raised" and e["name"] == "overload")
    assert alarm["pulse"] == 5 and alarm["severity"] == "warning"


def two_channels(sample_format):
    """The bench configuration with two channels."""

    def edit(text):
        text = text.replace("channels = 1 ", "channels = 2 ")
        return text.replace('sample_format = "ri16_le"', f'sample_format = "{sample_format}"')

    return edit


def test_int16_and_float32_arrays_of_two_channels_give_the_same_rows(start_monitor):
    """Channel 1 is ten times louder than channel 0, so a swap would show."""
    left = []
    for sample_format, dtype in (("ri16_le", np.int16), ("rf32_le", np.float32)):
        monitor = start_monitor(edit=two_channels(sample_format))
        digitiser = Digitiser(RATE_HZ, 6.103515625e-5, 40_000, 2, [0.0, 0.0], sample_format)
        with Sender(monitor.stream, digitiser) as sender:
            with pytest.raises(TypeError):
                sender.send_pulse(pulse(0), record(0, channels=2).astype(np.float64))
            with pytest.raises(ValueError):
                sender.send_pulse(pulse(0), record(0).astype(dtype))
            for number in range(3):
                samples = record(number, channels=2) * np.array([1, 10], np.int16)
                sender.send_pulse(pulse(number), samples.astype(dtype))
            assert sender.end().lost == 0
        left.append(monitor.stop())
    assert left[0] == left[1]
    power = [float(row["broadband_v2"]) for row in left[0] if row["channel"] in ("0", "1")]
    # Power goes with the square of the amplitude: 10² = 100, within the spread of the estimate.
    assert np.array(power[1::2]) / np.array(power[0::2]) == pytest.approx(100.0, rel=0.05)


def test_pauses_ends_and_aborts_are_in_the_session(start_monitor):
    """What is said between pulses, with the exposures that come of it."""
    monitor = start_monitor()
    with Sender(monitor.stream, BENCH) as sender:
        for number, exposure in enumerate((1, 1, 2, 2, 3, 3)):
            about = pulse(number, stage=Stage.EXPOSURE, exposure=exposure, drive_mpa=0.1)
            sender.send_pulse(about, record(number, tone_counts=400.0))
            if number == 0:
                sender.pause()
                sender.go_on(at_sample=PERIOD_SAMPLES)
            if number == 1:
                sender.exposure_ended()
            if number == 3:
                sender.abort()
        sender.end()
    monitor.stop()
    marks = [event["mark"] for event in monitor.events() if event["event"] == "mark"]
    assert [mark for mark in marks if mark != "pause"] == ["resume", "exposure ended", "abort"]
    assert "pause" in marks[: marks.index("resume")]
    ended = [(row["exposure"], row["received"], row["ended_by"]) for row in monitor.exposures()]
    assert ended == [("1", "2", "the sender"), ("2", "2", "abort"), ("3", "2", "end of stream")]


def test_what_the_monitor_refuses_is_an_error(start_monitor):
    """A hello that does not fit, a second sender, and a frame that contradicts the one before."""
    monitor = start_monitor()
    with pytest.raises(SimmerError, match="sample_rate_hz is 25000000") as refused:
        Sender(monitor.stream, Digitiser(25e6, 6.103515625e-5, 40_000))
    assert refused.value.error == "rate"
    with pytest.raises(SimmerError, match="unreachable"):
        Sender("127.0.0.1:1", BENCH, patience_s=0.1)
    sender = Sender(monitor.stream, BENCH)
    with pytest.raises(SimmerError) as refused:
        Sender(monitor.stream, BENCH, patience_s=1.0)
    assert refused.value.error == "busy"
    part = record(0)[:1000]
    with pytest.raises(ValueError, match="drive_mpa is nan"):
        sender.send_part(pulse(0, drive_mpa=float("nan")), part, first=True, last=False)
    sender.send_part(pulse(0), part, first=True, last=False)
    with pytest.raises(ValueError, match="number is 0, must be at least 1"):
        sender.send_part(pulse(0), part, first=True, last=False, first_sample=1000)
    with pytest.raises(ValueError, match="first_sample is 999, must be at least 1000"):
        sender.send_part(pulse(0), part, first=False, last=False, first_sample=999)
    sender.send_part(Pulse(0, 0, 77, Stage.NOISE), part, first=False, last=True)
    with pytest.raises(SimmerError, match="pulse_time_ns is 77"):
        sender.end()


def test_a_unix_socket_takes_payloads_without_crc(start_monitor, tmp_path):
    """The address is a path then."""
    path = str(tmp_path / "stream")
    monitor = start_monitor(
        edit=lambda text: text.replace('stream = "127.0.0.1:0" ', f'stream_unix = "{path}" ')
    )
    with Sender(path, BENCH, payload_crc=False) as sender:
        sender.send_pulse(pulse(0), record(0))
        assert sender.end().received == 3
    assert len(monitor.stop()) == 1


def test_the_python_example_runs_as_a_program(start_monitor):
    """As its head says."""
    monitor = start_monitor()
    done = subprocess.run(
        [sys.executable, HERE / "simmer_client.py", "--to", monitor.stream, "--pulses", "5"],
        capture_output=True,
        text=True,
        timeout=DEADLINE_S,
        check=False,
    )
    assert (done.returncode, done.stdout) == (0, "received 15 frames, lost 0, 5 pulses\n"), done
    assert len(monitor.stop()) == 5


def octave(call):
    """Runs a call of the example in GNU Octave."""
    program = shutil.which("octave-cli")
    assert program, "there is no octave-cli; install the Debian packages octave, octave-instrument-control"
    return subprocess.run(
        [program, "--no-init-file", "--eval", call],
        cwd=HERE,
        capture_output=True,
        text=True,
        timeout=DEADLINE_S,
        check=False,
    )


def test_the_octave_example_runs_end_to_end(start_monitor, relay):
    """Its totals, its rows, and the headers that it sent."""
    monitor = start_monitor()
    between = relay(monitor.stream)
    host, _, port = between.address.rpartition(":")
    done = octave(f"send_pulses('{host}', {port}, 10)")
    assert (done.returncode, done.stdout) == (0, "received 30 frames, lost 0, 10 pulses\n"), done
    rows = monitor.stop()
    assert [row["pulse"] for row in rows] == [str(number) for number in range(10)]
    assert {row["stage"] for row in rows} == {"noise"}
    assert monitor.about()["account"]["closes"]
    hello, _, rest = bytes(between.sent[0]).partition(b"\n")
    frames = 0
    while rest:
        header_bytes, flags, sequence, _, number = struct.unpack_from("<HHQQQ", rest, 4)
        (payload_bytes,) = struct.unpack_from("<I", rest, 72)
        (crc,) = struct.unpack_from("<I", rest, 92)
        assert header_bytes == 96 and crc == zlib.crc32(rest[:92])
        if not flags & (Flags.KEEPALIVE | Flags.END_OF_STREAM):
            assert (sequence, number) == (frames, frames // 3) and payload_bytes == 80_000
            frames += 1
        rest = rest[header_bytes + payload_bytes :]
    assert frames == 30


def test_the_octave_example_says_that_the_link_is_cut(start_monitor, relay):
    """It does not connect again, so it must not go on as if nothing were."""
    monitor = start_monitor()
    between = relay(monitor.stream, ("cut", 200_000))
    host, _, port = between.address.rpartition(":")
    done = octave(f"send_pulses('{host}', {port}, 10)")
    assert done.returncode != 0 and "the link to the monitor is cut" in done.stderr, done


def test_followers_need_the_token_and_senders_on_loopback_do_not(start_monitor, tmp_path):
    """A monitor with a token_file."""
    token = "a-token-that-nobody-guesses-0123456789"
    (tmp_path / "token").write_text(token + "\n")
    (tmp_path / "token").chmod(0o600)
    line = f'token_file = "{tmp_path / "token"}"\nspectra_kept_bytes'
    monitor = start_monitor(edit=lambda text: text.replace("spectra_kept_bytes", line))
    with pytest.raises(SimmerError, match="401"):
        Follower(monitor.page, "pulses")
    follower = Follower(monitor.page, "pulses", timeout_s=DEADLINE_S, token=token)
    for given in (None, token):
        with Sender(monitor.stream, BENCH, token=given) as sender:
            sender.send_pulse(pulse(int(given is not None)), record(0))
    assert [row["pulse"] for _, row in zip(range(2), follower)] == [0, 1]
    follower.close()
    monitor.stop()
