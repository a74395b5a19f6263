"""Recordings that are sent live and replayed, and the frames of a recording.

Emissions are those of the oracle's make.py. Numbers of pulses are small: 12 baseline pulses of a drive
are enough for limits (10 are needed).
"""

from dataclasses import dataclass

import numpy as np

from make import FORMATS, Emission, baseline_emissions, configuration, format_changes, record, write_config
from wire import (
    BASELINE,
    DEVICE_LOST,
    DRIVE_KNOWN,
    EXPOSURE,
    FIRST,
    LAST,
    NOISE,
    SETTING_KNOWN,
    frame,
)

STAGES = {"noise": NOISE, "baseline": BASELINE, "exposure": EXPOSURE}
# Every kind of alarm, each with limits by budget and one by hand.
ALARMS = [
    {"name": "inertial", "severity": "stop", "quantity": "broadband", "limit": "budget", "latch": True},
    {"name": "stable", "severity": "warning", "quantity": "ultraharmonic", "limit": "budget", "latch": False},
    {
        "name": "loud",
        "severity": "warning",
        "quantity": "harmonic",
        "limit": {"db": 3.0},
        "off_db": 2.0,
        "m_of_n": "2 of 3",
        "latch": False,
    },
    {"name": "pulse missing", "severity": "warning", "condition": "pulse missing", "latch": False},
    {"name": "not hearing", "severity": "warning", "condition": "not hearing", "latch": False},
    {"name": "overload", "severity": "warning", "condition": "overload", "latch": False},
]
for alarm in ALARMS:
    alarm.update(hold_s=0.0 if alarm["name"] == "pulse missing" else 0.3, sinks=["page", "events"])


@dataclass
class Scene:
    """A recording with its configuration, both written."""

    config: dict
    path: object
    recordings: list
    recorded: object = None


def with_alarms(**changes):
    """A configuration with every kind of alarm."""
    return configuration(**changes) | {"alarm": ALARMS}


def exposures(target="tube", **extra):
    """Exposure pulses of every verdict: quiet, an ultraharmonic, broadband, uncoupled, overdriven."""

    def clip(counts, _):
        counts[6000:6400] = 8191

    kinds = [
        {},
        {},
        {"lines_v": {1.5: 1.5e-3}},
        {"lines_v": {1.5: 1.5e-3, 0.5: 1e-3}},
        {"lines_v": {1.5: 1.5e-3}},
        {"broadband_v": 3e-3},
        {"broadband_v": 2e-3},
        {"coupling_db": -25.0},
        {"lines_v": {2: 0.05, 3: 0.05}},
        {"after": clip},
        {},
    ]
    return [Emission(target=target, extra=dict(extra), **kind) for kind in kinds]


def timed(emissions, period_ns=200_000_000, holes=()):
    """Device times 0.2 s apart; before the pulses in `holes` another 3 s pass."""
    at = 0
    for i, emission in enumerate(emissions):
        at += period_ns + (3_000_000_000 if i in holes else 0)
        # Not a multiple of anything: time is data.
        emission.extra["simmer:time_ns"] = at + 17 * i
    return emissions


def write(folder, name, config, emissions, seed, **overrides):
    recorded = record(config, emissions, seed)
    meta = recorded.write(folder / name, **overrides)
    return Scene(config, write_config(config, folder / f"{name}.toml"), [meta], recorded)


def long_pulses(folder):
    """One channel, pulses of 120 000 samples at 20 MHz, drive settings, exposures with numbers."""
    config = with_alarms(
        drive__pulse_s=4e-3,
        receive__sample_rate_hz=20e6,
        receive__pretrigger_s=2e-3,
        receive__gate_end_s=3.9e-3,
        receive__noise_gate_start_s=-1.95e-3,
    )
    emissions = [Emission(drive_mpa=0.0, stage="noise") for _ in range(2)]
    emissions += baseline_emissions((0.2, 0.3), each=12)
    emissions += exposures()
    for i, emission in enumerate(emissions):
        emission.extra["simmer:drive_setting"] = 10.0 + i / 3
        if emission.stage == "exposure":
            emission.extra["simmer:exposure"] = 4 if i < 32 else 7
    return write(folder, "long", config, timed(emissions), 11)


def four_channels(folder):
    """Four channels of rf32_le, one unused, two targets, pulses that never came, samples the device lost."""
    config = with_alarms(**format_changes("rf32_le"), receive__channels=4, receive__unused_channels=[2])
    emissions = []
    for target in ("left", "right"):
        emissions += baseline_emissions((0.3,), each=12, target=target)
        emissions += exposures(target)
    for i in (26, 30, 43):
        emissions[i].extra["simmer:lost_samples"] = 1 + 100 * i
    # One pulse ends before its gates do.
    emissions[18].count = 17000
    return write(folder, "four", config, timed(emissions, holes=(14, 40)), 12)


def without_start(folder):
    """Two channels of ri16_be with a scale each, no UTC, no device times, numbers with gaps."""
    config = with_alarms(
        **(format_changes("ri16_be") | {"receive__volts_per_count": [6.103515625e-5, 5e-5]}),
        receive__channels=2,
        receive__gain_db=[0.0, 20.0],
    )
    emissions = baseline_emissions((0.3,), each=12) + exposures()
    for i, emission in enumerate(emissions):
        emission.number = 3 * i + 5
    return write(folder, "plain", config, emissions, 13, captures=[{"core:sample_start": 0}])


def sets_of(scene):
    """Bytes of a sample set."""
    return np.dtype(FORMATS[scene.recorded.format][0]).itemsize * scene.config["receive"]["channels"]


def frames(scene, frame_samples, shift=0):
    """All frames of the recording in order, as PROTOCOL.md asks; pulse by pulse, none between them."""
    recorded, set_bytes = scene.recorded, sets_of(scene)
    rate = scene.config["receive"]["sample_rate_hz"]
    data = np.ascontiguousarray(recorded.counts).astype(FORMATS[recorded.format][0])
    out = []
    for pulse in recorded.pulses:
        extra = pulse["extra"]
        first = pulse["start"] + shift
        time_ns = extra.get("simmer:time_ns", round(pulse["start"] * 1e9 / rate))
        setting = extra.get("simmer:drive_setting")
        for offset in range(0, pulse["count"], frame_samples):
            count = min(frame_samples, pulse["count"] - offset)
            at = pulse["start"] + offset
            flags = DRIVE_KNOWN | (SETTING_KNOWN if setting is not None else 0)
            if offset == 0:
                flags |= FIRST | (DEVICE_LOST if extra.get("simmer:lost_samples") else 0)
            if offset + count == pulse["count"]:
                flags |= LAST
            out.append(
                frame(
                    len(out),
                    at + shift,
                    data[at : at + count].tobytes(),
                    set_bytes,
                    flags=flags,
                    pulse=pulse["number"],
                    pulse_first_sample=first,
                    pulse_time_ns=time_ns,
                    drive_mpa=pulse["drive_mpa"],
                    drive_setting=setting or 0.0,
                    exposure=extra.get("simmer:exposure", 0),
                    stage=STAGES[pulse["stage"]],
                    target=pulse["target"],
                )
            )
    return out


def end_sample(scene):
    """The device index after the last sample."""
    return len(scene.recorded.counts)
