//! The simulated bench's physics: making the demo's library, the demo's scene over real time on one core,
//! and cycles a second of one bubble beside SciPy's DOP853 at the same tolerance.
//!
//! `cargo bench --bench bubbles`; SciPy is taken from `.venv`, which `bash tests/run.sh` makes.

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use simmer::bench::bubble::{Bubble, Drive, Liquid, Model, Motion};
use simmer::bench::{Scene, SceneSpec, Scratch};
use simmer::config::{parse, scenario};

const CONFIGURATION: &str = include_str!("../config/bench-phantom.toml");
const SCENARIO: &str = include_str!("../config/scenarios/open-water.toml");
/// Cycles a bubble is followed for, and its drives, Pa.
const CYCLES: f64 = 200.0;
const DRIVES_PA: [f64; 2] = [100e3, 300e3];
const ROUNDS: usize = 5;

/// Seconds for each drive; radius 1.5 µm, 0.7 MHz, the constants of `Liquid::WATER_20C`; lengths in
/// radii at rest, times in radians of the drive, as ours.
const PYTHON: &str = r"
import sys, time
import numpy as np
from scipy.integrate import solve_ivp
rho, c, mu, s, p0, k = 998.0, 1481.0, 1.002e-3, 0.0725, 101325.0, 1.4
r0, f, cycles, tolerance = 1.5e-6, 0.7e6, float(sys.argv[1]), float(sys.argv[2])
for pa in map(float, sys.argv[3:]):
    w = 2 * np.pi * f
    pg = p0 + 2 * s / r0
    def rhs(t, y):
        x, v = y
        r, rd = x * r0, v * r0 * w
        gas = pg * x ** (-3 * k)
        pac, dpac = -pa * np.sin(t), -pa * w * np.cos(t)
        pl = gas - 2 * s / r - 4 * mu * rd / r
        dpl = (-3 * k * gas * rd + 2 * s * rd / r + 4 * mu * rd * rd / r) / r
        top = (1 + rd / c) * (pl - p0 - pac) / rho + r / (rho * c) * (dpl - dpac)
        top -= 1.5 * rd * rd * (1 - rd / (3 * c))
        rdd = top / ((1 - rd / c) * r + 4 * mu / (rho * c))
        return [v, rdd / (r0 * w * w)]
    best = np.inf
    for _ in range(3):
        start = time.perf_counter()
        solve_ivp(rhs, (0, 2 * np.pi * cycles), [1.0, 0.0], method='DOP853', rtol=tolerance, atol=tolerance)
        best = min(best, time.perf_counter() - start)
    print(best)
";

const TOLERANCE: f64 = 1e-8;

fn ours(drive_pa: f64) -> f64 {
    let (bubble, drive) = (Bubble::free(1.5e-6), Drive::tone(0.7e6, drive_pa));
    let mut best = f64::INFINITY;
    for _ in 0..ROUNDS {
        let motion = Motion::new(&Liquid::WATER_20C, &bubble, &drive, Model::KellerMiksis);
        let motion = motion.and_then(|motion| motion.with_tolerance(TOLERANCE));
        let mut motion = motion.expect("a bubble that can be");
        let start = Instant::now();
        motion.at(CYCLES / 0.7e6).expect("a motion that goes on");
        best = best.min(start.elapsed().as_secs_f64());
    }
    best
}

fn scipy() -> Vec<f64> {
    let python = Path::new(env!("CARGO_MANIFEST_DIR")).join(".venv/bin/python");
    let output = Command::new(python)
        .args(["-c", PYTHON])
        .args([CYCLES.to_string(), TOLERANCE.to_string()])
        .args(DRIVES_PA.map(|drive| drive.to_string()))
        .env("OMP_NUM_THREADS", "1")
        .output();
    let text = output.map(|output| output.stdout).unwrap_or_default();
    String::from_utf8_lossy(&text).lines().filter_map(|line| line.parse().ok()).collect()
}

#[allow(clippy::print_stdout, reason = "the table is what this program is for")]
fn main() {
    let settings = parse("bench-phantom.toml", CONFIGURATION).expect("the example loads").settings;
    let bench = scenario::parse("open-water.toml", SCENARIO).expect("the example loads");
    let setup = bench.setup(&settings, None).expect("the example is a bench");
    let (pulse_s, repetition_hz) = (settings.drive.pulse_s, settings.drive.repetition_hz);
    let spec = SceneSpec { signal: settings.signal, pulse_s, repetition_hz };
    let scene = Scene::demo(&spec, setup, 60.0, 1).expect("the scene can be made");
    let start = Instant::now();
    let lessons = scene.lessons();
    for lesson in &lessons {
        scene.learn(*lesson).expect("a bubble that can be");
    }
    let seconds = start.elapsed().as_secs_f64();
    println!("library for the demo: {} cells in {seconds:.2} s on one core", lessons.len());

    let (mut scratch, mut counts) = (Scratch::default(), Vec::new());
    let (mut spent, mut worst) = (0.0, 0.0_f64);
    let start = Instant::now();
    for pulse in scene.pulses().expect("bubbles") {
        let pulse = pulse.expect("a pulse");
        let begun = Instant::now();
        scene.record(&pulse, &mut scratch, &mut counts).expect("a record");
        let took = begun.elapsed().as_secs_f64();
        spent += took;
        worst = worst.max(took);
    }
    let all = start.elapsed().as_secs_f64();
    println!(
        "the demo's 60 s: {all:.2} s on one core, {:.3} of real time; records {spent:.2} s, the longest \
         {:.1} ms",
        all / 60.0,
        1e3 * worst
    );

    let theirs = scipy();
    for (place, drive_pa) in DRIVES_PA.into_iter().enumerate() {
        let seconds = ours(drive_pa);
        let rate = CYCLES / seconds;
        let beside = match theirs.get(place) {
            Some(other) => format!("SciPy {:.0}, ratio {:.0}", CYCLES / other, other / seconds),
            None => "SciPy not run: bash tests/run.sh makes the Python it needs".to_owned(),
        };
        println!("one bubble at {:.0} kPa: {rate:.0} cycles a second; {beside}", drive_pa / 1e3);
    }
}
