//! The forecast against simulating what it forecasts, under a law of emission of its own: see `law`.

mod law;
mod path;
mod sound;

use std::sync::Arc;

use self::law::Law;
use self::sound::{Sounding, Timing};
use super::gather::Gathering;
use crate::bench::noise::{Ziggurat, generator};
use crate::config::{self, Settings};
use crate::detect::{Baseline, Channel, Session};
use crate::engine::{DeviceNanos, Frame, Input, PulseTag, SampleIndex, Stage, Stream, run, scene};
use crate::signal::{Curve, Plan, Quantity, SampleFormat};
use crate::stats::{DoseGroup, DoseResponse, Link};
use crate::tune::forecast::{Emissions, Forecaster, Found, Path, QuietSpread, Site};
use crate::tune::limit::OperatingLimit;
use crate::tune::table::Table;
use crate::tune::tune;

/// Pulses of each kind at each drive.
const PULSES: u32 = 24;

fn settings() -> Settings {
    let text = include_str!("../../../config/bench-phantom.toml");
    config::parse("bench-phantom.toml", text).unwrap().settings
}

/// A plate, invented: little steeper than flat, so that every quantity is lowered by enough to be
/// told from the tank and little enough to be heard within the drives.
fn plate() -> Curve {
    Curve::new(vec![[0.1e6, 11.0], [1e6, 12.0], [2e6, 12.5], [10e6, 14.0]]).unwrap()
}

fn drives_mpa() -> impl Iterator<Item = f64> {
    (0..13).map(|i| 0.1 * 1.16_f64.powi(i))
}

/// Quiet pulses and pulses with bubbles at every drive, heard by the real analysis.
fn heard(
    settings: &Settings,
    plan: &Arc<Plan>,
    path_loss: Option<Curve>,
    emissions: Option<Emissions>,
    seed: u64,
) -> (Table, Baseline, Option<Emissions>) {
    let session = Session::new(plan, &settings.detect, &[], None);
    let table = Table::new(settings.drive.drive_tolerance);
    let mut gathering = Gathering { plan, table, emissions };
    let items = |_| Ok(input(settings, Law { path_loss, ..Law::demo() }, seed).map(Ok));
    let finished =
        run::<_, std::convert::Infallible, _>(plan, session, 2, items, &mut gathering).unwrap();
    (gathering.table, finished.session.into_baseline(), gathering.emissions)
}

/// Every pulse of a series, without bubbles and then with them, under the law.
fn input(settings: &Settings, law: Law, seed: u64) -> impl Iterator<Item = Input> + Send {
    let receive = &settings.signal.receive;
    let (rate_hz, volts_per_count) = (receive.sample_rate_hz, receive.volts_per_count[0]);
    let timing = Timing {
        rate_hz,
        frequency_hz: settings.signal.drive_frequency_hz,
        record: 122_000,
        trigger: 40_000,
        arrival_s: receive.first_arrival_s.unwrap(),
        burst_s: settings.drive.pulse_s,
    };
    let [low, high] = receive.full_scale_counts;
    let path = law.path_loss.as_ref().map(|loss| path::Path::new(loss, timing.record, rate_hz));
    let noise_v = (0.5 * rate_hz * law.noise_v2_per_hz).sqrt();
    let stream = Stream {
        name: "emission by a law".to_owned(),
        sample_format: SampleFormat::Ri16Le,
        channels: 1,
        sample_rate_hz: rate_hz,
        start: scene::start(),
        length: None,
    };
    let series = [(Stage::Baseline, false), (Stage::Exposure, true)];
    let pulses = series.into_iter().flat_map(|(stage, bubbles)| {
        drives_mpa().flat_map(move |drive| (0..PULSES).map(move |_| (stage, bubbles, drive)))
    });
    let (ziggurat, mut sound) = (Ziggurat::new(), Vec::new());
    let frames = (0..).zip(pulses).map(move |(number, (stage, bubbles, drive_mpa))| {
        let mut random = generator([seed, number, 0]);
        let mut volts: Vec<f64> =
            (0..timing.record).map(|_| noise_v * ziggurat.draw(&mut random)).collect();
        let sounding = Sounding { drive_mpa: Some(drive_mpa), bubbles, coupled: true };
        let behind = path.as_ref().map(|path| (path, &mut sound));
        sound::add(&law, &timing, sounding, (&ziggurat, &mut random), &mut volts, behind);
        let count = |volt: f64| (volt / volts_per_count).clamp(low, high).round_ties_even();
        #[allow(clippy::cast_possible_truncation, reason = "within full scale")]
        let bytes = volts.iter().flat_map(|volt| (count(*volt) as i16).to_le_bytes()).collect();
        let tag = PulseTag {
            number,
            first: SampleIndex(4_000_000 * number),
            time: Some(DeviceNanos(200_000_000 * number)),
            trigger_offset: None,
            drive_mpa: Some(drive_mpa),
            drive_setting: None,
            target: Arc::from(""),
            exposure: None,
            stage,
            sham: false,
            lost_samples: 0,
        };
        Input::Frame(Frame { tag: Arc::new(tag), offset: 0, bytes, last: true })
    });
    std::iter::once(Input::Begin(stream)).chain(frames).chain(std::iter::once(Input::End))
}

/// The drive at which half of the pulses behind the plate pass the site's own limit.
fn simulated(table: &Table, quantity: Quantity, limit_db: f64) -> f64 {
    let set = table.set(Channel::One(0), quantity);
    let groups: Vec<DoseGroup> = set
        .bubbles
        .iter()
        .map(|series| DoseGroup {
            x: series.drive.mpa().unwrap().ln(),
            n: series.rise_db.len(),
            passed: series.rise_db.iter().filter(|rise| **rise > limit_db).count(),
        })
        .collect();
    DoseResponse::fit(&groups, Link::Logit).unwrap().x_at(0.5).exp()
}

#[test]
fn the_drive_from_which_one_hears_behind_a_plate_is_forecast_within_a_tenth() {
    let settings = settings();
    let plan = Arc::new(Plan::new(&settings.signal).unwrap());
    let emissions = Some(Emissions::new(Path::new(&plan, &plate())));
    let (tank, baseline, emissions) = heard(&settings, &plan, None, emissions, 71);
    let (behind, ..) = heard(&settings, &plan, Some(plate()), None, 72);
    let tuned = tune(&tank, &settings.detect, 1);
    let site = Site { floor: None, transmit_loss_db: 3.0, baseline_pulses: 24 };
    let drives = baseline.targets.values().next().unwrap().drives.len();
    let forecaster = Forecaster {
        plan: &plan,
        spec: &settings.detect,
        baseline: &baseline,
        drives,
        site: &site,
    };
    for quantity in [Quantity::Ultraharmonic, Quantity::Subharmonic, Quantity::Broadband] {
        let at = (Channel::One(0), quantity);
        let tuning = tuned.quantities.iter().find(|found| found.quantity == quantity).unwrap();
        let sd_db = tuning.limit.as_ref().map(|limit: &OperatingLimit| limit.sd_db).unwrap();
        let lag1 = tank.set(Channel::One(0), quantity).lag1();
        let found =
            forecaster.quantity(emissions.as_ref().unwrap(), at, QuietSpread { sd_db, lag1 });
        let found = found.unwrap();
        let Found::At { mpa: half_mpa, .. } = found.half else {
            panic!("{quantity:?}: {:?}", found.half)
        };
        let margin_db = settings.detect.repeatability_db[quantity];
        let truth_mpa = simulated(&behind, quantity, found.limit_db + margin_db);
        let tank_mpa = tuning.onset.half.unwrap().mpa;
        assert!(
            (half_mpa / truth_mpa).ln().abs() < 0.1,
            "{quantity:?}: forecast {half_mpa} MPa, simulated {truth_mpa}, in the tank {tank_mpa}"
        );
        // The plate matters: without it the same share is found from a lower drive on.
        assert!(truth_mpa > 1.1 * tank_mpa, "{quantity:?}: {truth_mpa} and {tank_mpa} MPa");
        let drive = found.drives[0];
        assert!((drive.set_mpa / drive.drive_mpa - 10f64.powf(0.15)).abs() < 1e-12);
    }
}
