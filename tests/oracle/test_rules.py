"""What the verdict promises: propagation and gain are no bubbles, bubbles are, and clipping hides none."""

import numpy as np
import pytest

from make import Emission, Scene, baseline_emissions, configuration, record, write_config

DRIVES = (0.15, 0.2, 0.3)
# Harmonics grow steeply with drive by propagation, up to the fundamental's size at the highest.
STEEP = Scene(harmonics_v={2: 0.3, 3: 0.9, 4: 2.5}, jitter_db=0.15)
STABLE_FROM = (["ultraharmonic", "subharmonic"], ["harmonic", "ultraharmonic", "subharmonic"])


def bubble_free(gain_db=0.0, each=20):
    """An exposure without bubbles through all drives."""
    return [Emission(drive_mpa=d, gain_db=gain_db) for d in DRIVES for _ in range(each)]


def verdicts(session):
    """Verdicts of the exposure's rows."""
    return [row["verdict"] for row in session.rows if row["stage"] == "exposure"]


@pytest.mark.parametrize("stable_from", STABLE_FROM)
@pytest.mark.parametrize("gain_db", [0.0, 3.0, -2.0])
def test_propagation_and_gain_are_no_bubbles(simmer, stable_from, gain_db):
    config = configuration(detect__stable_from=stable_from)
    recording = record(config, baseline_emissions(DRIVES) + bubble_free(gain_db), 31, STEEP)
    path = write_config(config, simmer.folder / "config.toml")
    session = simmer.replay(path, recording.write(simmer.folder / "free"))
    seen = verdicts(session)
    assert len(seen) == 60
    assert not {"stable", "inertial"} & set(seen)
    (exposure,) = session.exposures()
    assert exposure["harmonic_only"] == "0"
    # The harmonics do rise, by tens of dB from drive to drive: it is the baseline that takes them away.
    rise = session.number(90 + 59, "harmonic_v2") / session.number(90, "harmonic_v2")
    assert 10 * np.log10(rise) > 10
    if gain_db:
        moved = [row for row in session.rows if "noise moved" in row["reason"]]
        assert len(moved) >= 50
        assert all(row["verdict"] == "indeterminate" for row in moved)
    else:
        assert set(seen) == {"not_detected"}


@pytest.mark.parametrize("gain_db", [0.0, 3.0, -2.0])
def test_an_added_ultraharmonic_is_found_through_a_gain_step(simmer, gain_db):
    config = configuration()
    added = [Emission(drive_mpa=0.3, gain_db=gain_db, lines_v={1.5: 1.2e-3, 2.5: 1.2e-3}) for _ in range(10)]
    recording = record(config, baseline_emissions(DRIVES) + bubble_free(gain_db, 5) + added, 32, STEEP)
    path = write_config(config, simmer.folder / "config.toml")
    session = simmer.replay(path, recording.write(simmer.folder / "added"))
    # With 2 of 3 the second pulse of the row is the first that can pass.
    assert verdicts(session)[-9:] == ["stable"] * 9
    assert session.rows[-1]["reason"].startswith("ultraharmonic")
    assert ("noise moved" in session.rows[-1]["reason"]) == (gain_db != 0.0)


def test_a_loud_broadband_pulse_that_also_clips_is_inertial(simmer):
    config = configuration()
    loud = [Emission(broadband_v=0.3)]
    recording = record(config, baseline_emissions((0.3,)) + bubble_free(each=2)[-2:] + loud, 33, STEEP)
    assert np.sum(np.abs(recording.counts[recording.pulses[-1]["start"] :]) >= 8191) > 100
    path = write_config(config, simmer.folder / "config.toml")
    session = simmer.replay(path, recording.write(simmer.folder / "loud"))
    last = session.rows[-1]
    assert last["verdict"] == "inertial"
    parts = last["reason"].split("; ")
    assert parts[0].startswith("broadband pulse +") and parts[0].endswith(" dB")
    assert "clipped" in parts[1:]


def test_an_alarm_ends_with_code_10_when_asked(simmer):
    config = configuration()
    path = write_config(config, simmer.folder / "config.toml")
    quiet = record(config, baseline_emissions((0.3,)) + [Emission()], 34).write(simmer.folder / "quiet")
    loud = record(config, baseline_emissions((0.3,)) + [Emission(broadband_v=5e-3)], 35)
    loud = loud.write(simmer.folder / "loud")
    simmer.replay(path, quiet, options=["--fail-on", "alarm"])
    simmer.replay(path, loud)
    session = simmer.replay(path, loud, options=["--fail-on", "alarm"], code=10)
    assert any("inertial" in str(event) for event in session.events())
    assert session.exposures()[0]["alarms"] not in ("", "0")


def test_limits_of_a_file_hold_from_the_first_pulse_on_and_are_on_record(bench):
    data, limits = bench.folder / "demo-data", bench.folder / "limits.toml"
    recordings = (data / "config.toml", data / "baseline.sigmf-meta", data / "exposure.sigmf-meta")
    raised = lambda session: {e["name"] for e in session.events() if e["event"] == "alarm raised"}
    assert "stable" in raised(bench.replay(*recordings))
    limits.write_text('[[alarm]]\nname = "stable"\nlimit = { db = 30.0 }\noff_db = 20.0\nm_of_n = "1 of 1"\n')
    session = bench.replay(*recordings, options=("--limits", limits))
    assert "stable" not in raised(session) and "inertial" in raised(session)
    [event] = [e for e in session.events() if e["event"] == "limits"]
    assert event["pulse"] == 0 and event["alarms"][0]["limit"] == {"db": 30.0}
    limits.write_text('[[alarm]]\nname = "nobody"\nlimit = "budget"\n')
    done = bench.replay(*recordings, options=("--limits", limits), code=78)
    assert "limits.toml" in done.stderr and "nobody" in done.stderr
