//! The stages of hearing a pulse, one by one: bytes to counts, spectra and powers, judging.

use std::hint::black_box;
use std::sync::Arc;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use simmer::bench::{Scene, SceneSpec, Scratch};
use simmer::config::parse;
use simmer::detect::{Judgement, Pulse, PulseTime, Session, Stage};
use simmer::signal::{ChannelReading, Ear, Plan, SampleFormat, pcm};

const CONFIGURATION: &str = include_str!("../config/bench-phantom.toml");

fn stages(criterion: &mut Criterion) {
    let loaded = parse("config/bench-phantom.toml", CONFIGURATION).expect("the example loads");
    let settings = &loaded.settings;
    let plan = Plan::new(&settings.signal).expect("the example has a plan");
    let spec = SceneSpec {
        signal: settings.signal.clone(),
        pulse_s: settings.drive.pulse_s,
        repetition_hz: settings.drive.repetition_hz,
    };
    let scene = Scene::demo(&spec, 60.0, 1).expect("the scene can be made");
    let pulse = scene.pulse(250).expect("the scene has 300 pulses");
    let (mut scratch, mut counts) = (Scratch::default(), Vec::new());
    scene.record(&pulse, &mut scratch, &mut counts);
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
        b.iter(|| scene.record(black_box(&pulse), &mut scratch, &mut counts));
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

criterion_group!(benches, stages);
criterion_main!(benches);
