//! The stages of hearing a pulse, one by one: bytes to counts, spectra and powers, judging.

use std::hint::black_box;
use std::sync::Arc;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use simmer::bench::{Scene, SceneSpec, Scratch};
use simmer::config::{parse, scenario};
use simmer::detect::{Channel, Judgement, Pulse, PulseTime, Rule, Session, Stage};
use simmer::signal::{ChannelReading, Ear, PerQuantity, Plan, Quantity, SampleFormat, pcm};
use simmer::tune::QuantityTuning;
use simmer::tune::table::{Kind, Seen, Table};
use simmer::tune::view::{Choice, View};

const CONFIGURATION: &str = include_str!("../config/bench-phantom.toml");
const SCENARIO: &str = include_str!("../config/scenarios/open-water.toml");

fn stages(criterion: &mut Criterion) {
    let loaded = parse("config/bench-phantom.toml", CONFIGURATION).expect("the example loads");
    let settings = &loaded.settings;
    let plan = Plan::new(&settings.signal).expect("the example has a plan");
    let spec = SceneSpec {
        signal: settings.signal.clone(),
        pulse_s: settings.drive.pulse_s,
        repetition_hz: settings.drive.repetition_hz,
    };
    let bench = scenario::parse("open-water.toml", SCENARIO).expect("the example loads");
    let setup = bench.setup(settings, None).expect("the example is a bench");
    let scene = Scene::demo(&spec, setup, 60.0, 1).expect("the scene can be made");
    let pulse = scene.pulses().expect("bubbles").nth(250).expect("300 pulses").expect("a pulse");
    let (mut scratch, mut counts) = (Scratch::default(), Vec::new());
    scene.record(&pulse, &mut scratch, &mut counts).expect("a record");
    let bytes: Vec<u8> = counts.iter().flat_map(|count| count.to_le_bytes()).collect();
    let samples = u64::try_from(counts.len()).expect("a record is short");

    let mut group = criterion.benchmark_group("a pulse");
    group.throughput(Throughput::Elements(samples));
    let mut planar = Vec::new();
    group.bench_function("bytes to counts", |b| {
        b.iter(|| pcm::to_planar(SampleFormat::Ri16Le, 1, &[0], black_box(&bytes), &mut planar));
    });
    let (mut ear, mut reading) = (Ear::new(&plan), ChannelReading::default());
    group.bench_function("spectra and powers", |b| {
        b.iter(|| {
            ear.begin(&plan, None);
            ear.push(&plan, 0, black_box(&planar));
            ear.finish(&plan, 6.103_515_625e-5, false, &mut reading);
        });
    });
    group.bench_function("the simulated bench", |b| {
        b.iter(|| scene.record(black_box(&pulse), &mut scratch, &mut counts).expect("a record"));
    });
    let mut session = Session::new(&plan, &settings.detect, &settings.alarms, None);
    let readings = [reading];
    let mut judgement = Judgement::default();
    let mut number = 0_u32;
    let mut next = |stage| {
        number += 1;
        let since_start_s = 0.2 * f64::from(number);
        let time = PulseTime { since_start_s, utc_ns: None };
        let (target, exposure, drive_setting) = (Arc::from(""), None, None);
        let (drive_mpa, sham) = (Some(0.1), false);
        let number = u64::from(number);
        Pulse { number, time, target, exposure, stage, drive_mpa, drive_setting, sham }
    };
    for _ in 0..30 {
        session.pulse(&next(Stage::Baseline), &readings, &mut judgement);
    }
    group.bench_function("judging", |b| {
        b.iter(|| session.pulse(&next(Stage::Exposure), &readings, &mut judgement));
    });
    group.finish();
}

/// 20 000 pulses, half of them quiet, on three channels and `all`: reading them in and one look at a
/// limit.
fn tuning(criterion: &mut Criterion) {
    let loaded = parse("config/bench-phantom.toml", CONFIGURATION).expect("the example loads");
    let detect = &loaded.settings.detect;
    let mut state = 1_u64;
    let mut noise = || {
        state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        f64::from(u32::try_from(state >> 32).unwrap_or(0)) / 2f64.powi(32)
    };
    let rows: Vec<(Kind, f64, PerQuantity<Option<f64>>)> = (0..20_000_u32)
        .map(|pulse| {
            let kind = if pulse < 10_000 { Kind::Quiet } else { Kind::Bubbles };
            let drive = 0.05 * 1.1_f64.powi(i32::try_from(pulse % 20).unwrap_or(0));
            let rise = if kind == Kind::Bubbles { 10.0 * drive } else { 0.0 };
            let levels = [(); 4].map(|()| Some(rise + noise() + noise() + noise()));
            (kind, drive, PerQuantity(levels))
        })
        .collect();
    let filled = || {
        let mut table = Table::new(detect.drive_tolerance);
        for (kind, drive, levels) in &rows {
            let reason = if *kind == Kind::Quiet { "stage baseline" } else { "" };
            let seen = |channel| Seen {
                channel: Channel::One(channel),
                target: "",
                exposure: Some(1),
                drive_mpa: Some(*drive),
                lambda_db: levels,
                reason,
            };
            table.take(*kind, (0..3).map(seen));
        }
        table
    };
    let table = filled();
    let rule = Rule { needed: 2, of: 3 };
    let choices = PerQuantity([Some(Choice { over_db: 2.5, rule }); 4]);
    let at = (Channel::All, Quantity::Broadband);
    let mut group = criterion.benchmark_group("tuning, 20 000 pulses");
    group.bench_function("reading in", |b| b.iter(filled));
    group.bench_function("proposals of a channel", |b| {
        b.iter(|| {
            for quantity in Quantity::ALL {
                black_box(QuantityTuning::of(&table.set(Channel::All, quantity), detect, 1e-6));
            }
        });
    });
    group.bench_function("a limit moved", |b| {
        b.iter(|| View::of(&table, at, black_box(&choices), detect));
    });
    group.finish();
}

criterion_group!(benches, stages, tuning);
criterion_main!(benches);
