//! The forecast against simulating what it forecasts, on the simulated bench.

use std::sync::Arc;

use super::gather::Gathering;
use crate::bench::{Part, Scene, SceneError, SceneSpec, Step};
use crate::config::{self, Settings, scenario};
use crate::detect::{Baseline, Channel, Session};
use crate::engine::{run, scene};
use crate::signal::{Curve, Plan, Quantity, as_f64};
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
    Curve::new(vec![[0.1e6, 8.0], [1e6, 8.5], [2e6, 9.0], [10e6, 10.0]]).unwrap()
}

/// Quiet pulses and pulses with bubbles at every drive. Behind the plate the same bubbles come, under
/// other noise: a pulse of silence before them moves the numbers that noise is drawn by.
fn bench(settings: &Settings, plate: Option<Curve>) -> Scene {
    let text = include_str!("../../../config/scenarios/open-water.toml");
    let silence = if plate.is_some() { 2 } else { 1 };
    let mut setup =
        scenario::parse("open-water.toml", text).unwrap().setup(settings, plate).unwrap();
    // From the first pulse on as many bubbles as to the last.
    setup.population.wash_in_s = 0.0;
    setup.population.wash_out_s = f64::INFINITY;
    let drives = || (0..13).map(|i| 0.1 * 1.16_f64.powi(i));
    let mut steps = vec![Step::plain(Part::Silence, 0.0, silence)];
    steps.extend(drives().map(|drive| Step::plain(Part::Baseline, drive, PULSES)));
    let first = steps.len();
    steps.extend(drives().map(|drive| Step::plain(Part::Exposure, drive, PULSES)));
    steps[first].injection = true;
    let Settings { signal, drive, .. } = settings.clone();
    let (pulse_s, repetition_hz) = (drive.pulse_s, drive.repetition_hz);
    Scene::new(&SceneSpec { signal, pulse_s, repetition_hz }, setup, steps, 71).unwrap()
}

/// The bench, heard by the real analysis.
fn heard(
    settings: &Settings,
    plan: &Arc<Plan>,
    plate: Option<Curve>,
    emissions: Option<Emissions>,
) -> (Table, Baseline, Option<Emissions>) {
    let scene = bench(settings, plate);
    scene::learn(&scene, 2, || false).unwrap();
    let session = Session::new(plan, &settings.detect, &[], None);
    let table = Table::new(settings.drive.drive_tolerance);
    let mut gathering = Gathering { plan, table, emissions };
    let items = |_| Ok(scene::input(Arc::new(scene), usize::MAX, Vec::new));
    let finished = run::<_, SceneError, _>(plan, session, 2, items, &mut gathering).unwrap();
    (gathering.table, finished.session.into_baseline(), gathering.emissions)
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
fn what_the_same_bubbles_show_behind_a_plate_is_forecast() {
    let settings = settings();
    let plan = Arc::new(Plan::new(&settings.signal).unwrap());
    let emissions = Some(Emissions::new(Path::new(&plan, &plate())));
    let (tank, baseline, emissions) = heard(&settings, &plan, None, emissions);
    let (behind, ..) = heard(&settings, &plan, Some(plate()), None);
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
            (half_mpa / truth_mpa).ln().abs() < 0.05,
            "{quantity:?}: forecast {half_mpa} MPa, simulated {truth_mpa}, in the tank {tank_mpa}"
        );
        // And at each drive the mean rise, within four and a half standard errors of what noise makes of
        // the means of quiet pulses and of pulses with bubbles, and 0.1 dB for a drive that wanders.
        let set = behind.set(Channel::One(0), quantity);
        let slack_db = 4.5 * sd_db * f64::sqrt(2.0 / f64::from(PULSES)) + 0.1;
        for (drive, series) in found.drives.iter().zip(&set.bubbles) {
            assert!((series.drive.mpa().unwrap() / drive.drive_mpa - 1.0).abs() < 1e-9);
            let mean = series.rise_db.iter().sum::<f64>() / as_f64(series.rise_db.len());
            let off = mean - drive.rise_db;
            assert!(off.abs() < slack_db, "{quantity:?} at {} MPa: off by {off}", drive.drive_mpa);
        }
        assert_eq!(found.drives.len(), 13);
        // The plate matters, by more than the forecast may be off: without it the same share is found
        // from a lower drive on.
        assert!((truth_mpa / tank_mpa).ln() > 0.05, "{quantity:?}: {truth_mpa} and {tank_mpa} MPa");
        let drive = found.drives[0];
        assert!((drive.set_mpa / drive.drive_mpa - 10f64.powf(0.15)).abs() < 1e-12);
    }
}
