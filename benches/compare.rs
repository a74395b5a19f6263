//! A whole replay beside the bare transforms and SciPy, in turn, on one recording made here.
//!
//! Prints megasamples a second of what is analysed (gate and noise gate) and ratios; medians of the
//! rounds with their spread. `--quick` takes fewer rounds.

use std::convert::Infallible;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::time::Instant;

use realfft::RealFftPlanner;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;
use simmer::bench::{Scene, SceneSpec, Scratch};
use simmer::config::{parse, scenario};
use simmer::detect::Session;
use simmer::engine::{Judged, Sink, run, scene};
use simmer::ingest::{Arrangement, DEFAULT_BLOCK_BYTES, Expect, Recording, SigmfWriter, Source};
use simmer::signal::{Plan, Window, transform_path};

const CONFIGURATION: &str = include_str!("../config/bench-phantom.toml");
const SCENARIO: &str = include_str!("../config/scenarios/open-water.toml");

/// The same spectra with SciPy and with hand-batched NumPy; prints seconds, one a line.
const PYTHON: &str = r"
import sys, time
import numpy as np, scipy.signal as ss
path, record, start, count, noise_start, noise_count, n, scale = sys.argv[1:9]
record, start, count, noise_start, noise_count, n = map(int, (record, start, count, noise_start, noise_count, n))
def load():
    raw = np.fromfile(path, '<i2').reshape(-1, record)
    return raw[:, start:start + count], raw[:, noise_start:noise_start + noise_count]
def welch(gates):
    for gate in gates:
        for pulse in gate:
            ss.welch(pulse.astype(np.float32) * np.float32(scale), 20e6, 'hann', n, n // 2, detrend=False)
w = ss.get_window('hann', n).astype(np.float32)
def batched(gates):
    for gate in gates:
        for pulse in gate:
            x = pulse.astype(np.float32)
            segments = np.lib.stride_tricks.sliding_window_view(x, n)[::n // 2] * w
            spectra = np.fft.rfft(segments, axis=1)
            (spectra.real ** 2 + spectra.imag ** 2).mean(axis=0)
for work in (welch, batched):
    t = time.perf_counter(); work(load()); print(time.perf_counter() - t)
";

struct Nothing;

impl Sink for Nothing {
    type Error = Infallible;
    fn take(&mut self, _: &Judged) -> Result<(), Infallible> {
        Ok(())
    }
}

struct Bench {
    plan: Arc<Plan>,
    loaded: simmer::config::Loaded,
    data: PathBuf,
    record: usize,
    pulses: usize,
    x: Vec<i16>,
}

impl Bench {
    fn new(folder: &Path, pulses: usize) -> Self {
        let loaded = parse("config/bench-phantom.toml", CONFIGURATION).expect("the example loads");
        let plan = Arc::new(Plan::new(&loaded.settings.signal).expect("the example has a plan"));
        let spec = SceneSpec {
            signal: loaded.settings.signal.clone(),
            pulse_s: loaded.settings.drive.pulse_s,
            repetition_hz: loaded.settings.drive.repetition_hz,
        };
        let scenario = scenario::parse("open-water.toml", SCENARIO).expect("the example loads");
        let setup = scenario.setup(&loaded.settings, None).expect("the example is a bench");
        let source = Scene::demo(&spec, setup, 60.0, 1).expect("the scene can be made");
        let base = folder.join("bench");
        let stream = scene::stream(&source);
        let volts = &loaded.settings.signal.receive.volts_per_count;
        let mut writer =
            SigmfWriter::create(&base, &stream, volts).expect("a folder to write into");
        let (mut scratch, mut counts, mut x) = (Scratch::default(), Vec::new(), Vec::new());
        for pulse in source.pulses().expect("bubbles").take(pulses) {
            let pulse = pulse.expect("a pulse");
            source.record(&pulse, &mut scratch, &mut counts).expect("a record");
            let bytes: Vec<u8> = counts.iter().flat_map(|count| count.to_le_bytes()).collect();
            writer.pulse(&scene::tag(&pulse), &bytes).expect("room for the recording");
            x.extend_from_slice(&counts);
        }
        writer.finish().expect("room for the recording");
        let data = base.with_extension("sigmf-data");
        Self { plan, loaded, data, record: source.record_samples(), pulses, x }
    }

    /// Samples that are analysed.
    fn samples(&self) -> f64 {
        let noise = self.plan.noise.as_ref().map_or(0, |noise| noise.gate.len);
        let count = self.pulses * (self.plan.gate.len + noise);
        f64::from(u32::try_from(count).expect("a short recording"))
    }

    fn replay(&self, workers: usize) -> f64 {
        let receive = &self.plan.spec.receive;
        let expect = Expect {
            source: "benchmark".into(),
            sample_format: receive.sample_format,
            channels: receive.channels,
            sample_rate_hz: receive.sample_rate_hz,
            volts_per_count: receive.volts_per_count.clone(),
            arrangement: Arrangement::default(),
        };
        let began = Instant::now();
        let recording = Recording::open(&self.data, &expect, None).expect("our own recording");
        let settings = &self.loaded.settings;
        let session = Session::new(&self.plan, &settings.detect, &settings.alarms, None);
        let source = |buffers: simmer::engine::Buffers| {
            Source::new(vec![recording], DEFAULT_BLOCK_BYTES, move || buffers.next())
        };
        let finished = run(&self.plan, session, workers, source, &mut Nothing);
        assert!(finished.is_ok_and(|finished| finished.account.closes()));
        began.elapsed().as_secs_f64()
    }

    /// Gate and noise gate of each pulse.
    fn stretches(&self) -> impl Iterator<Item = &[i16]> {
        let gates = [Some(self.plan.gate), self.plan.noise.as_ref().map(|noise| noise.gate)];
        self.x.chunks(self.record).flat_map(move |record| {
            gates.into_iter().flatten().map(move |gate| {
                let start = usize::try_from(self.plan.place(gate, None)).expect("inside a record");
                &record[start..start + gate.len]
            })
        })
    }

    fn window(&self) -> Vec<f32> {
        #[allow(clippy::cast_possible_truncation, reason = "single precision is meant")]
        Window::Hann.weights(self.plan.segments.n).into_iter().map(|w| w as f32).collect()
    }

    /// Convert and window, real transform, sum of squares in single precision.
    fn real_chain(&self) -> f64 {
        let (n, hop) = (self.plan.segments.n, self.plan.segments.hop);
        let window = self.window();
        let transform = RealFftPlanner::<f32>::new().plan_fft_forward(n);
        let mut input = transform.make_input_vec();
        let mut output = transform.make_output_vec();
        let mut scratch = transform.make_scratch_vec();
        let mut sum = vec![0.0_f32; n / 2 + 1];
        let began = Instant::now();
        for stretch in self.stretches() {
            sum.fill(0.0);
            for segment in stretch.windows(n).step_by(hop) {
                for ((x, count), w) in input.iter_mut().zip(segment).zip(&window) {
                    *x = f32::from(*count) * w;
                }
                transform
                    .process_with_scratch(&mut input, &mut output, &mut scratch)
                    .expect("lengths fit");
                for (sum, z) in sum.iter_mut().zip(&output) {
                    *sum += z.re * z.re + z.im * z.im;
                }
            }
            std::hint::black_box(&sum);
        }
        began.elapsed().as_secs_f64()
    }

    /// The same with two segments in one complex transform.
    fn paired_chain(&self) -> f64 {
        let (n, hop) = (self.plan.segments.n, self.plan.segments.hop);
        let window = self.window();
        let transform = FftPlanner::<f32>::new().plan_fft_forward(n);
        let mut z = vec![Complex::default(); n];
        let mut scratch = vec![Complex::default(); transform.get_inplace_scratch_len()];
        let mut sum = vec![0.0_f32; n];
        let zeros = vec![0_i16; n];
        let began = Instant::now();
        for stretch in self.stretches() {
            sum.fill(0.0);
            let segments = (stretch.len() - n) / hop + 1;
            for first in (0..segments).step_by(2) {
                let a = &stretch[first * hop..][..n];
                // The last of an odd number goes alone.
                let b = stretch.get((first + 1) * hop..(first + 1) * hop + n).unwrap_or(&zeros);
                for (((z, a), b), w) in z.iter_mut().zip(a).zip(b).zip(&window) {
                    *z = Complex::new(f32::from(*a) * w, f32::from(*b) * w);
                }
                transform.process_with_scratch(&mut z, &mut scratch);
                for (sum, z) in sum.iter_mut().zip(&z) {
                    *sum += z.re * z.re + z.im * z.im;
                }
            }
            std::hint::black_box(&sum);
        }
        began.elapsed().as_secs_f64()
    }

    /// Seconds of `scipy.signal.welch` in single precision and of hand-batched NumPy.
    fn python(&self) -> Option<[f64; 2]> {
        let noise = self.plan.noise.as_ref()?.gate;
        let place = |gate| self.plan.place(gate, None).to_string();
        let python = Path::new(env!("CARGO_MANIFEST_DIR")).join(".venv/bin/python");
        let output = Command::new(python)
            .args(["-c", PYTHON])
            .arg(&self.data)
            .args([self.record.to_string(), place(self.plan.gate), self.plan.gate.len.to_string()])
            .args([place(noise), noise.len.to_string(), self.plan.segments.n.to_string()])
            .arg("6.103515625e-05")
            .env("OMP_NUM_THREADS", "1")
            .output()
            .ok()?;
        let text = String::from_utf8(output.stdout).ok()?;
        let mut seconds = text.lines().filter_map(|line| line.parse().ok());
        Some([seconds.next()?, seconds.next()?])
    }
}

fn median(values: &mut [f64]) -> (f64, f64) {
    values.sort_by(f64::total_cmp);
    let middle = values[values.len() / 2];
    (middle, (values[values.len() - 1] - values[0]) / middle)
}

#[allow(clippy::print_stdout, reason = "the table is what this program is for")]
fn main() {
    let quick = std::env::args().any(|argument| argument == "--quick");
    let (rounds, pulses) = if quick { (5, 60) } else { (9, 300) };
    let folder = tempfile::tempdir().expect("a temporary folder");
    let bench = Bench::new(folder.path(), pulses);
    let mut taken: [Vec<f64>; 6] = Default::default();
    for _ in 0..rounds {
        let python = bench.python();
        let seconds = [
            Some(bench.replay(1)),
            Some(bench.replay(2)),
            Some(bench.real_chain()),
            Some(bench.paired_chain()),
            python.map(|seconds| seconds[0]),
            python.map(|seconds| seconds[1]),
        ];
        for (all, one) in taken.iter_mut().zip(seconds) {
            all.extend(one);
        }
    }
    let names = [
        "replay to verdicts, 1 worker",
        "replay to verdicts, 2 workers",
        "bare chain, real transform",
        "bare chain, paired complex transforms",
        "scipy.signal.welch, float32",
        "NumPy, batched by hand, float32",
    ];
    println!(
        "{pulses} pulses, one 16-bit channel, N = {}, {}",
        bench.plan.segments.n,
        transform_path()
    );
    println!("{:<38} {:>8} {:>8} {:>20}", "", "MS/s", "spread", "replay (1) is");
    let mut first = None;
    for (name, seconds) in names.iter().zip(&mut taken) {
        if seconds.is_empty() {
            println!("{name:<38} not run: bash tests/run.sh makes the Python it needs");
            continue;
        }
        let (middle, spread) = median(seconds);
        let base = *first.get_or_insert(middle);
        let rate = bench.samples() / middle / 1e6;
        println!("{name:<38} {rate:>8.0} {:>7.0}% {:>18.2} x", 100.0 * spread, middle / base);
    }
}
