//! The sender's first line: what it is going to send.

use std::fmt;

use serde::Serialize;
use serde_json::Number;

use super::VERSION;
use super::json::{Fields, number, required, syntax};
use super::reply::{ErrorCode, Refusal, line};
use crate::signal::SampleFormat;

/// Longest hello with its LF, bytes.
pub const MAX_HELLO_BYTES: usize = 8192;

/// Most channels of a stream; the configuration's bound is the same or lower.
pub(super) const MAX_CHANNELS: u64 = 1024;

const MAX_UNIT_BYTES: usize = 32;
const MAX_DEVICE_BYTES: usize = 256;
const MAX_TOKEN_BYTES: usize = 4096;

/// Names one stream over all its connections: 128 random bits, written as 32 hexadecimal digits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct StreamId(pub u128);

impl StreamId {
    /// The identity of exactly 32 hexadecimal digits.
    #[must_use]
    pub fn from_hex(text: &str) -> Option<Self> {
        let digits = text.len() == 32 && text.bytes().all(|byte| byte.is_ascii_hexdigit());
        digits.then(|| u128::from_str_radix(text, 16).ok().map(Self)).flatten()
    }
}

impl fmt::Display for StreamId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:032x}", self.0)
    }
}

/// Who says what a pulse is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum StageFrom {
    /// Each frame does.
    Sender,
    /// The person at the monitor does; frames carry stage 0.
    Operator,
}

impl StageFrom {
    /// The name as the hello writes it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Sender => "sender",
            Self::Operator => "operator",
        }
    }
}

/// The sender's first line.
#[derive(Debug, Clone, PartialEq)]
pub struct Hello {
    /// The stream, the same in all its connections.
    pub stream: StreamId,
    /// Goes on with a stream after a cut: the oldest sequence that the sender still has.
    pub resume: Option<u64>,
    /// How samples are written.
    pub sample_format: SampleFormat,
    /// Interleaved channels, 1 to 1024.
    pub channels: usize,
    /// Samples a second of each channel, Hz; above 0.
    pub sample_rate_hz: f64,
    /// Volts one count stands for, above 0: one number for all channels or one a channel.
    pub volts_per_count: Vec<f64>,
    /// Gain of the receive chain, dB: one number for all channels or one a channel.
    pub gain_db: Vec<f64>,
    /// Trigger after each pulse's first sample, samples; below 2^53.
    pub pretrigger_samples: u64,
    /// UTC at device time 0.
    pub start_utc: Option<jiff::Timestamp>,
    /// Who says what a pulse is for.
    pub stage_from: StageFrom,
    /// Unit of the frames' drive_setting; at most 32 bytes.
    pub drive_setting_unit: String,
    /// Whether payloads carry a CRC.
    pub payload_crc: bool,
    /// What sends, in words; at most 256 bytes.
    pub device: String,
    /// What a sender on another machine must know; at most 4096 bytes.
    pub token: Option<String>,
}

#[derive(Serialize)]
struct HelloLine<'a> {
    simmer: u64,
    stream: String,
    resume: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    oldest: Option<u64>,
    sample_format: &'a str,
    channels: usize,
    sample_rate_hz: Option<Number>,
    volts_per_count: &'a [f64],
    gain_db: &'a [f64],
    pretrigger_samples: u64,
    #[serde(skip_serializing_if = "Option::is_none")]
    start_utc: Option<String>,
    stage_from: &'a str,
    drive_setting_unit: &'a str,
    payload_crc: bool,
    device: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    token: Option<&'a str>,
}

impl Hello {
    /// The hello as a line with its LF.
    #[must_use]
    pub fn to_line(&self) -> String {
        line(&HelloLine {
            simmer: VERSION,
            stream: self.stream.to_string(),
            resume: self.resume.is_some(),
            oldest: self.resume,
            sample_format: self.sample_format.name(),
            channels: self.channels,
            sample_rate_hz: number(self.sample_rate_hz),
            volts_per_count: &self.volts_per_count,
            gain_db: &self.gain_db,
            pretrigger_samples: self.pretrigger_samples,
            start_utc: self.start_utc.map(|start| start.to_string()),
            stage_from: self.stage_from.name(),
            drive_setting_unit: &self.drive_setting_unit,
            payload_crc: self.payload_crc,
            device: &self.device,
            token: self.token.as_deref(),
        })
    }

    /// Reads a hello, with or without its LF; also gives the keys that are unknown, for the log.
    /// `start_utc` and `token` may be left out, and `oldest` when `resume` is false.
    ///
    /// # Errors
    /// The first fault: `version`; `syntax` for what cannot be read; `format`, `channels`, `rate` or
    /// `scale` for a value that no configuration can have.
    pub fn parse(line: &[u8]) -> Result<(Self, Vec<String>), Refusal> {
        if line.len() > MAX_HELLO_BYTES {
            return Err(syntax(format!("hello is longer than {MAX_HELLO_BYTES} bytes")));
        }
        let mut fields = Fields::parse(line)?;
        let version = required("simmer", fields.whole("simmer")?)?;
        if version != VERSION {
            let detail = format!("simmer is {version}, this monitor speaks {VERSION}");
            return Err(Refusal::new(ErrorCode::Version, detail));
        }
        let stream = stream(&mut fields)?;
        let (resume, oldest) =
            (required("resume", fields.flag("resume")?)?, fields.whole("oldest")?);
        let resume = if resume { Some(required("oldest", oldest)?) } else { None };
        let sample_format = sample_format(&mut fields)?;
        let channels = channels(&mut fields)?;
        let hello = Self {
            stream,
            resume,
            sample_format,
            channels,
            sample_rate_hz: sample_rate_hz(&mut fields)?,
            volts_per_count: per_channel(&mut fields, "volts_per_count", channels, true)?,
            gain_db: per_channel(&mut fields, "gain_db", channels, false)?,
            pretrigger_samples: required(
                "pretrigger_samples",
                fields.whole("pretrigger_samples")?,
            )?,
            start_utc: start_utc(&mut fields)?,
            stage_from: stage_from(&mut fields)?,
            drive_setting_unit: required(
                "drive_setting_unit",
                fields.text("drive_setting_unit", MAX_UNIT_BYTES)?,
            )?,
            payload_crc: required("payload_crc", fields.flag("payload_crc")?)?,
            device: required("device", fields.text("device", MAX_DEVICE_BYTES)?)?,
            token: fields.text("token", MAX_TOKEN_BYTES)?,
        };
        Ok((hello, fields.unknown()))
    }
}

fn stream(fields: &mut Fields) -> Result<StreamId, Refusal> {
    let text = required("stream", fields.text("stream", MAX_HELLO_BYTES)?)?;
    StreamId::from_hex(&text).ok_or_else(|| {
        let bytes = text.len();
        syntax(format!("stream has {bytes} bytes, must be 32 hexadecimal digits"))
    })
}

fn sample_format(fields: &mut Fields) -> Result<SampleFormat, Refusal> {
    let name = required("sample_format", fields.text("sample_format", MAX_HELLO_BYTES)?)?;
    SampleFormat::from_name(&name).ok_or_else(|| {
        let known = SampleFormat::ALL.map(SampleFormat::name).join(" ");
        let name: String = name.chars().take(64).collect();
        let detail = format!("sample_format is {name:?}, must be one of {known}");
        Refusal::new(ErrorCode::Format, detail)
    })
}

fn channels(fields: &mut Fields) -> Result<usize, Refusal> {
    let channels = required("channels", fields.whole("channels")?)?;
    let checked = Some(channels).filter(|n| (1..=MAX_CHANNELS).contains(n));
    checked.and_then(|n| usize::try_from(n).ok()).ok_or_else(|| {
        let detail = format!("channels is {channels}, must be from 1 to {MAX_CHANNELS}");
        Refusal::new(ErrorCode::Channels, detail)
    })
}

fn sample_rate_hz(fields: &mut Fields) -> Result<f64, Refusal> {
    let rate = required("sample_rate_hz", fields.number("sample_rate_hz")?)?;
    if rate > 0.0 && rate.is_finite() {
        return Ok(rate);
    }
    let detail = format!("sample_rate_hz is {rate}, must be above 0");
    Err(Refusal::new(ErrorCode::Rate, detail))
}

fn per_channel(
    fields: &mut Fields,
    key: &str,
    channels: usize,
    positive: bool,
) -> Result<Vec<f64>, Refusal> {
    let numbers = required(key, fields.numbers(key)?)?;
    let scale = |detail| Err(Refusal::new(ErrorCode::Scale, detail));
    if numbers.len() != 1 && numbers.len() != channels {
        let count = numbers.len();
        return scale(format!(
            "{key} has {count} numbers, must have 1 or one a channel, {channels}"
        ));
    }
    for (channel, value) in numbers.iter().enumerate() {
        if !value.is_finite() || positive && *value <= 0.0 {
            let bound = if positive { "above 0" } else { "finite" };
            return scale(format!("{key}[{channel}] is {value}, must be {bound}"));
        }
    }
    Ok(numbers)
}

fn start_utc(fields: &mut Fields) -> Result<Option<jiff::Timestamp>, Refusal> {
    let Some(text) = fields.text("start_utc", 64)? else { return Ok(None) };
    text.parse().map(Some).map_err(|_| {
        syntax(format!("start_utc is {text:?}, must be a time such as 2026-05-04T09:30:00Z"))
    })
}

fn stage_from(fields: &mut Fields) -> Result<StageFrom, Refusal> {
    let name = required("stage_from", fields.text("stage_from", MAX_UNIT_BYTES)?)?;
    [StageFrom::Sender, StageFrom::Operator]
        .into_iter()
        .find(|from| from.name() == name)
        .ok_or_else(|| syntax(format!("stage_from is {name:?}, must be sender or operator")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    const LINE: &str = r#"{"simmer":1,"stream":"00112233445566778899aabbccddeeff","resume":false,"sample_format":"ri16_le","channels":1,"sample_rate_hz":20000000,"volts_per_count":[6.103515625e-5],"gain_db":[0.0],"pretrigger_samples":40000,"start_utc":"2026-05-04T09:30:00Z","stage_from":"sender","drive_setting_unit":"mV","payload_crc":true,"device":"bench digitiser"}"#;

    /// Parses the line with one key changed; `Value::Null` stands for a key left out.
    fn parse_with(key: &str, value: Value) -> Result<Hello, Refusal> {
        let mut object: Value = serde_json::from_str(LINE).unwrap();
        object[key] = value;
        Hello::parse(object.to_string().as_bytes()).map(|(hello, _)| hello)
    }

    #[track_caller]
    fn check(key: &str, value: Value, error: ErrorCode, detail: &str) {
        let refusal = parse_with(key, value).unwrap_err();
        assert_eq!((refusal.error, refusal.detail.as_str()), (error, detail));
    }

    #[test]
    fn the_example_is_read_and_written_again_byte_for_byte() {
        let (hello, unknown) = Hello::parse(LINE.as_bytes()).unwrap();
        assert!(unknown.is_empty());
        assert_eq!(hello.to_line(), LINE.replace("6.103515625e-5", "0.00006103515625") + "\n");
        assert_eq!(hello.stream.0, 0x0011_2233_4455_6677_8899_aabb_ccdd_eeff);
    }

    #[test]
    fn a_hello_comes_back_from_its_line() {
        let (mut hello, _) = Hello::parse(LINE.as_bytes()).unwrap();
        hello.resume = Some(812);
        hello.start_utc = None;
        hello.sample_rate_hz = 1e6 / 3.0;
        assert_eq!(Hello::parse(hello.to_line().as_bytes()), Ok((hello, Vec::new())));
    }

    #[test]
    fn unknown_keys_are_ignored_and_named() {
        let line = LINE.replace("\"device\"", "\"color\":\"red\",\"device\"");
        assert_eq!(Hello::parse(line.as_bytes()).unwrap().1, ["color"]);
    }

    #[test]
    fn only_start_utc_may_be_left_out() {
        assert_eq!(parse_with("start_utc", Value::Null).unwrap().start_utc, None);
        let object: Value = serde_json::from_str(LINE).unwrap();
        for key in object.as_object().unwrap().keys().filter(|key| *key != "start_utc") {
            check(key, Value::Null, ErrorCode::Syntax, &format!("{key} is missing"));
        }
        check("resume", json!(true), ErrorCode::Syntax, "oldest is missing");
    }

    #[test]
    fn each_fault_has_its_code_and_names_value_and_bound() {
        use ErrorCode::{Channels, Format, Rate, Scale, Syntax, Version};
        check("simmer", json!(2), Version, "simmer is 2, this monitor speaks 1");
        let known = "ri8 ri16_le ri16_be ri32_le rf32_le rf64_le";
        let detail = format!("sample_format is \"cf32_le\", must be one of {known}");
        check("sample_format", json!("cf32_le"), Format, &detail);
        check("channels", json!(0), Channels, "channels is 0, must be from 1 to 1024");
        check("channels", json!(5000), Channels, "channels is 5000, must be from 1 to 1024");
        check("sample_rate_hz", json!(-1.5), Rate, "sample_rate_hz is -1.5, must be above 0");
        check("volts_per_count", json!([0]), Scale, "volts_per_count[0] is 0, must be above 0");
        let detail = "gain_db has 2 numbers, must have 1 or one a channel, 1";
        check("gain_db", json!([0, 0]), Scale, detail);
        check("gain_db", json!([]), Scale, &detail.replace('2', "0"));
        check("gain_db", json!(["a"]), Syntax, "gain_db is [\"a\"], must be numbers");
        let detail = "stream has 3 bytes, must be 32 hexadecimal digits";
        check("stream", json!("abc"), Syntax, detail);
        let detail = "stream has 32 bytes, must be 32 hexadecimal digits";
        check("stream", json!("+0112233445566778899aabbccddeeff"), Syntax, detail);
        let detail = "pretrigger_samples is -1, must be a whole number from 0 to 2^53 - 1";
        check("pretrigger_samples", json!(-1), Syntax, detail);
        let detail = "start_utc is \"noon\", must be a time such as 2026-05-04T09:30:00Z";
        check("start_utc", json!("noon"), Syntax, detail);
        let detail = "stage_from is \"me\", must be sender or operator";
        check("stage_from", json!("me"), Syntax, detail);
        let detail = "device is \"a\\n\", must not hold control characters";
        check("device", json!("a\n"), Syntax, detail);
        let detail = "drive_setting_unit has 33 bytes, must have at most 32";
        check("drive_setting_unit", json!("m".repeat(33)), Syntax, detail);
        check("payload_crc", json!(1), Syntax, "payload_crc is 1, must be true or false");
    }

    #[test]
    fn writers_without_integers_or_single_element_arrays_are_understood() {
        assert_eq!(
            parse_with("pretrigger_samples", json!(4e4)).unwrap().pretrigger_samples,
            40_000
        );
        assert_eq!(parse_with("gain_db", json!(6)).unwrap().gain_db, [6.0]);
    }

    #[test]
    fn a_long_line_is_a_fault_before_it_is_read() {
        let line = LINE.replace("bench digitiser", &"x".repeat(MAX_HELLO_BYTES));
        let refusal = Hello::parse(line.as_bytes()).unwrap_err();
        assert_eq!(refusal.detail, "hello is longer than 8192 bytes");
    }
}
