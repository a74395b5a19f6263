"""Makes configurations and recordings for the tests, from a seed: SigMF pairs, cue lists, TOML.

The emission law is simple and stated here: white receiver noise and hum, always; while the drive
lasts some feed-through at once and, from the first arrival on, a fundamental that follows the drive,
harmonics that grow by propagation as drive^h, and whatever a pulse is told to add (lines, broadband,
a gain). Amplitudes are in volts.
"""

import copy
import json
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from judge import Pulse
from method import half_even, measure

START_UTC = "2026-05-04T09:30:00Z"
# Format to NumPy type and full scale in counts; float formats have no stops of their own.
FORMATS = {
    "ri8": ("i1", (-128, 127)),
    "ri16_le": ("<i2", (-8192, 8191)),
    "ri16_be": (">i2", (-8192, 8191)),
    "ri32_le": ("<i4", (-(2**23), 2**23 - 1)),
    "rf32_le": ("<f4", (-8192, 8191)),
    "rf64_le": ("<f8", (-8192, 8191)),
}
HALF_SPAN_V = 0.5


def configuration(**changes):
    """A complete configuration; `changes` are `section__key=value` (None removes the key)."""
    config = {
        "session": {"subject": "phantom 3", "agent": "simulated bubbles"},
        "drive": {
            "frequency_hz": 0.7e6,
            "pulse_s": 2e-3,
            "repetition_hz": 5.0,
            "drive_tolerance": 0.05,
            "drive_means": "peak negative pressure at the focus, free field",
            "missing_after_periods": 2.5,
        },
        "receive": {
            "sample_rate_hz": 10e6,
            "channels": 1,
            "sample_format": "ri16_le",
            "volts_per_count": HALF_SPAN_V / 8192,
            "full_scale_counts": [-8192, 8191],
            "gain_db": 0.0,
            "pretrigger_s": 0.5e-3,
            "gate_start_s": 0.2e-3,
            "gate_end_s": 1.9e-3,
            "noise_gate_start_s": -0.45e-3,
            "noise_gate_end_s": -0.05e-3,
            "first_arrival_s": 90e-6,
            "unused_channels": [],
        },
        "spectrum": {"resolution_hz": 5e3, "window": "hann", "overlap": 0.5},
        "bands": {
            "harmonics": [2, 3, 4],
            "ultraharmonics": [1.5, 2.5, 3.5],
            "subharmonic": True,
            "line_half_width_hz": 15e3,
            "guard_half_width_hz": 60e3,
            "flank_half_width_hz": 150e3,
            "broadband_hz": [[1.1e6, 4.8e6]],
            "notches_hz": [[3.32e6, 3.34e6]],
        },
        "detect": {
            "false_alarms_per_exposure": 0.01,
            "expected_pulses": 600,
            "stable_from": ["ultraharmonic", "subharmonic"],
            "rule": {
                "harmonic": "1 of 1",
                "ultraharmonic": "2 of 3",
                "subharmonic": "2 of 3",
                "broadband": "1 of 1",
            },
            "floor_allowance_db": 0.5,
            "repeatability_db": {
                "harmonic": 1.5,
                "ultraharmonic": 0.0,
                "subharmonic": 0.0,
                "broadband": 0.1,
            },
            "sign_of_life": "fundamental",
            "fundamental_drop_db": 3.0,
            "noise_drift_db": 1.0,
            "channels_needed": 1,
        },
        "alarm": [
            {
                "name": "inertial",
                "severity": "stop",
                "quantity": "broadband",
                "limit": "budget",
                "hold_s": 1.0,
                "latch": True,
                "sinks": ["page", "events"],
            }
        ],
    }
    for path, value in changes.items():
        section, key = path.split("__")
        if value is None:
            config[section].pop(key, None)
        else:
            config[section][key] = copy.deepcopy(value)
    return config


def format_changes(name):
    """Changes to the configuration for a sample format, at ±0.5 V."""
    low, high = FORMATS[name][1]
    return {
        "receive__sample_format": name,
        "receive__volts_per_count": HALF_SPAN_V / (high + 1),
        "receive__full_scale_counts": [low, high],
    }


def toml_value(value):
    """One value as TOML; dictionaries become inline tables."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml_value(v) for v in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {toml_value(v)}" for k, v in value.items()) + " }"
    return repr(value.item() if isinstance(value, np.generic) else value)


def toml_text(config):
    """The configuration as TOML."""
    out = []
    for section, body in config.items():
        for table in body if isinstance(body, list) else [body]:
            out.append(f"[[{section}]]" if isinstance(body, list) else f"[{section}]")
            out += [f"{key} = {toml_value(value)}" for key, value in table.items()]
            out.append("")
    return "\n".join(out)


def write_config(config, path):
    """Writes the configuration and returns its path."""
    path = Path(path)
    path.write_text(toml_text(config))
    return path


@dataclass
class Emission:
    """What one pulse holds beside the receiver's noise. Amplitudes in volts at drive 1 MPa."""

    drive_mpa: float = 0.3
    stage: str = "exposure"
    target: str = "tube"
    lines_v: dict = field(default_factory=dict)  # multiple of f0 → amplitude, as it stands
    broadband_v: float = 0.0  # standard deviation of added white noise during the burst
    gain_db: float = 0.0
    coupling_db: float = 0.0  # of everything acoustic, not of the noise
    fundamental_db: float = 0.0  # of the fundamental alone
    burst_s: float | None = None
    frequency_hz: float | None = None
    count: int | None = None
    trigger: int | None = None
    number: int | None = None
    after: object = None  # called with (counts array of the pulse, rng), may change it in place
    extra: dict = field(default_factory=dict)  # further annotation keys


@dataclass
class Scene:
    """The law of a bench: noise, fundamental, and harmonics by propagation with their jitter."""

    noise_v: float = 1e-3
    fundamental_v: float = 0.1
    # V at 1 MPa, times drive^h
    harmonics_v: dict = field(default_factory=lambda: {2: 0.12, 3: 0.1, 4: 0.1})
    jitter_db: float = 0.1
    channel_gain_db: tuple = (0.0, 0.4, -0.6, 0.2)
    arrival_s: float = 95e-6
    feed_through_v: float = 0.004  # at 1 MPa
    hum_v: dict = field(default_factory=dict)  # Hz → amplitude, with and without drive


@dataclass
class Recording:
    """Samples in counts, pulses as annotated, and the configuration they belong to."""

    config: dict
    counts: np.ndarray  # samples × channels
    pulses: list  # dicts: number, start, count, stage, drive_mpa, target, trigger, extra

    @property
    def format(self):
        return self.config["receive"]["sample_format"]

    def volts_per_count(self, channel):
        scale = self.config["receive"]["volts_per_count"]
        return scale[channel] if isinstance(scale, list) else scale

    def write(self, base, **overrides):
        """Writes base.sigmf-meta and base.sigmf-data; returns the path of the first."""
        base = Path(base)
        data = base.with_name(base.name + ".sigmf-data")
        np.ascontiguousarray(self.counts).astype(FORMATS[self.format][0]).tofile(data)
        meta = base.with_name(base.name + ".sigmf-meta")
        meta.write_text(json.dumps(self.metadata(**overrides), indent=1))
        return meta

    def metadata(self, annotations=None, captures=None, **changes):
        receive = self.config["receive"]
        top = {
            "core:datatype": receive["sample_format"],
            "core:sample_rate": receive["sample_rate_hz"],
            "core:version": "1.0.0",
            "core:num_channels": self.counts.shape[1],
            "core:description": "made by the tests",
            "core:extensions": [{"name": "simmer", "version": "1.0.0", "optional": True}],
            "simmer:volts_per_count": receive["volts_per_count"],
        }
        top.update(changes)
        if annotations is None:
            annotations = [self.annotation(p) for p in self.pulses]
        if captures is None:
            captures = [{"core:sample_start": 0, "core:datetime": START_UTC}]
        return {"global": top, "captures": captures, "annotations": annotations}

    @staticmethod
    def annotation(pulse):
        note = {
            "core:sample_start": pulse["start"],
            "core:sample_count": pulse["count"],
            "core:label": "pulse",
            "simmer:pulse": pulse["number"],
            "simmer:drive_mpa": pulse["drive_mpa"],
            "simmer:stage": pulse["stage"],
            "simmer:target": pulse["target"],
        }
        if pulse["trigger"] is not None:
            note["simmer:trigger_offset"] = pulse["trigger"]
        if pulse["drive_mpa"] is None:
            # A drive that nobody knows.
            del note["simmer:drive_mpa"]
        note.update(pulse["extra"])
        return note

    def read_back(self):
        """Counts as the file holds them, in float64."""
        return self.counts.astype(FORMATS[self.format][0]).astype(float)

    def pulses_heard(self, plan):
        """The pulses with the oracle's readings, of the used channels."""
        counts = self.read_back()
        unused = self.config["receive"].get("unused_channels", [])
        used = [c for c in range(counts.shape[1]) if c not in unused]
        out = []
        for p in self.pulses:
            piece = counts[p["start"] : p["start"] + p["count"]]
            readings = [
                measure(
                    plan,
                    piece[:, c],
                    self.volts_per_count(c),
                    float_format=self.format.startswith("rf"),
                    trigger=p["trigger"],
                    lost=bool(p["extra"].get("simmer:lost_samples")),
                )
                for c in used
            ]
            out.append(Pulse(p["number"], p["stage"], p["drive_mpa"], readings, p["target"]))
        return out


def record(config, emissions, seed, scene=None, first_number=0, gap_s=1e-4):
    """Makes a recording of one pulse per emission."""
    scene, rng = scene or Scene(), np.random.default_rng(seed)
    receive, drive = config["receive"], config["drive"]
    fs, channels = receive["sample_rate_hz"], receive["channels"]
    plain_count = half_even((receive["pretrigger_s"] + drive["pulse_s"]) * fs)
    gap = half_even(gap_s * fs)
    dtype, _ = FORMATS[receive["sample_format"]]
    scale = np.broadcast_to(np.asarray(receive["volts_per_count"], float), channels)
    pieces, pulses, start = [], [], 0
    for i, e in enumerate(emissions):
        count = plain_count if e.count is None else e.count
        volts = pulse_volts(config, scene, e, count, rng)
        counts = volts / scale
        low, high = receive["full_scale_counts"]
        counts = np.clip(np.rint(counts) if dtype[-2] == "i" else counts, low, high)
        if e.after is not None:
            e.after(counts, rng)
        quiet = scene.noise_v * rng.standard_normal((gap, channels)) / scale
        pieces += [counts, np.rint(quiet) if dtype[-2] == "i" else quiet]
        number = first_number + i if e.number is None else e.number
        pulses.append(
            {
                "number": number,
                "start": start,
                "count": count,
                "stage": e.stage,
                "drive_mpa": e.drive_mpa,
                "target": e.target,
                "trigger": e.trigger,
                "extra": e.extra,
            }
        )
        start += count + gap
    return Recording(config, np.concatenate(pieces), pulses)


def pulse_volts(config, scene, e, count, rng):
    """Samples of one pulse in volts, count × channels."""
    receive, drive = config["receive"], config["drive"]
    fs, channels = receive["sample_rate_hz"], receive["channels"]
    trigger = half_even(receive["pretrigger_s"] * fs) if e.trigger is None else e.trigger
    f0 = e.frequency_hz or drive["frequency_hz"]
    t = (np.arange(count) - trigger) / fs
    burst_s = drive["pulse_s"] if e.burst_s is None else e.burst_s
    on = (t >= scene.arrival_s) & (t < burst_s)
    heard = np.zeros(count)
    tones = {1: scene.fundamental_v * e.drive_mpa * 10 ** (e.fundamental_db / 20)}
    for h, v in scene.harmonics_v.items():
        tones[h] = v * e.drive_mpa**h
    for h, v in e.lines_v.items():
        tones[h] = tones.get(h, 0.0) + v
    phase = {h: rng.uniform(0, 2 * np.pi) for h in tones}
    for h, v in tones.items():
        jitter = 10 ** (scene.jitter_db * rng.standard_normal() / 20)
        heard += v * jitter * np.cos(2 * np.pi * h * f0 * t + phase[h])
    heard += e.broadband_v * rng.standard_normal(count)
    heard *= on * 10 ** (e.coupling_db / 20)
    feed = scene.feed_through_v * e.drive_mpa * np.cos(2 * np.pi * f0 * t + phase[1])
    heard += feed * ((t >= 0) & (t < burst_s))
    for f_hz, v in scene.hum_v.items():
        # Its phase runs on from pulse to pulse in no fixed step.
        heard += v * np.cos(2 * np.pi * f_hz * t + rng.uniform(0, 2 * np.pi))
    gain = 10 ** ((e.gain_db + np.resize(scene.channel_gain_db, channels)) / 20)
    noise = scene.noise_v * rng.standard_normal((count, channels))
    return (heard[:, None] + noise) * gain


def baseline_emissions(drives=(0.15, 0.2, 0.3), each=30, **changes):
    """Bubble-free pulses of stage baseline, drive by drive."""
    return [Emission(drive_mpa=d, stage="baseline", **changes) for d in drives for _ in range(each)]
