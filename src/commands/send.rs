//! `simmer send`: plays recordings into a monitor as a digitiser would.

use std::num::NonZeroU32;
use std::path::{Path, PathBuf};

use super::monitor::token;
use super::pulses::PulseOptions;
use super::{CONFIG, DATA, Failure, RUNNING, USAGE, file_name, prepare, say};
use crate::ingest::play::{Address, Pace, Play, PlayError, play};
use crate::ingest::wire::{Expectation, Hello, StageFrom, StreamId};
use crate::ingest::{Arrangement, Expect, Recording, Source};

/// What to send and where to.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example, beside `simmer monitor -c demo-data/config.toml`:
  simmer send --to 127.0.0.1:8788 -c demo-data/config.toml --speed max \\
      demo-data/baseline.sigmf-meta demo-data/exposure.sigmf-meta")]
pub struct Send {
    /// Where the monitor takes samples: HOST:PORT, or unix:PATH
    #[arg(long, value_name = "ADDR")]
    pub to: String,
    /// Configuration (TOML); without it a SigMF recording is sent as it describes itself
    #[arg(short, long, value_name = "CONFIG")]
    pub config: Option<PathBuf>,
    /// Where pulses lie and what they are for; with a configuration only
    #[command(flatten)]
    pub pulses: PulseOptions,
    /// Pace against device time: 1, a factor, or max
    #[arg(long, value_name = "F", default_value = "1")]
    pub speed: Pace,
    /// Sample sets in a frame
    #[arg(long, value_name = "N", default_value = "30000")]
    pub frame_samples: NonZeroU32,
    /// Bytes written to the socket at a time
    #[arg(long, value_name = "N", default_value_t = 1 << 20, value_parser = clap::value_parser!(u32).range(1..))]
    pub write_bytes: u32,
    /// Who says what pulses are for: the recording, or the person at the monitor
    #[arg(long, value_name = "WHO", default_value = "sender", value_parser = ["sender", "operator"])]
    pub stage_from: String,
    /// Send payloads without a CRC; taken on loopback and unix sockets only
    #[arg(long)]
    pub no_payload_crc: bool,
    /// File that holds the token of a monitor on another machine
    #[arg(long, value_name = "FILE")]
    pub token_file: Option<PathBuf>,
    /// Recordings in order, each a stream of its own
    #[arg(required = true, value_name = "RECORDING")]
    pub recordings: Vec<PathBuf>,
}

/// Where a monitor listens, as the command line writes it.
///
/// # Errors
/// When it is neither HOST:PORT nor unix:PATH.
fn address(text: &str) -> Result<Address, Failure> {
    if let Some(path) = text.strip_prefix("unix:").filter(|path| !path.is_empty()) {
        return Ok(Address::Unix(path.into()));
    }
    match text.rsplit_once(':') {
        Some((host, port)) if !host.is_empty() && port.parse::<u16>().is_ok() => {
            Ok(Address::Tcp(text.to_owned()))
        }
        _ => Err(Failure::new(USAGE, format!("--to is {text}, must be HOST:PORT or unix:PATH"))),
    }
}

impl<E: Into<Self>> From<PlayError<E>> for Failure {
    fn from(error: PlayError<E>) -> Self {
        match error {
            PlayError::Source(error) => error.into(),
            PlayError::Send(error) => Self::new(DATA, error.to_string()),
            PlayError::Refused { to, refusal } => {
                let code = if refusal.retry { RUNNING } else { CONFIG };
                Self::new(
                    code,
                    format!("{to}: refused: {}: {}", refusal.error.name(), refusal.detail),
                )
            }
            PlayError::Connect { to, error } => {
                Self::new(RUNNING, format!("{to}: cannot connect: {error}"))
            }
            PlayError::Strange { to, refusal } => {
                Self::new(RUNNING, format!("{to}: not a monitor: {}", refusal.detail))
            }
            PlayError::Silent { to } => {
                Self::new(RUNNING, format!("{to}: the monitor does not answer"))
            }
        }
    }
}

/// A stream's number that nobody else has.
///
/// # Errors
/// When the system gives no random numbers.
pub fn stream_id() -> Result<StreamId, Failure> {
    let mut bytes = [0; 16];
    getrandom::fill(&mut bytes)
        .map_err(|error| Failure::new(RUNNING, format!("no random numbers: {error}")))?;
    Ok(StreamId(u128::from_le_bytes(bytes)))
}

/// What a stream says first.
///
/// # Errors
/// When the system gives no random numbers.
pub fn hello(
    expected: &Expectation,
    start: Option<jiff::Timestamp>,
    device: &str,
) -> Result<Hello, Failure> {
    Ok(Hello {
        stream: stream_id()?,
        resume: None,
        sample_format: expected.sample_format,
        channels: expected.channels,
        sample_rate_hz: expected.sample_rate_hz,
        volts_per_count: expected.volts_per_count.clone(),
        gain_db: expected.gain_db.clone(),
        pretrigger_samples: expected.pretrigger_samples,
        start_utc: start,
        stage_from: StageFrom::Sender,
        drive_setting_unit: String::new(),
        payload_crc: true,
        device: device.to_owned(),
        token: None,
    })
}

impl Send {
    /// Runs the command; the exit code.
    ///
    /// # Errors
    /// What went wrong, with its exit code.
    pub fn run(&self) -> Result<u8, Failure> {
        let to = address(&self.to)?;
        let token = self.token_file.as_ref().map(|path| token(path)).transpose()?;
        let opened = self.open()?;
        // Numbers that do not rise are found before anything is sent.
        let recordings: Vec<Recording> = opened.iter().map(|(_, r)| r.clone()).collect();
        Source::new(recordings, 1, Vec::new)?;
        for (expected, recording) in opened {
            let name = file_name(&recording.path);
            let mut hello =
                hello(&expected, recording.stream.start, &short(&format!("simmer send {name}")))?;
            hello.payload_crc = !self.no_payload_crc;
            hello.token.clone_from(&token);
            if self.stage_from == "operator" {
                hello.stage_from = StageFrom::Operator;
            }
            let played = self.play(&to, hello, recording)?;
            let totals = played.totals;
            say(&format!(
                "{name}: {} pulses, {} frames received, {} lost, {} resumes",
                totals.pulses, totals.received, totals.lost, played.resumes
            ));
            if totals.lost > 0 {
                return Err(Failure::new(RUNNING, format!("{} frames were lost", totals.lost)));
            }
        }
        Ok(0)
    }

    fn play(
        &self,
        to: &Address,
        hello: Hello,
        recording: Recording,
    ) -> Result<crate::ingest::play::Played, Failure> {
        let samples = usize::try_from(self.frame_samples.get()).unwrap_or(usize::MAX);
        let set = hello.sample_format.bytes() * hello.channels;
        let block = samples.saturating_mul(set);
        let play_it = Play {
            to: to.clone(),
            hello,
            pace: self.speed,
            frame_samples: self.frame_samples,
            write_bytes: usize::try_from(self.write_bytes).unwrap_or(1),
        };
        let source = Source::new(vec![recording], block, Vec::new)?;
        Ok(play(&play_it, source, &mut |_, _| {})?)
    }

    fn open(&self) -> Result<Vec<(Expectation, Recording)>, Failure> {
        if let Some(config) = &self.config {
            let prepared = prepare(config)?;
            let recordings = prepared.open(&self.recordings, &self.pulses)?;
            let expected = prepared.expectation();
            return Ok(recordings
                .into_iter()
                .map(|recording| (expected.clone(), recording))
                .collect());
        }
        let PulseOptions { cues, stage, drive_mpa } = &self.pulses;
        if !(cues.is_empty() && stage.is_empty() && drive_mpa.is_empty()) {
            return Err(Failure::new(USAGE, "--cues, --stage and --drive-mpa need --config"));
        }
        self.recordings.iter().map(|path| alone(path)).collect()
    }
}

/// Cut to what a hello carries.
fn short(text: &str) -> String {
    let mut end = text.len().min(200);
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    text[..end].to_owned()
}

/// A recording as it describes itself.
fn alone(path: &Path) -> Result<(Expectation, Recording), Failure> {
    let look = Recording::look(path)?;
    let lacks = |what: &str| {
        let text =
            format!("{}: does not say its {what}, give a configuration with -c", path.display());
        Failure::new(USAGE, text)
    };
    let expect = Expect {
        source: path.display().to_string(),
        sample_format: look.sample_format.ok_or_else(|| lacks("sample format"))?,
        channels: look.channels.ok_or_else(|| lacks("number of channels"))?,
        sample_rate_hz: look.sample_rate_hz.ok_or_else(|| lacks("sample rate"))?,
        volts_per_count: look.volts_per_count.ok_or_else(|| lacks("volts per count"))?,
        arrangement: Arrangement::default(),
    };
    let recording = Recording::open(path, &expect, None)?;
    for warning in &recording.warnings {
        say(&format!("warning: {}: {warning}", path.display()));
    }
    let trigger = recording.pulses.first().and_then(|pulse| pulse.tag.trigger_offset);
    let expected = Expectation {
        sample_format: expect.sample_format,
        channels: expect.channels,
        sample_rate_hz: expect.sample_rate_hz,
        volts_per_count: expect.volts_per_count,
        gain_db: vec![0.0],
        pretrigger_samples: trigger.ok_or_else(|| lacks("triggers (simmer:trigger_offset)"))?,
    };
    Ok((expected, recording))
}
