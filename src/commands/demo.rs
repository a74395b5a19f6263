//! `simmer demo`: the whole job on a simulated bench, through the real socket.

use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::num::NonZeroU32;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use tokio::runtime::Handle;
use tokio::sync::{oneshot, watch};

use super::live::{Live, Setup};
use super::monitor::{HTTP, Signals, Why, log, report, runtime, say_where, until_stopped};
use super::replay::default_workers;
use super::send::hello;
use super::simulate::scene_spec;
use super::tables::Tables;
use super::{Failure, Prepared, RUNNING, USAGE, plan, say};
use crate::bench::{Scene, SceneError};
use crate::config::{self, scenario};
use crate::detect::{Act, By, Mark};
use crate::engine::scene;
use crate::ingest::play::{Address, Pace, Play, PlayError, Played, play};
use crate::serve::{Desk, Web};

/// The bench's configuration, the same as `config/bench-phantom.toml`.
const CONFIGURATION: &str = include_str!("../../config/bench-phantom.toml");

/// What stands on the bench, the same as `config/scenarios/open-water.toml`.
const SCENARIO: &str = include_str!("../../config/scenarios/open-water.toml");

/// Sample sets in one frame, as a digitiser would send them.
const FRAME_SAMPLES: NonZeroU32 = NonZeroU32::new(30_000).unwrap();

/// What the scene is, wherever it is shown.
const SOURCE: &str = "simulated bench, not a measurement: a flow phantom in a bench tank";

/// How long, which scene, where to.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:
  simmer demo --seconds 30 --speed max --seed 7 --out out/demo")]
pub struct Demo {
    /// Length of the scene in device time, s; 30 at least
    #[arg(long, value_name = "N", default_value_t = 60.0)]
    pub seconds: f64,
    /// Pace against device time: 1, a factor, or max
    #[arg(long, value_name = "F", default_value = "1")]
    pub speed: Pace,
    /// Seed of the scene; the same seed gives the same numbers
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Keep the session in this folder
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Where to serve the page, ADDR:PORT [default: 127.0.0.1:8787, or a free port]
    #[arg(long, value_name = "ADDR:PORT")]
    pub listen: Option<SocketAddr>,
    /// Keep the page after the scene's end, until Ctrl-C
    #[arg(long)]
    pub stay: bool,
    /// Serve the page's files from this folder, read anew for each request
    #[arg(long, value_name = "DIR")]
    pub web_dir: Option<PathBuf>,
}

type Outcome = Result<Played, PlayError<SceneError>>;

impl Demo {
    /// Runs the command; the exit code.
    ///
    /// # Errors
    /// What went wrong, with its exit code.
    pub fn run(&self) -> Result<u8, Failure> {
        log("warn");
        let loaded = config::parse("config/bench-phantom.toml", CONFIGURATION)
            .map_err(|diagnosis| Failure::new(RUNNING, diagnosis.to_string()))?;
        let prepared = plan(loaded, Tables::Kept(&[]))?;
        let settings = &prepared.loaded.settings;
        let scenario = scenario::parse("config/scenarios/open-water.toml", SCENARIO)?;
        let setup = scenario.setup(settings, None)?;
        let scene = Scene::demo(&scene_spec(settings), setup, self.seconds, self.seed)
            .map_err(|error| Failure::new(USAGE, error.to_string()))?;
        if let Some(address) = self.listen.filter(|address| !address.ip().is_loopback()) {
            let text = format!("--listen is {address}, the demo is shown on this machine alone");
            return Err(Failure::new(USAGE, text));
        }
        let scene = Arc::new(scene);
        let over = Arc::new(AtomicBool::new(false));
        let learning = learn(&scene, &over)?;
        let shown = runtime()?.block_on(self.show(&prepared, scene));
        over.store(true, Ordering::Relaxed);
        // What was wrong with a bubble is said by the pulse that needed it.
        learning.join().ok();
        shown
    }

    async fn show(&self, prepared: &Prepared, scene: Arc<Scene>) -> Result<u8, Failure> {
        let loopback = SocketAddr::from((Ipv4Addr::LOCALHOST, 0));
        // A demo beside a running monitor finds a place of its own.
        let usual = || if TcpListener::bind(HTTP).is_ok() { HTTP } else { loopback };
        let setup = Setup {
            prepared,
            baseline: None,
            limits: None,
            out: self.out.as_deref(),
            spectra: self.out.is_some(),
            workers: default_workers(),
            web: self.web_dir.clone().map_or(Web::Embedded, Web::Folder),
            http: self.listen.unwrap_or_else(usual),
            stream: Some(loopback),
            stream_unix: None,
            token: None,
            source: SOURCE,
            real_time: false,
        };
        let mut signals = Signals::listen()?;
        let live = Live::start(setup).await?;
        say(&format!("{SOURCE}; drive 0.7 MHz, 4 ms bursts at 5 Hz"));
        say(crate::CAUTION);
        say_where(&live, None);
        let played = self.play(prepared, &live, scene)?;
        let why = tokio::select! {
            played = played => {
                let outcome = played.map_err(|_| Failure::new(RUNNING, "the scene's thread panicked"))?;
                let totals = outcome.map_err(|error| Failure::new(RUNNING, error.to_string()))?.totals;
                say(&format!("the scene has ended: {} pulses, {} frames received, {} lost",
                    totals.pulses, totals.received, totals.lost));
                if self.stay {
                    say("the page stays until Ctrl-C");
                    until_stopped(&live, &mut signals).await;
                }
                None
            }
            why = until_stopped(&live, &mut signals) => Some(why),
        };
        let left = live.stop().await?;
        let well = report(&left)?;
        Ok(match why {
            _ if !well => RUNNING,
            None => 0,
            Some(Why::Interrupt) => 130,
            Some(Why::Terminate) => 143,
            Some(Why::Fell) => RUNNING,
        })
    }

    /// Plays the scene from a thread of its own, as a digitiser would.
    fn play(
        &self,
        prepared: &Prepared,
        live: &Live,
        scene: Arc<Scene>,
    ) -> Result<oneshot::Receiver<Outcome>, Failure> {
        let stream = live.stream.ok_or_else(|| Failure::new(RUNNING, "no socket for the scene"))?;
        let hello = hello(&prepared.expectation(), scene::start(), "simulated bench")?;
        let what = Play {
            to: Address::Tcp(stream.to_string()),
            hello,
            pace: self.speed,
            frame_samples: FRAME_SAMPLES,
            write_bytes: 1 << 20,
        };
        let mut person = Person {
            desk: live.desk.clone(),
            frames: live.frames.clone(),
            handle: Handle::current(),
        };
        let (outcome_in, outcome) = oneshot::channel();
        let thread = move || {
            let samples = usize::try_from(FRAME_SAMPLES.get()).unwrap_or(usize::MAX);
            let items = scene::input(scene, samples, Vec::new);
            let played = play(&what, items, &mut |act, frames| person.act(act, frames));
            // Whoever waited has gone.
            outcome_in.send(played).ok();
        };
        std::thread::Builder::new()
            .name("scene".to_owned())
            .spawn(thread)
            .map_err(|error| Failure::new(RUNNING, format!("no thread for the scene: {error}")))?;
        Ok(outcome)
    }
}

/// Makes the sounds of bubbles while the page is up and silence and baseline are played.
fn learn(
    scene: &Arc<Scene>,
    over: &Arc<AtomicBool>,
) -> Result<std::thread::JoinHandle<()>, Failure> {
    let (scene, over) = (Arc::clone(scene), Arc::clone(over));
    let thread = move || {
        // The pulse that needs a bubble says what is wrong with it.
        scene::learn(&scene, default_workers(), || over.load(Ordering::Relaxed)).ok();
    };
    std::thread::Builder::new()
        .name("bubbles".to_owned())
        .spawn(thread)
        .map_err(|error| Failure::new(RUNNING, format!("no thread for the bubbles: {error}")))
}

/// The person at the bench, who injects.
struct Person {
    desk: Desk,
    frames: watch::Receiver<u64>,
    handle: Handle,
}

impl Person {
    /// Acts once everything that was sent before has come in, so that the act holds from the right
    /// pulse on at any pace.
    fn act(&mut self, act: &Act, frames: u64) {
        let Act::Mark(mark) = act else { return };
        let mark = Mark { id: Some(self.desk.next_mark()), by: By::Operator, ..mark.clone() };
        let act = Act::Mark(mark);
        self.handle.block_on(async {
            // The monitor may be stopping; then nobody needs the act.
            self.frames.wait_for(|came| *came >= frames).await.ok();
            self.desk.take(act).await.ok();
        });
    }
}
