//! What the monitor says: the reply to hello, then acknowledgements, one error, the totals.

use std::time::Duration;

use serde::Serialize;
use serde_json::Number;

use super::VERSION;
use super::json::{Fields, number, required, syntax};

/// Why the monitor closes a connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ErrorCode {
    /// Another version of the protocol.
    Version,
    /// A line that cannot be read, or no hello in time.
    Syntax,
    /// Sample format, pretrigger or unchecked payloads that the monitor does not take.
    Format,
    /// Another sample rate than the configuration's.
    Rate,
    /// Another number of channels than the configuration's.
    Channels,
    /// Other volts per count or another gain than the configuration's.
    Scale,
    /// Another stream is running.
    Busy,
    /// The stream that was to be resumed is over.
    Expired,
    /// A frame header that cannot be read or contradicts itself, the hello or its pulse.
    Header,
    /// A payload of the wrong size.
    Length,
    /// A first sample before the end of the frame before.
    Backwards,
    /// The sender does not read what the monitor says.
    Stalled,
    /// The monitor is stopping.
    Stopping,
}

impl ErrorCode {
    /// Every code, in the order of the documentation.
    pub const ALL: [Self; 13] = [
        Self::Version,
        Self::Syntax,
        Self::Format,
        Self::Rate,
        Self::Channels,
        Self::Scale,
        Self::Busy,
        Self::Expired,
        Self::Header,
        Self::Length,
        Self::Backwards,
        Self::Stalled,
        Self::Stopping,
    ];

    /// The code as it is written.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Version => "version",
            Self::Syntax => "syntax",
            Self::Format => "format",
            Self::Rate => "rate",
            Self::Channels => "channels",
            Self::Scale => "scale",
            Self::Busy => "busy",
            Self::Expired => "expired",
            Self::Header => "header",
            Self::Length => "length",
            Self::Backwards => "backwards",
            Self::Stalled => "stalled",
            Self::Stopping => "stopping",
        }
    }

    /// The code of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|code| code.name() == name)
    }

    /// Whether a hello refused for this may be taken later, without anybody changing anything.
    #[must_use]
    pub const fn retry(self) -> bool {
        matches!(self, Self::Busy | Self::Expired | Self::Stopping)
    }
}

/// A line or a frame that is not taken, and why.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}: {detail}", error.name())]
pub struct Refusal {
    /// What kind of fault.
    pub error: ErrorCode,
    /// The field, its value and its bound; lower case, no full stop.
    pub detail: String,
    /// Whether trying again later may help; only replies say it.
    pub retry: bool,
}

impl Refusal {
    /// A refusal; [`ErrorCode::retry`] says whether to try again.
    #[must_use]
    pub fn new(error: ErrorCode, detail: impl Into<String>) -> Self {
        Self { error, detail: detail.into(), retry: error.retry() }
    }
}

/// The monitor takes the stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Welcome {
    /// The sequence it expects next.
    pub next: u64,
    /// Largest payload of a frame, bytes.
    pub max_payload_bytes: u32,
    /// The sender says something at least this often.
    pub keepalive: Duration,
    /// How long the stream may be resumed after its link was cut.
    pub resume: Duration,
}

/// The answer to a hello.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reply {
    /// The stream is taken.
    Welcome(Welcome),
    /// It is not; the monitor closes.
    Refused(Refusal),
}

#[derive(Serialize)]
struct WelcomeLine {
    ok: bool,
    simmer: u64,
    next: u64,
    max_payload_bytes: u32,
    keepalive_s: Option<Number>,
    resume_s: Option<Number>,
}

#[derive(Serialize)]
struct RefusedLine<'a> {
    ok: bool,
    error: &'a str,
    detail: &'a str,
    retry: bool,
}

impl Reply {
    /// The reply as a line with its LF.
    #[must_use]
    pub fn to_line(&self) -> String {
        match self {
            Self::Welcome(welcome) => line(&WelcomeLine {
                ok: true,
                simmer: VERSION,
                next: welcome.next,
                max_payload_bytes: welcome.max_payload_bytes,
                keepalive_s: number(welcome.keepalive.as_secs_f64()),
                resume_s: number(welcome.resume.as_secs_f64()),
            }),
            Self::Refused(Refusal { error, detail, retry }) => {
                line(&RefusedLine { ok: false, error: error.name(), detail, retry: *retry })
            }
        }
    }

    /// Reads a reply, with or without its LF; unknown keys are ignored.
    ///
    /// # Errors
    /// `syntax` or `version`, when this is not a reply of this version.
    pub fn parse(line: &[u8]) -> Result<Self, Refusal> {
        let mut fields = Fields::parse(line)?;
        if !required("ok", fields.flag("ok")?)? {
            let error = error_code(&mut fields)?;
            let detail = fields.text("detail", usize::MAX)?.unwrap_or_default();
            let retry = fields.flag("retry")?.unwrap_or(false);
            return Ok(Self::Refused(Refusal { error, detail, retry }));
        }
        let version = required("simmer", fields.whole("simmer")?)?;
        if version != VERSION {
            let detail = format!("simmer is {version}, this sender speaks {VERSION}");
            return Err(Refusal::new(ErrorCode::Version, detail));
        }
        let max = required("max_payload_bytes", fields.whole("max_payload_bytes")?)?;
        Ok(Self::Welcome(Welcome {
            next: required("next", fields.whole("next")?)?,
            max_payload_bytes: u32::try_from(max).map_err(|_| {
                syntax(format!("max_payload_bytes is {max}, must be at most {}", u32::MAX))
            })?,
            keepalive: required("keepalive_s", fields.seconds("keepalive_s")?)?,
            resume: required("resume_s", fields.seconds("resume_s")?)?,
        }))
    }
}

/// What became of a stream's frames. `received + lost` is the sequence that end of stream carried.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Totals {
    /// Frames that came in whole.
    pub received: u64,
    /// Frames that never came or whose payload was damaged.
    pub lost: u64,
    /// Pulses of which at least one header came.
    pub pulses: u64,
}

/// What the monitor says while a stream runs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Message {
    /// All frames below this sequence are accounted for; the sender may forget them.
    Ack(u64),
    /// The connection is closed for this reason; `sequence` is the one that was expected.
    Error {
        /// Why; `retry` is not written here.
        refusal: Refusal,
        /// The sequence that was expected.
        sequence: u64,
    },
    /// The stream is over.
    End(Totals),
}

#[derive(Serialize)]
struct AckLine {
    ack: u64,
}

#[derive(Serialize)]
struct ErrorLine<'a> {
    error: &'a str,
    detail: &'a str,
    sequence: u64,
}

#[derive(Serialize)]
struct EndLine {
    end: bool,
    received: u64,
    lost: u64,
    pulses: u64,
}

impl Message {
    /// The message as a line with its LF.
    #[must_use]
    pub fn to_line(&self) -> String {
        match self {
            Self::Ack(ack) => line(&AckLine { ack: *ack }),
            Self::Error { refusal: Refusal { error, detail, .. }, sequence } => {
                line(&ErrorLine { error: error.name(), detail, sequence: *sequence })
            }
            Self::End(Totals { received, lost, pulses }) => {
                line(&EndLine { end: true, received: *received, lost: *lost, pulses: *pulses })
            }
        }
    }

    /// Reads a message, with or without its LF; unknown keys are ignored.
    ///
    /// # Errors
    /// `syntax`, when this is none of the three.
    pub fn parse(line: &[u8]) -> Result<Self, Refusal> {
        let mut fields = Fields::parse(line)?;
        if fields.has("ack") {
            return Ok(Self::Ack(required("ack", fields.whole("ack")?)?));
        }
        if fields.has("error") {
            let error = error_code(&mut fields)?;
            let detail = fields.text("detail", usize::MAX)?.unwrap_or_default();
            let sequence = required("sequence", fields.whole("sequence")?)?;
            return Ok(Self::Error { refusal: Refusal::new(error, detail), sequence });
        }
        if fields.flag("end")? == Some(true) {
            return Ok(Self::End(Totals {
                received: required("received", fields.whole("received")?)?,
                lost: required("lost", fields.whole("lost")?)?,
                pulses: required("pulses", fields.whole("pulses")?)?,
            }));
        }
        Err(syntax("line has neither ack nor error nor end".to_owned()))
    }
}

fn error_code(fields: &mut Fields) -> Result<ErrorCode, Refusal> {
    let name = required("error", fields.text("error", usize::MAX)?)?;
    ErrorCode::from_name(&name)
        .ok_or_else(|| syntax(format!("error is {name:?}, which version {VERSION} does not have")))
}

/// One JSON object and LF.
pub(super) fn line(object: &impl Serialize) -> String {
    // Objects of plain fields cannot fail to be written.
    let mut line = serde_json::to_string(object).unwrap_or_default();
    line.push('\n');
    line
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check_reply(line: &str) {
        let reply = Reply::parse(line.as_bytes()).unwrap();
        assert_eq!(reply.to_line().trim_end(), line);
    }

    #[track_caller]
    fn check_message(line: &str, message: &Message) {
        assert_eq!(Message::parse(line.as_bytes()).as_ref(), Ok(message));
        assert_eq!(message.to_line().trim_end(), line);
    }

    #[test]
    fn replies_are_written_as_the_protocol_shows_them() {
        check_reply(
            r#"{"ok":true,"simmer":1,"next":0,"max_payload_bytes":4194304,"keepalive_s":2,"resume_s":30}"#,
        );
        check_reply(
            r#"{"ok":false,"error":"rate","detail":"sample_rate_hz is 25000000, the configuration has 20000000","retry":false}"#,
        );
        check_reply(
            r#"{"ok":true,"simmer":1,"next":7,"max_payload_bytes":1,"keepalive_s":0.25,"resume_s":1.5}"#,
        );
    }

    #[test]
    fn messages_are_written_as_the_protocol_shows_them() {
        check_message(r#"{"ack":815}"#, &Message::Ack(815));
        let totals = Totals { received: 1, lost: 2, pulses: 3 };
        check_message(r#"{"end":true,"received":1,"lost":2,"pulses":3}"#, &Message::End(totals));
        let refusal = Refusal::new(ErrorCode::Header, "magic is \"GET \"");
        check_message(
            r#"{"error":"header","detail":"magic is \"GET \"","sequence":815}"#,
            &Message::Error { refusal, sequence: 815 },
        );
    }

    #[test]
    fn every_error_code_comes_back_from_its_name() {
        for code in ErrorCode::ALL {
            assert_eq!(ErrorCode::from_name(code.name()), Some(code));
        }
    }

    #[test]
    fn a_line_that_is_no_message_is_a_syntax_fault() {
        for line in
            ["", "{}", "[]", "{\"ack\":-1}", "{\"ack\":9007199254740992}", "{\"end\":false}"]
        {
            assert_eq!(Message::parse(line.as_bytes()).unwrap_err().error, ErrorCode::Syntax);
        }
        let other = br#"{"ok":true,"simmer":2,"next":0}"#;
        assert_eq!(Reply::parse(other).unwrap_err().error, ErrorCode::Version);
    }
}
