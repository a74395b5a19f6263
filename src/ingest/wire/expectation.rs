//! What the configuration says of a stream, and whether a hello says the same.

use super::hello::Hello;
use super::reply::{ErrorCode, Refusal};
use crate::signal::SampleFormat;

/// What the configuration says of the stream.
#[derive(Debug, Clone, PartialEq)]
pub struct Expectation {
    /// How samples are written.
    pub sample_format: SampleFormat,
    /// Interleaved channels.
    pub channels: usize,
    /// Samples a second of each channel, Hz.
    pub sample_rate_hz: f64,
    /// Volts one count stands for: one number for all channels or one a channel.
    pub volts_per_count: Vec<f64>,
    /// Gain of the receive chain, dB: one number for all channels or one a channel.
    pub gain_db: Vec<f64>,
    /// Trigger after each pulse's first sample, samples.
    pub pretrigger_samples: u64,
}

impl Hello {
    /// Whether the stream is what the configuration says; numbers must be equal, not only close.
    ///
    /// # Errors
    /// The first difference with both values: `format` for sample format and pretrigger,
    /// `channels`, `rate`, and `scale` for volts per count and gain.
    pub fn check(&self, expected: &Expectation) -> Result<(), Refusal> {
        let refuse = |error, key: &str, found: String, configured: String| {
            let detail = format!("{key} is {found}, the configuration has {configured}");
            Err(Refusal::new(error, detail))
        };
        if self.sample_format != expected.sample_format {
            let (found, configured) = (self.sample_format.name(), expected.sample_format.name());
            let code = ErrorCode::Format;
            return refuse(code, "sample_format", found.to_owned(), configured.to_owned());
        }
        if self.channels != expected.channels {
            let (found, configured) = (self.channels.to_string(), expected.channels.to_string());
            return refuse(ErrorCode::Channels, "channels", found, configured);
        }
        if differ(self.sample_rate_hz, expected.sample_rate_hz) {
            let found = self.sample_rate_hz.to_string();
            let configured = expected.sample_rate_hz.to_string();
            return refuse(ErrorCode::Rate, "sample_rate_hz", found, configured);
        }
        let scales = [
            ("volts_per_count", &self.volts_per_count, &expected.volts_per_count),
            ("gain_db", &self.gain_db, &expected.gain_db),
        ];
        for (key, found, configured) in scales {
            for channel in 0..self.channels {
                let pair = (of_channel(found, channel), of_channel(configured, channel));
                if differ(pair.0, pair.1) {
                    let key = format!("{key}[{channel}]");
                    let (found, configured) = (format!("{:e}", pair.0), format!("{:e}", pair.1));
                    return refuse(ErrorCode::Scale, &key, found, configured);
                }
            }
        }
        if self.pretrigger_samples != expected.pretrigger_samples {
            let found = self.pretrigger_samples.to_string();
            let configured = expected.pretrigger_samples.to_string();
            return refuse(ErrorCode::Format, "pretrigger_samples", found, configured);
        }
        Ok(())
    }
}

/// The channel's number where there is one a channel, else the one for all; NaN, which differs from
/// everything, where there is none.
fn of_channel(numbers: &[f64], channel: usize) -> f64 {
    let number = if numbers.len() == 1 { numbers.first() } else { numbers.get(channel) };
    number.copied().unwrap_or(f64::NAN)
}

fn differ(a: f64, b: f64) -> bool {
    // Written so that NaN differs, too.
    let same = (a - b).abs() <= 0.0;
    !same
}

#[cfg(test)]
mod tests {
    use super::super::tests::{expectation, hello};
    use super::*;

    #[track_caller]
    fn check(change: impl Fn(&mut Hello), error: ErrorCode, detail: &str) {
        let mut hello = hello();
        change(&mut hello);
        let refusal = hello.check(&expectation()).unwrap_err();
        assert_eq!((refusal.error, refusal.detail.as_str()), (error, detail));
        assert!(!refusal.retry);
    }

    #[test]
    fn the_same_stream_passes_with_one_number_for_all_channels_or_one_a_channel() {
        let mut hello = hello();
        assert_eq!(hello.check(&expectation()), Ok(()));
        hello.volts_per_count = vec![hello.volts_per_count[0]; hello.channels];
        assert_eq!(hello.check(&expectation()), Ok(()));
    }

    #[test]
    fn each_difference_has_its_code_and_both_values() {
        use ErrorCode::{Channels, Format, Rate, Scale};
        let detail = "sample_format is rf32_le, the configuration has ri16_le";
        check(|hello| hello.sample_format = SampleFormat::Rf32Le, Format, detail);
        let detail = "channels is 1, the configuration has 2";
        check(|hello| hello.channels = 1, Channels, detail);
        let detail = "sample_rate_hz is 25000000, the configuration has 20000000";
        check(|hello| hello.sample_rate_hz = 25e6, Rate, detail);
        let detail = "volts_per_count[1] is 2e-4, the configuration has 6.103515625e-5";
        check(|hello| hello.volts_per_count = vec![6.103_515_625e-5, 2e-4], Scale, detail);
        let detail = "gain_db[0] is 2e1, the configuration has 0e0";
        check(|hello| hello.gain_db = vec![20.0], Scale, detail);
        let detail = "pretrigger_samples is 3, the configuration has 4";
        check(|hello| hello.pretrigger_samples = 3, Format, detail);
    }
}
