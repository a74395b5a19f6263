"""Random courses of drives, faults, injections, targets and bubbles: all that pulses say together."""

import os

import numpy as np
import pytest

from make import Emission
from method import QUANTITIES
from replayed import Luck, check_together, small

SEED = int(os.environ.get("SIMMER_ORACLE_SEED", "20260504"))


def silent(channel):
    """A receiver that says nothing in one pulse."""

    def silence(counts, rng):
        counts[:, channel] = 0

    return silence


def random_config(rng):
    """A configuration; its pulses stay short."""
    channels = int(rng.choice([1, 1, 2, 4]))
    used = channels - (channels == 4)
    config = small(
        receive__channels=channels,
        receive__unused_channels=[int(rng.integers(4))] if channels == 4 else [],
        detect__false_alarms_per_exposure=float(10 ** rng.uniform(-3, -0.5)),
        detect__expected_pulses=int(rng.integers(1, 200)),
        detect__stable_from=[q for q in ("harmonic", "ultraharmonic", "subharmonic") if rng.random() < 0.6],
        detect__repeatability_db={q: float(rng.choice([0.0, 0.05, 0.3])) for q in QUANTITIES},
        detect__channels_needed=int(rng.integers(1, used + 1)),
        drive__drive_tolerance=float(rng.choice([0.02, 0.05, 0.1])),
    )
    if rng.random() < 0.2:
        # Without silence the broadband is unreferenced.
        config["receive"] |= {"noise_gate_start_s": -0.8e-6, "noise_gate_end_s": -0.4e-6}
    return config


def random_course(rng, config):
    """Baselines of two targets and some exposures, with faults in both."""
    channels = config["receive"]["channels"]
    used = [c for c in range(channels) if c not in config["receive"]["unused_channels"]]
    drives = [float(d) for d in rng.choice([0.15, 0.2, 0.26, 0.3], int(rng.integers(1, 4)), replace=False)]
    fault = lambda share: silent(int(rng.choice(used))) if rng.random() < share else None
    course = []
    for target in ("left", "right"):
        for d in drives:
            course += [
                Emission(drive_mpa=d, stage="baseline", target=target, after=fault(0.03))
                for _ in range(int(rng.integers(28, 44)))
            ]
    first = len(course)
    for target in [("left", "right")[k % 2] for k in range(int(rng.integers(1, 4)))]:
        strength = rng.uniform(0.0, 1.5)
        kind = {"lines_v": {1.5: 1e-4 * strength, 0.5: 1e-4 * strength, 2.5: 1e-4 * strength}}
        if rng.random() < 0.3:
            kind["broadband_v"] = 2.5e-4 * strength
        onset, pulses = int(rng.integers(0, 30)), int(rng.integers(20, 60))
        for i in range(pulses):
            d = float(rng.choice(drives)) * float(rng.choice([1, 1, 1, 1.01, 0.985, 1.04, 1.15]))
            course.append(
                Emission(
                    drive_mpa=d,
                    target=target,
                    after=fault(0.1),
                    count=5000 if rng.random() < 0.05 else None,
                    coupling_db=-12.0 if rng.random() < 0.05 else 0.0,
                    **(kind if i >= onset else {}),
                )
            )
    marks = sorted(int(m) for m in rng.integers(first, len(course), int(rng.integers(0, 3))))
    return course, marks


@pytest.mark.parametrize("case", range(4))
def test_a_random_course_is_the_oracles(simmer, case):
    print(f"SIMMER_ORACLE_SEED={SEED}, case {case}")
    rng = np.random.default_rng([SEED, 2000 + case])
    for _ in range(10):
        config = random_config(rng)
        course, marks = random_course(rng, config)
        try:
            check_together(simmer, config, course, int(rng.integers(2**31)), marks=marks)
            return
        except Luck:
            continue
    pytest.fail("ten courses hung on luck")
