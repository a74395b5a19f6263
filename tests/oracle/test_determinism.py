"""One recording gives the same bytes for any number of workers and any chunking."""

import pytest

from make import Emission, baseline_emissions, configuration, record, write_config

WORKERS = (1, 2, 3)
BLOCKS_BYTES = (1024, 60001, 1048576)


@pytest.fixture(scope="module")
def four_channels(tmp_path_factory):
    """A 4-channel recording of 40 pulses, 24 of them baseline, and what one replay makes of it."""
    folder = tmp_path_factory.mktemp("four")
    config = configuration(receive__channels=4)
    exposure = [Emission(lines_v={1.5: 1.2e-3}, broadband_v=1e-3 * (i % 3 == 0)) for i in range(16)]
    recording = record(config, baseline_emissions((0.2, 0.3), each=12) + exposure, 41)
    return write_config(config, folder / "config.toml"), recording.write(folder / "four")


@pytest.mark.parametrize("workers", WORKERS)
@pytest.mark.parametrize("block_bytes", BLOCKS_BYTES)
def test_pulses_csv_is_the_same_to_the_byte(simmer, four_channels, workers, block_bytes):
    config, recording = four_channels
    plain = simmer.replay(config, recording)
    assert len(plain.rows) == 40 * 5
    assert {row["verdict"] for row in plain.rows} >= {"", "stable", "inertial"}
    options = ["--workers", workers, "--block-bytes", block_bytes, "--spectra"]
    again = simmer.replay(config, recording, options=options)
    assert (again.folder / "pulses.csv").read_bytes() == (plain.folder / "pulses.csv").read_bytes()
    first = simmer.replay(config, recording, options=["--workers", 1, "--spectra"])
    assert (again.folder / "spectra.npy").read_bytes() == (first.folder / "spectra.npy").read_bytes()
