"""Reads a session folder with pandas and NumPy: verdicts by drive, doses, a pulse's spectrum and samples.

    python read_session.py SESSION
"""

import json
import sys
from pathlib import Path

import numpy as np
import pandas as pd


def read(folder):
    """Tables, spectra (None when they were not kept) and what is said of the session."""
    folder = Path(folder)
    pulses = pd.read_csv(folder / "pulses.csv", dtype={"channel": str, "target": str, "cumulative": str})
    exposures = pd.read_csv(folder / "exposures.csv")
    about = json.loads((folder / "session.json").read_text())
    spectra = folder / "spectra.npy"
    return pulses, exposures, np.load(spectra, mmap_mode="r") if spectra.exists() else None, about


def samples(folder, pulse):
    """Samples of one pulse in volts, sets x channels, from the session's recordings."""
    formats = {"ri8": "i1", "ri16_le": "<i2", "ri16_be": ">i2", "ri32_le": "<i4", "rf32_le": "<f4", "rf64_le": "<f8"}
    for meta_path in sorted(Path(folder).glob("recording*.sigmf-meta")):
        meta = json.loads(meta_path.read_text())
        about = meta["global"]
        for note in meta["annotations"]:
            if note["simmer:pulse"] == pulse:
                kind, channels = np.dtype(formats[about["core:datatype"]]), about["core:num_channels"]
                start, count = note["core:sample_start"], note["core:sample_count"]
                offset = start * channels * kind.itemsize
                counts = np.fromfile(meta_path.with_suffix(".sigmf-data"), kind, count * channels, offset=offset)
                return counts.reshape(-1, channels) * np.asarray(about["simmer:volts_per_count"])
    raise KeyError(pulse)


def main(folder):
    pulses, exposures, spectra, about = read(folder)
    judged = pulses[pulses["stage"] == "exposure"]
    print(pd.crosstab(judged["drive_mpa"], judged["verdict"]).to_string())
    doses = [name for name in exposures.columns if name.endswith("_excess_dose_v2s")]
    print(exposures[["exposure", *doses]].to_string(index=False))
    if spectra is not None:
        frequency_hz = np.arange(spectra.shape[2]) * about["axes"]["bin_hz"]
        loudest = np.nanargmax(spectra[-1, 0, 1:]) + 1
        print(f"the last pulse is loudest at {frequency_hz[loudest] / 1e6:.3f} MHz")


if __name__ == "__main__":
    main(sys.argv[1])
