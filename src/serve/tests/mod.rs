//! Tests of the faces over real sockets.

mod answers;
mod client;
mod entry;
mod feeds;
mod moments;
mod requests;
mod together;
mod tuning;

use std::net::SocketAddr;
use std::sync::{Arc, LazyLock};
use std::time::Duration;

use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use super::hub::Bounds;
use super::{Desk, Facts, Guard, Hub, StreamState, Web, router, serve};
use crate::config;
use crate::detect::session::Judgement;
use crate::detect::{Act, Channel, Event, Pulse, PulseTime, Row, Severity, Stage, Verdict, What};
use crate::engine::Judged;
use crate::signal::{ChannelReading, PerQuantity, Plan, Quantity};

/// Whatever a test waits for is there long before.
const DEADLINE: Duration = Duration::from_secs(20);

/// Small rings, so that they roll over in a test.
const SMALL: Bounds = Bounds { pulses: 8, rows: 1000, events: 8, exposures: 4, readers: 3 };

fn facts() -> Facts {
    static FACTS: LazyLock<Facts> = LazyLock::new(|| {
        let text = include_str!("../../../config/bench-phantom.toml");
        let settings = config::parse("bench-phantom.toml", text).unwrap().settings;
        let plan = Plan::new(&settings.signal).unwrap();
        Facts::new(&plan, &settings, "simulated bench, not a measurement", true)
    });
    FACTS.clone()
}

fn with_channels(channels: usize) -> Facts {
    Facts { channels: (0..channels).collect(), ..facts() }
}

fn up() -> StreamState {
    StreamState::Up {
        name: "127.0.0.1:50312".to_owned(),
        device: "bench digitiser".to_owned(),
        stage_from: "operator",
    }
}

/// A hub, served on a free port.
struct Rig {
    hub: Arc<Hub>,
    acts: mpsc::Receiver<Act>,
    address: SocketAddr,
    stop: CancellationToken,
    serving: JoinHandle<std::io::Result<()>>,
}

impl Rig {
    async fn new() -> Self {
        Self::with(Hub::new(facts(), None, 1 << 20), None, Web::Embedded).await
    }

    async fn small() -> Self {
        Self::with(Hub::with_bounds(facts(), None, 1 << 16, SMALL), None, Web::Embedded).await
    }

    async fn with(hub: Arc<Hub>, token: Option<&str>, web: Web) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let stop = CancellationToken::new();
        let (acts_in, acts) = mpsc::channel(2);
        let guard = Guard::new(address, token.map(str::to_owned));
        let routes = router(Arc::clone(&hub), Desk::new(acts_in), web, guard, stop.clone());
        let serving = tokio::spawn(serve(listener, routes, stop.clone()));
        Self { hub, acts, address, stop, serving }
    }
}

fn within<F: Future>(future: F) -> impl Future<Output = F::Output> {
    let waiting = tokio::time::timeout(DEADLINE, future);
    async { waiting.await.expect("it happens before the deadline") }
}

fn pulse(number: u64, stage: Stage) -> Pulse {
    #[allow(clippy::cast_precision_loss, reason = "small numbers of tests")]
    let since_start_s = number as f64 * 0.2;
    Pulse {
        number,
        time: PulseTime { since_start_s, utc_ns: None },
        target: Arc::from(""),
        exposure: None,
        stage,
        drive_mpa: Some(0.16),
        drive_setting: None,
        sham: false,
    }
}

/// A row of an exposure pulse with levels that fit its verdict.
fn row(pulse: &Pulse, channel: Channel, verdict: Option<Verdict>, reason: &str) -> Row {
    let none = PerQuantity::<Option<f64>>::default();
    Row {
        pulse: Some(pulse.number),
        time: pulse.time,
        channel,
        target: Arc::clone(&pulse.target),
        exposure: (pulse.stage == Stage::Exposure).then_some(1),
        stage: pulse.stage,
        drive_mpa: pulse.drive_mpa,
        drive_setting: None,
        power_v2: PerQuantity([Some(1e-9), Some(2e-9), Some(3e-9), Some(4e-9)]),
        fundamental_v2: Some(1e-3),
        broadband_v2_per_hz: Some(1e-14),
        level_db: none,
        fundamental_db: Some(0.1),
        noise_db: Some(f64::NAN),
        excess_dose_v2s: none,
        since_injection_s: None,
        clipped_share: Some(0.0),
        verdict,
        reason: reason.to_owned(),
        lambda_db: none,
        detect_db: PerQuantity([Some(0.1), Some(0.2), Some(0.3), Some(0.4)]),
        limit_db: PerQuantity([Some(1.0), Some(1.1), Some(1.2), Some(1.3)]),
        hear_db: PerQuantity([Some(2.5), Some(1.6), Some(1.7), Some(0.8)]),
        hear_cumulative_db: PerQuantity([None, Some(0.3), None, Some(f64::INFINITY)]),
        hearing: PerQuantity::default(),
        established: PerQuantity::default(),
        reference: None,
        loudest_quarter: None,
        drive_monitor_v: None,
        drive_monitor_db: None,
        calibrated: None,
    }
}

/// Spectra of `channels` channels; bin k of channel c has 1e-14·(c + 1) V²/Hz.
fn readings(channels: usize, bins: usize) -> Vec<ChannelReading> {
    let reading = |channel: usize| {
        let density = 1e-14 * f32::from(u16::try_from(channel + 1).unwrap());
        let mut reading = ChannelReading::default();
        reading.spectrum = vec![density; bins];
        reading
    };
    (0..channels).map(reading).collect()
}

/// A pulse on one channel.
fn judged(number: u64, stage: Stage, verdict: Option<Verdict>, reason: &str) -> Judged {
    let pulse = pulse(number, stage);
    let rows = vec![row(&pulse, Channel::One(0), verdict, reason)];
    let bins = facts().bins;
    Judged {
        judgement: Judgement { rows, ..Judgement::default() },
        readings: readings(1, bins),
        pulse: Some(pulse),
    }
}

fn quiet(number: u64) -> Judged {
    judged(number, Stage::Exposure, Some(Verdict::NotDetected), "")
}

/// An event between pulses.
fn told(what: What) -> Judged {
    let event = Event { pulse: Some(7), time_s: 1.4, target: Arc::from(""), what };
    Judged {
        pulse: None,
        judgement: Judgement { events: vec![event], ..Judgement::default() },
        readings: Vec::new(),
    }
}

fn raised(id: u64, name: &str, severity: Severity) -> What {
    What::AlarmRaised {
        id,
        name: name.into(),
        severity,
        cause: format!("{} over the limit of the budget by 7.6 dB", Quantity::Broadband.name()),
        channel: Some(Channel::One(0)),
        sinks: vec!["page".to_owned(), "events".to_owned()].into(),
    }
}

fn note(text: &str) -> Judged {
    told(What::Warning { text: text.to_owned() })
}
