//! `simmer monitor`: the daemon.

use std::net::{Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};

use tracing_subscriber::EnvFilter;

use super::live::{Left, Live, Setup};
use super::replay::{default_workers, named_baseline};
use super::{ALARM, CONFIG, Failure, NO_INPUT, Prepared, RUNNING, USAGE, give, prepare, say};
use crate::config::Loaded;
use crate::detect::baseline::TargetBaseline;
use crate::detect::{Act, AlarmLimit, Baseline, Trigger};
use crate::serve::Web;
use crate::session::acts::limits_from;

/// Where the page is when the configuration says nothing.
pub const HTTP: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::LOCALHOST), 8787);

/// Where samples come in when the configuration says nothing.
const STREAM: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::LOCALHOST), 8788);

/// Shortest token that is taken, characters.
const TOKEN_CHARS: usize = 16;

/// Largest limits file, bytes.
const MOST_LIMITS_BYTES: u64 = 1 << 20;

/// What to hear with, and where to keep it.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example, with `simmer send` or a digitiser as the sender:
  simmer monitor -c demo-data/config.toml --out out/live

This page does not stop the drive: simmer is no safety interlock.")]
pub struct Monitor {
    /// Configuration (TOML)
    #[arg(short, long, value_name = "CONFIG")]
    pub config: PathBuf,
    /// Baseline file made by `simmer baseline`; wins over baseline pulses of the stream
    #[arg(long, value_name = "FILE")]
    pub baseline: Option<PathBuf>,
    /// Other limits for alarms (TOML with [[alarm]] name, limit, off_db, m_of_n)
    #[arg(long, value_name = "FILE")]
    pub limits: Option<PathBuf>,
    /// Folder to keep the session in; it must not hold one already
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Also write spectra.npy
    #[arg(long, requires = "out")]
    pub spectra: bool,
    /// Where to serve the page, ADDR:PORT, instead of the configuration's
    #[arg(long, value_name = "ADDR:PORT")]
    pub listen: Option<SocketAddr>,
    /// Where to take samples, ADDR:PORT, instead of the configuration's
    #[arg(long, value_name = "ADDR:PORT")]
    pub stream: Option<SocketAddr>,
    /// Serve the page's files from this folder, read anew for each request
    #[arg(long, value_name = "DIR")]
    pub web_dir: Option<PathBuf>,
    /// Threads that compute spectra [default: one a processor]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    pub workers: Option<u16>,
    /// Ask for real-time priority and locked memory: the analysis then comes before everything else on
    /// the machine
    #[arg(long)]
    pub real_time: bool,
    /// End with exit code 10 when an alarm was raised
    #[arg(long, value_name = "WHAT", value_parser = ["alarm"])]
    pub fail_on: Option<String>,
}

/// Why a monitor stops.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// Ctrl-C.
    Interrupt,
    /// SIGTERM.
    Terminate,
    /// The analysis has ended by itself.
    Fell,
}

impl Why {
    const fn code(self) -> u8 {
        match self {
            Self::Interrupt => 130,
            Self::Terminate => 143,
            Self::Fell => RUNNING,
        }
    }
}

/// A runtime for the daemon's waiting.
///
/// # Errors
/// When the system gives no threads.
pub fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(|error| Failure::new(RUNNING, format!("no threads: {error}")))
}

/// The log, to standard error; `SIMMER_LOG` chooses what is in it.
pub fn log(level: &str) {
    let filter = EnvFilter::try_from_env("SIMMER_LOG").unwrap_or_else(|_| EnvFilter::new(level));
    // A second log in one process would only repeat the first.
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_target(false)
        .with_writer(std::io::stderr)
        .try_init()
        .ok();
}

/// The signals that end a command. Made before anybody is told where it is: whoever knows may send
/// one at once.
pub struct Signals {
    #[cfg(unix)]
    interrupt: tokio::signal::unix::Signal,
    #[cfg(unix)]
    terminate: tokio::signal::unix::Signal,
}

impl Signals {
    /// Takes them from now on.
    ///
    /// # Errors
    /// When the system gives no signals.
    pub fn listen() -> Result<Self, Failure> {
        #[cfg(unix)]
        {
            use tokio::signal::unix::{SignalKind, signal};
            let fault = |error: std::io::Error| Failure::new(RUNNING, format!("signals: {error}"));
            Ok(Self {
                interrupt: signal(SignalKind::interrupt()).map_err(fault)?,
                terminate: signal(SignalKind::terminate()).map_err(fault)?,
            })
        }
        #[cfg(not(unix))]
        Ok(Self {})
    }

    /// The next of them.
    #[cfg(unix)]
    pub(super) async fn next(&mut self) -> Why {
        tokio::select! {
            _ = self.interrupt.recv() => Why::Interrupt,
            _ = self.terminate.recv() => Why::Terminate,
        }
    }

    /// The next of them.
    #[cfg(not(unix))]
    pub(super) async fn next(&mut self) -> Why {
        // Where this cannot be waited for, only the analysis ends the command.
        match tokio::signal::ctrl_c().await {
            Ok(()) => Why::Interrupt,
            Err(_) => std::future::pending().await,
        }
    }
}

/// Waits for a signal, or for the analysis to end. From then on a second interrupt ends at once.
pub async fn until_stopped(live: &Live, signals: &mut Signals) -> Why {
    tokio::select! {
        why = signals.next() => {
            if why == Why::Interrupt {
                let again = Signals::listen();
                say("stopping; press Ctrl-C again to end at once");
                if let Ok(mut again) = again {
                    tokio::spawn(async move {
                        while again.next().await != Why::Interrupt {}
                        std::process::exit(130);
                    });
                }
            }
            why
        }
        () = live.fallen.cancelled() => Why::Fell,
    }
}

/// Says where everything is.
pub fn say_where(live: &Live, unix: Option<&Path>) {
    say(&format!("page on http://{}/", live.http));
    if let Some(stream) = live.stream {
        say(&format!("stream on {stream}"));
    }
    if let Some(path) = unix {
        say(&format!("stream on unix:{}", path.display()));
    }
}

/// Says what a monitor leaves; whether everything is well.
///
/// # Errors
/// When standard output cannot be written, or the account does not close.
pub fn report(left: &Left) -> Result<bool, Failure> {
    if let Some(path) = &left.folder {
        say(&format!("session in {}", path.display()));
    }
    give(&left.table.text())?;
    if !left.finished.account.closes() {
        return Err(Failure::new(RUNNING, "the sample account does not close"));
    }
    Ok(!left.failed)
}

/// Limits from a file, as an act that holds from the first pulse on. `baseline` is the one a file
/// brought: absolute limits that say which baselines they were found on hold on those alone.
///
/// # Errors
/// What is wrong with the file.
pub fn limits(
    path: Option<&PathBuf>,
    loaded: &Loaded,
    baseline: Option<&Baseline>,
) -> Result<Option<Act>, Failure> {
    let Some(path) = path else { return Ok(None) };
    let at = |code, why: String| Failure::new(code, format!("{}: {why}", path.display()));
    let text = read_small(path, MOST_LIMITS_BYTES)?;
    let mut table: serde_json::Value =
        toml::from_str(&text).map_err(|error| at(CONFIG, error.to_string()))?;
    let keys = table.as_object().into_iter().flat_map(serde_json::Map::keys);
    if let Some(key) = keys.clone().find(|key| !["alarm", "made_of"].contains(&key.as_str())) {
        return Err(at(CONFIG, format!("{key} is not known, must be alarm or made_of")));
    }
    let alarms = table["alarm"].take();
    let alarms = limits_from(&alarms, &loaded.settings.alarms)
        .map_err(|fault| at(CONFIG, format!("[[alarm]]: {fault}")))?;
    let made_of = &table["made_of"];
    if made_of["configuration_sha256"].as_str().is_some_and(|hash| hash != loaded.sha256) {
        say(&format!(
            "warning: {}: these limits were found with another configuration, {}; in dB they carry over only where bands, gate and the record without drive are the same",
            path.display(),
            made_of["configuration"]
        ));
    }
    let absolute = alarms.iter().find(|alarm| {
        matches!(alarm.trigger, Trigger::Over { limit: AlarmLimit::DensityV2PerHz { .. }, .. })
    });
    if let (Some(alarm), Some(found_on)) = (absolute, table["made_of"]["baselines"].as_array()) {
        let here: Vec<String> =
            baseline.iter().flat_map(|b| b.targets.values()).map(TargetBaseline::id).collect();
        let same = |id: &String| found_on.iter().any(|found| found.as_str() == Some(id));
        if here.is_empty() || !here.iter().all(same) {
            let found_on: Vec<&str> = found_on.iter().filter_map(|id| id.as_str()).collect();
            let here =
                if here.is_empty() { "none from a file".to_owned() } else { here.join(", ") };
            return Err(at(
                CONFIG,
                format!(
                    "[[alarm]]: \"{}\" has an absolute limit found on baseline {}, the baseline here is {here}; a limit in dB carries over",
                    alarm.name,
                    found_on.join(", "),
                ),
            ));
        }
    }
    Ok(Some(Act::Limits(alarms)))
}

fn read_small(path: &Path, most: u64) -> Result<String, Failure> {
    let fault = |error: std::io::Error| {
        let code = if error.kind() == std::io::ErrorKind::NotFound { NO_INPUT } else { RUNNING };
        Failure::new(code, format!("{}: {error}", path.display()))
    };
    let bytes = std::fs::metadata(path).map_err(fault)?.len();
    if bytes > most {
        let text = format!("{}: has {bytes} bytes, at most {most} are read", path.display());
        return Err(Failure::new(CONFIG, text));
    }
    std::fs::read_to_string(path).map_err(fault)
}

impl Monitor {
    /// Runs the command; the exit code.
    ///
    /// # Errors
    /// What went wrong, with its exit code.
    pub fn run(&self) -> Result<u8, Failure> {
        log("info");
        let prepared = prepare(&self.config)?;
        if prepared.loaded.settings.recordings.cutting.is_some() {
            let why = "recordings.cut_by cuts recordings; a live stream brings its pulses and their \
                       time zero, and a baseline of cut recordings would not be theirs: leave it out";
            return Err(Failure::new(CONFIG, why));
        }
        runtime()?.block_on(self.serve(&prepared))
    }

    async fn serve(&self, prepared: &Prepared) -> Result<u8, Failure> {
        let settings = &prepared.loaded.settings;
        let written = settings.serve.clone().unwrap_or_default();
        let unix = written.stream_unix.clone();
        // A unix socket that is written alone is meant alone.
        let tcp = self.stream.or(written.stream).or(unix.is_none().then_some(STREAM));
        let http = self.listen.or(written.http).unwrap_or(HTTP);
        let token = written.token_file.as_ref().map(|path| token(path)).transpose()?;
        check_open(&[Some(http), tcp], token.as_ref())?;
        let baseline = named_baseline(prepared, self.baseline.as_ref())?;
        let limits = limits(self.limits.as_ref(), &prepared.loaded, baseline.as_ref())?;
        let setup = Setup {
            prepared,
            baseline: baseline.zip(self.baseline.clone()),
            limits,
            out: self.out.as_deref(),
            spectra: self.spectra,
            workers: self.workers.map_or_else(default_workers, usize::from),
            web: self.web_dir.clone().map_or(Web::Embedded, Web::Folder),
            http,
            stream: tcp,
            stream_unix: unix.clone(),
            token,
            source: "live",
            real_time: self.real_time,
        };
        let mut signals = Signals::listen()?;
        let live = Live::start(setup).await?;
        say(crate::CAUTION);
        say_where(&live, unix.as_deref());
        let why = until_stopped(&live, &mut signals).await;
        let left = live.stop().await?;
        let well = report(&left)?;
        if !well {
            return Ok(RUNNING);
        }
        let alarmed = left.finished.session.alarms_raised() > 0 && self.fail_on.is_some();
        Ok(if alarmed { ALARM } else { why.code() })
    }
}

/// Whoever can be reached from other machines needs a token.
///
/// # Errors
/// Names the address.
pub fn check_open(addresses: &[Option<SocketAddr>], token: Option<&String>) -> Result<(), Failure> {
    let open = addresses.iter().flatten().find(|address| !address.ip().is_loopback());
    match (open, token) {
        (Some(address), None) => Err(Failure::new(
            USAGE,
            format!("{address} can be reached from other machines: name a token_file in [serve]"),
        )),
        _ => Ok(()),
    }
}

/// The token of a file.
///
/// # Errors
/// A file that cannot be read, or holds no token.
pub fn token(path: &Path) -> Result<String, Failure> {
    let text = read_small(path, 4096)?;
    let token = text.trim();
    let fine = token.len() >= TOKEN_CHARS && token.chars().all(|c| c.is_ascii_graphic());
    if !fine {
        let text = format!(
            "{}: the token must be one word of at least {TOKEN_CHARS} visible ASCII characters",
            path.display()
        );
        return Err(Failure::new(CONFIG, text));
    }
    Ok(token.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Option<Act>, Failure> {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("limits.toml");
        std::fs::write(&file, text).unwrap();
        let configuration = include_str!("../../config/bench-phantom.toml");
        let loaded = crate::config::parse("bench-phantom.toml", configuration).unwrap();
        let mut baseline = Baseline::default();
        baseline.targets.insert("".into(), TargetBaseline::default());
        limits(Some(&file), &loaded, Some(&baseline))
    }

    const ABSOLUTE: &str = "[[alarm]]\nname = \"inertial\"\nlimit = { v2_per_hz = 1e-13 }\n\
        off_db = -1.0\nm_of_n = \"1 of 1\"\n";

    #[test]
    fn an_absolute_limit_holds_on_the_baseline_it_was_found_on_alone() {
        let own = TargetBaseline::default().id();
        let on = |id: &str| format!("{ABSOLUTE}\n[made_of]\nbaselines = [\"{id}\"]\n");
        assert!(read(ABSOLUTE).unwrap().is_some());
        assert!(read(&on(&own)).unwrap().is_some());
        let refused = read(&on("0123456789abcdef")).unwrap_err();
        assert_eq!(refused.code, CONFIG);
        let wanted = format!(
            "\"inertial\" has an absolute limit found on baseline 0123456789abcdef, the baseline here is {own}; a limit in dB carries over"
        );
        assert!(refused.message.ends_with(&wanted), "{}", refused.message);
        let relative = ABSOLUTE.replace("{ v2_per_hz = 1e-13 }", "{ db = 3.0 }");
        let elsewhere = format!("{relative}\n[made_of]\nbaselines = [\"0123456789abcdef\"]\n");
        assert!(read(&elsewhere).unwrap().is_some());
    }

    #[test]
    fn a_key_that_is_not_known_is_named() {
        let refused = read("colour = 1\n").unwrap_err();
        assert!(refused.message.ends_with("colour is not known, must be alarm or made_of"));
    }
}
