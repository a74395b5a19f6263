//! Hearing a pulse allocates nothing once the first pulse is over, and its way from source to sink little.
#![allow(unsafe_code, reason = "an allocator that counts can only be written as an unsafe trait")]

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use simmer::config::parse;
use simmer::detect::Session;
use simmer::engine::{
    Buffers, Frame, Input, Judged, PulseTag, SampleIndex, Sink, Stage, Stream, run,
};
use simmer::signal::{
    BandSpec, ChannelReading, Ear, Heard, Plan, ReceiveSpec, SampleFormat, SignalSpec,
    SpectrumSpec, Window,
};

thread_local! {
    /// Allocations this thread has made; others, such as the test runner's, do not count.
    static MADE: Cell<usize> = const { Cell::new(0) };
}

/// Allocations all threads have made.
static ALL: AtomicUsize = AtomicUsize::new(0);

/// One test at a time, for what all threads do is counted.
static ALONE: Mutex<()> = Mutex::new(());

/// The system's allocator, counted.
struct Counting;

// SAFETY: every call is passed on unchanged; the count allocates nothing.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        MADE.with(|made| made.set(made.get() + 1));
        ALL.fetch_add(1, Ordering::Relaxed);
        // SAFETY: the caller keeps the contract of `alloc`.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, place: *mut u8, layout: Layout) {
        // SAFETY: the caller keeps the contract of `dealloc`.
        unsafe { System.dealloc(place, layout) }
    }

    unsafe fn realloc(&self, place: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        MADE.with(|made| made.set(made.get() + 1));
        ALL.fetch_add(1, Ordering::Relaxed);
        // SAFETY: the caller keeps the contract of `realloc`.
        unsafe { System.realloc(place, layout, size) }
    }
}

#[global_allocator]
static COUNTING: Counting = Counting;

fn made_by(work: impl FnOnce()) -> usize {
    let before = MADE.with(Cell::get);
    work();
    MADE.with(Cell::get) - before
}

fn plan(window: Window, resolution_hz: f64) -> Plan {
    let spec = SignalSpec {
        drive_frequency_hz: 0.7e6,
        receive: ReceiveSpec {
            sample_rate_hz: 10e6,
            channels: 1,
            sample_format: SampleFormat::Ri16Le,
            volts_per_count: vec![6.1e-5],
            full_scale_counts: [-8192.0, 8191.0],
            gain_db: vec![0.0],
            pretrigger_s: 0.5e-3,
            gate_start_s: 0.2e-3,
            gate_end_s: 1.9e-3,
            noise_gate_s: Some([-0.45e-3, -0.05e-3]),
            first_arrival_s: Some(90e-6),
            unused_channels: Vec::new(),
        },
        spectrum: SpectrumSpec { resolution_hz, window, overlap: 0.5 },
        bands: BandSpec {
            harmonics: vec![2, 3, 4],
            ultraharmonic_halves: vec![3, 5, 7],
            subharmonic: true,
            line_half_width_hz: 15e3,
            guard_half_width_hz: 60e3,
            flank_half_width_hz: 150e3,
            broadband_hz: vec![[1.1e6, 4.8e6]],
            notches_hz: Vec::new(),
            noise_band_hz: None,
        },
    };
    Plan::new(&spec).expect("the specification has no fault")
}

/// One pulse in blocks of so many samples; allocations made on the way.
fn pulse(
    plan: &Plan,
    ear: &mut Ear,
    x: &[f32],
    block: usize,
    reading: &mut ChannelReading,
) -> usize {
    made_by(|| {
        ear.begin(plan, None);
        let mut offset = 0;
        for part in x.chunks(block) {
            ear.push(plan, offset, part);
            offset += i64::try_from(part.len()).expect("a block is short");
        }
        ear.finish(plan, plan.spec.receive.volts_per_count[0], false, reading);
    })
}

#[track_caller]
fn check(window: Window, resolution_hz: f64) {
    let plan = plan(window, resolution_hz);
    let mut state = 1_u32;
    let x: Vec<f32> = std::iter::repeat_with(|| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f32::from(i16::try_from(state >> 20).expect("twelve bits") - 2048)
    })
    .take(24_500)
    .collect();
    let (mut ear, mut reading) = (Ear::new(&plan), ChannelReading::default());
    // The first pulse makes room for the spectra it hands out.
    assert!(pulse(&plan, &mut ear, &x, 4096, &mut reading) > 0);
    assert!(matches!(reading.heard(), Heard::Measured(_)));
    for block in [4096, 24_500, 777, 64] {
        assert_eq!(pulse(&plan, &mut ear, &x, block, &mut reading), 0, "blocks of {block}");
        assert!(matches!(reading.heard(), Heard::Measured(_)));
    }
    // A record that ends early, and the whole one after it.
    assert_eq!(pulse(&plan, &mut ear, &x[..9000], 1000, &mut reading), 0);
    assert!(matches!(reading.heard(), Heard::Void(_)));
    assert_eq!(pulse(&plan, &mut ear, &x, 1000, &mut reading), 0);
    assert!(matches!(reading.heard(), Heard::Measured(_)));
}

#[test]
fn hearing_a_pulse_allocates_nothing_after_the_first() {
    let _alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
    check(Window::Hann, 5e3);
    check(Window::BlackmanHarris, 4e3);
    check(Window::Rectangular, 6.25e3);
}

/// Counts what reaches the end of the road.
struct Counted(usize);

impl Sink for Counted {
    type Error = std::convert::Infallible;
    fn take(&mut self, judged: &Judged) -> Result<(), Self::Error> {
        self.0 += usize::from(judged.pulse.is_some());
        Ok(())
    }
}

/// Allocations of a whole run of so many pulses, from source to sink.
fn run_of(plan: &Arc<Plan>, pulses: u64) -> usize {
    let record: Vec<u8> =
        (0..24_500_i32).flat_map(|n| (n * 7919 % 801 - 400).to_le_bytes()[..2].to_vec()).collect();
    let before = ALL.load(Ordering::Relaxed);
    let begin = Stream {
        name: "noise".into(),
        sample_format: SampleFormat::Ri16Le,
        channels: 1,
        sample_rate_hz: 10e6,
        start: None,
        length: None,
    };
    let source = |buffers: Buffers| {
        let frames = (0..pulses).map(move |number| {
            let tag = PulseTag {
                number,
                first: SampleIndex(number * 2_000_000),
                time: None,
                trigger_offset: None,
                drive_mpa: Some(0.2),
                drive_setting: None,
                target: Arc::from(""),
                exposure: None,
                stage: if number < 20 { Stage::Baseline } else { Stage::Exposure },
                sham: false,
                lost_samples: 0,
            };
            let mut bytes = buffers.next();
            bytes.clear();
            bytes.extend_from_slice(&record);
            Input::Frame(Frame { tag: Arc::new(tag), offset: 0, bytes, last: true })
        });
        Ok::<_, std::convert::Infallible>(
            std::iter::once(Input::Begin(begin)).chain(frames).map(Ok),
        )
    };
    let example = include_str!("../config/bench-phantom.toml");
    let settings = parse("bench-phantom.toml", example).expect("the example loads").settings;
    let session = Session::new(plan, &settings.detect, &settings.alarms, None);
    let mut sink = Counted(0);
    run(plan, session, 2, source, &mut sink).unwrap_or_else(|_| panic!("the run ends well"));
    assert_eq!(sink.0, usize::try_from(pulses).expect("few"));
    ALL.load(Ordering::Relaxed) - before
}

#[test]
fn a_pulse_on_its_way_from_source_to_sink_allocates_a_known_few_times() {
    let _alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
    let plan = Arc::new(plan(Window::Hann, 5e3));
    let (short, long) = (run_of(&plan, 200), run_of(&plan, 1200));
    let each = (long - short) / 1000;
    // Three are the source's tag and the frame's share of it; the others are the row and its way.
    assert!(each <= 20, "{each} allocations a pulse");
}
