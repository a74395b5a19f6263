//! Hearing a pulse allocates nothing once the first pulse is over.
#![allow(unsafe_code, reason = "an allocator that counts can only be written as an unsafe trait")]

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

use simmer::signal::{
    BandSpec, ChannelReading, Ear, Heard, Plan, ReceiveSpec, SampleFormat, SignalSpec,
    SpectrumSpec, Window,
};

thread_local! {
    /// Allocations this thread has made; others, such as the test runner's, do not count.
    static MADE: Cell<usize> = const { Cell::new(0) };
}

/// The system's allocator, counted.
struct Counting;

// SAFETY: every call is passed on unchanged; the count allocates nothing.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        MADE.with(|made| made.set(made.get() + 1));
        // SAFETY: the caller keeps the contract of `alloc`.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, place: *mut u8, layout: Layout) {
        // SAFETY: the caller keeps the contract of `dealloc`.
        unsafe { System.dealloc(place, layout) }
    }

    unsafe fn realloc(&self, place: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        MADE.with(|made| made.set(made.get() + 1));
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
    check(Window::Hann, 5e3);
    check(Window::BlackmanHarris, 4e3);
    check(Window::Rectangular, 6.25e3);
}
