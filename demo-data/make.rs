//! Makes the recordings of this folder again: `cargo run --release --example demo_data -- DIR`.
//!
//! They are simulated on the bench of `config/scenarios/open-water.toml` with the seed and the steps
//! below, under `config.toml` beside this file:
//! `baseline.sigmf-*`, `exposure.sigmf-*`, `cued.wav` with its cue list `cued.csv`, `scope.mat`. DIR
//! must not hold them yet. The same binary and seed give the same bytes on every machine.

use std::ffi::OsString;
use std::fmt::Write as _;
use std::fs;
use std::io::Write as _;
use std::path::Path;

use anyhow::{Context as _, Result, bail, ensure};
use simmer::bench::{Part, Scene, ScenePulse, SceneSpec, Scratch, Step};
use simmer::config::{self, Settings, scenario};
use simmer::engine::scene::{append, learn, stream, tag};
use simmer::ingest::{SigmfWriter, WavWriter};

/// What all random numbers come from.
const SEED: u64 = 20_260_504;
/// Drives, MPa: harmonics alone, half-order lines as well, broadband as well.
const DRIVES_MPA: [f64; 3] = [0.09, 0.16, 0.30];
/// Pulses in `baseline`, in `exposure`, in `cued` at each of their drives.
const PULSES: [u32; 3] = [30, 15, 5];

fn main() -> Result<()> {
    let arguments: Vec<OsString> = std::env::args_os().skip(1).collect();
    let [folder] = arguments.as_slice() else {
        bail!("one argument is needed: the folder to write into");
    };
    let folder = Path::new(folder);
    fs::create_dir_all(folder).with_context(|| format!("cannot create {}", folder.display()))?;
    make(folder)?;
    writeln!(std::io::stdout(), "recordings in {}", folder.display())?;
    Ok(())
}

/// Writes all recordings into `folder`, one after the other from one scene.
fn make(folder: &Path) -> Result<()> {
    let loaded = config::parse("demo-data/config.toml", include_str!("config.toml"))
        .map_err(|diagnosis| anyhow::anyhow!("{diagnosis}"))?;
    let settings = &loaded.settings;
    let scene = scene(settings)?;
    learn(&scene, std::thread::available_parallelism()?.get(), || false)?;
    let pulses = scene.pulses()?.collect::<Result<Vec<ScenePulse>, _>>()?;
    let [baseline, exposure, cued] = PULSES.map(usize::try_from);
    let (baseline, exposure, cued) = (3 * baseline?, 3 * exposure?, cued?);
    let (first, rest) = pulses.split_at(baseline);
    let (second, last) = rest.split_at(exposure);
    write_sigmf(&scene, settings, first, &folder.join("baseline"))?;
    write_sigmf(&scene, settings, second, &folder.join("exposure"))?;
    write_wav(&scene, settings, last, &folder.join("cued"))?;
    // Two pulses of each drive.
    let few: Vec<&ScenePulse> = last.chunks(cued).flat_map(|alike| &alike[..2]).collect();
    write_mat(&scene, settings, &few, &folder.join("scope.mat"))
}

/// Baseline and exposure at all three drives, then the cued pulses at the two higher ones.
fn scene(settings: &Settings) -> Result<Scene> {
    let [baseline, exposure, cued] = PULSES;
    let mut steps = Vec::new();
    let mut add = |part, drives: &[f64], pulses| {
        steps.extend(drives.iter().map(|&drive_mpa| Step::plain(part, drive_mpa, pulses)));
    };
    add(Part::Baseline, &DRIVES_MPA, baseline);
    add(Part::Exposure, &DRIVES_MPA, exposure);
    add(Part::Exposure, &DRIVES_MPA[1..], cued);
    steps[DRIVES_MPA.len()].injection = true;
    let spec = SceneSpec {
        signal: settings.signal.clone(),
        pulse_s: settings.drive.pulse_s,
        repetition_hz: settings.drive.repetition_hz,
    };
    let name = "config/scenarios/open-water.toml";
    let setup = scenario::parse(name, include_str!("../config/scenarios/open-water.toml"))
        .and_then(|scenario| scenario.setup(settings, None))
        .map_err(|diagnosis| anyhow::anyhow!("{diagnosis}"))?;
    Ok(Scene::new(&spec, setup, steps, SEED)?)
}

/// Writes pulses of the scene as a SigMF pair.
fn write_sigmf(
    scene: &Scene,
    settings: &Settings,
    pulses: &[ScenePulse],
    base: &Path,
) -> Result<()> {
    let volts_per_count = &settings.signal.receive.volts_per_count;
    let mut writer = SigmfWriter::create(base, &stream(scene), volts_per_count)?;
    let (mut scratch, mut counts, mut bytes) = (Scratch::default(), Vec::new(), Vec::new());
    for pulse in pulses {
        scene.record(pulse, &mut scratch, &mut counts)?;
        bytes.clear();
        append(&counts, &mut bytes);
        writer.pulse(&tag(pulse), &bytes)?;
    }
    Ok(writer.finish()?)
}

/// Writes pulses of the scene back to back as a WAV file with a cue list.
fn write_wav(scene: &Scene, settings: &Settings, pulses: &[ScenePulse], base: &Path) -> Result<()> {
    let receive = &settings.signal.receive;
    let channels = u16::try_from(scene.channels())?;
    // A WAV header has whole hertz.
    let rate_hz: u32 = format!("{:.0}", receive.sample_rate_hz).parse()?;
    ensure!((f64::from(rate_hz) - receive.sample_rate_hz).abs() < 1e-9, "not a whole rate");
    let trigger: usize = format!("{:.0}", receive.pretrigger_s * receive.sample_rate_hz).parse()?;
    let mut writer = WavWriter::create(&base.with_extension("wav"), channels, rate_hz)?;
    let mut cues = "start_sample,sample_count,pulse,drive_mpa,stage,trigger_sample\n".to_owned();
    let (mut scratch, mut counts, mut start) = (Scratch::default(), Vec::new(), 0);
    for pulse in pulses {
        scene.record(pulse, &mut scratch, &mut counts)?;
        writer.counts(&counts)?;
        let (samples, stage) = (scene.record_samples(), tag(pulse).stage.name());
        let (number, drive_mpa) = (pulse.number, pulse.drive_mpa);
        writeln!(cues, "{start},{samples},{number},{drive_mpa},{stage},{}", start + trigger)?;
        start += samples;
    }
    writer.finish()?;
    fs::write(base.with_extension("csv"), cues)?;
    Ok(())
}

/// Writes pulses of the scene as a file of MATLAB's level 5: `received` (samples × pulses, counts),
/// the time axis `t` in seconds from the trigger, and the drive of each pulse.
fn write_mat(
    scene: &Scene,
    settings: &Settings,
    pulses: &[&ScenePulse],
    path: &Path,
) -> Result<()> {
    let receive = &settings.signal.receive;
    let (mut scratch, mut counts, mut received) = (Scratch::default(), Vec::new(), Vec::new());
    let mut drives = Vec::new();
    for pulse in pulses {
        scene.record(pulse, &mut scratch, &mut counts)?;
        append(&counts, &mut received);
        drives.extend(pulse.drive_mpa.to_le_bytes());
    }
    let samples = u32::try_from(scene.record_samples())?;
    let pulses = u32::try_from(drives.len() / 8)?;
    #[allow(clippy::cast_possible_truncation, reason = "single precision is what is written")]
    let time = (0..samples)
        .map(|at| (f64::from(at) / receive.sample_rate_hz - receive.pretrigger_s) as f32)
        .flat_map(f32::to_le_bytes)
        .collect::<Vec<u8>>();
    let mut file = format!("{:<116}", "MATLAB 5.0 MAT-file, simulated").into_bytes();
    file.extend([0, 0, 0, 0, 0, 0, 0, 0, 0, 1, b'I', b'M']);
    file.extend(matrix("received", [10, 3], [samples, pulses], &received)?);
    file.extend(matrix("t", [7, 7], [1, samples], &time)?);
    file.extend(matrix("drive", [6, 9], [1, pulses], &drives)?);
    Ok(fs::write(path, file)?)
}

/// A matrix of level 5: its class and the type of its numbers, rows and columns.
fn matrix(name: &str, [class, kind]: [u32; 2], axes: [u32; 2], numbers: &[u8]) -> Result<Vec<u8>> {
    fn element(kind: u32, bytes: &[u8]) -> Result<Vec<u8>> {
        let mut element = kind.to_le_bytes().to_vec();
        element.extend(u32::try_from(bytes.len())?.to_le_bytes());
        element.extend(bytes);
        element.resize(element.len().next_multiple_of(8), 0);
        Ok(element)
    }
    let words = |words: [u32; 2]| words.map(u32::to_le_bytes).concat();
    let parts = [
        element(6, &words([class, 0]))?,
        element(5, &words(axes))?,
        element(1, name.as_bytes())?,
        element(kind, numbers)?,
    ];
    element(14, &parts.concat())
}

#[cfg(test)]
mod tests {
    use sha2::{Digest as _, Sha256};

    use super::*;

    const FILES: [&str; 7] = [
        "baseline.sigmf-data",
        "baseline.sigmf-meta",
        "cued.csv",
        "cued.wav",
        "exposure.sigmf-data",
        "exposure.sigmf-meta",
        "scope.mat",
    ];

    #[test]
    fn the_recordings_of_this_folder_are_made_again_byte_for_byte() {
        let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data");
        let folder = tempfile::tempdir().unwrap();
        make(folder.path()).unwrap();
        for name in FILES {
            let sums = [&here, folder.path()]
                .map(|folder| Sha256::digest(fs::read(folder.join(name)).unwrap()));
            assert_eq!(sums[0], sums[1], "{name}");
        }
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), FILES.len());
    }

    #[test]
    fn recordings_that_are_there_are_not_written_over() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("baseline.sigmf-meta"), "kept").unwrap();
        assert!(make(folder.path()).is_err());
        let kept = fs::read_to_string(folder.path().join("baseline.sigmf-meta")).unwrap();
        assert_eq!(kept, "kept");
    }
}
