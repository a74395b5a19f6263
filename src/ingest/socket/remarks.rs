//! What the record says of the way in: notices in words, at most so many a second.

use std::time::Duration;

use super::super::wire::{Hole, Notice, Unfinished};

/// Remarks in one [`WINDOW`]; further ones are only counted.
const MOST: u32 = 50;

const WINDOW: Duration = Duration::from_secs(10);

#[derive(Debug, Default)]
pub(super) struct Remarks {
    window: Option<Duration>,
    said: u32,
    unsaid: u64,
}

impl Remarks {
    /// What to put on record of a notice, and first how many were left out before.
    pub(super) fn of(&mut self, notice: &Notice, peer: &str, at: Duration) -> Vec<String> {
        let Some(text) = words(notice, peer) else { return Vec::new() };
        let mut texts = Vec::new();
        if self.window.is_none_or(|begun| at.saturating_sub(begun) >= WINDOW) {
            self.window = Some(at);
            self.said = 0;
            if self.unsaid > 0 {
                let unsaid = std::mem::take(&mut self.unsaid);
                texts.push(format!("{unsaid} further remarks on the stream were left out"));
            }
        }
        if self.said >= MOST {
            self.unsaid += 1;
        } else {
            self.said += 1;
            texts.push(text);
        }
        texts
    }
}

fn words(notice: &Notice, peer: &str) -> Option<String> {
    Some(match notice {
        Notice::Resumed { next, oldest } if oldest > next => {
            format!(
                "{peer} resumed the stream with frame {oldest}; frames {next} to {} are forgotten",
                oldest - 1
            )
        }
        Notice::Resumed { next, .. } => format!("{peer} resumed the stream at frame {next}"),
        Notice::FramesLost { sequence, frames, samples } => {
            let samples =
                samples.map_or_else(String::new, |n| format!(", over {n} samples of the device"));
            format!("frames lost: {frames} from frame {sequence} on{samples}")
        }
        Notice::Hole { pulse, samples, why } => {
            let why = match why {
                Hole::Frames => "frames were lost",
                Hole::Device => "the device lost them",
                Hole::Crc => "the payload does not match its CRC",
                Hole::Unsaid => "the sender skipped them without a word",
            };
            format!("pulse {pulse}: {samples} samples are missing: {why}")
        }
        Notice::LostSomewhere { pulse } => {
            format!("pulse {pulse}: the device lost samples at a place that is not known")
        }
        Notice::LostOutside => "the device lost samples outside any pulse".to_owned(),
        Notice::Late { pulse, samples } => {
            format!("pulse {pulse}: a frame of {samples} samples came after the pulse was closed")
        }
        Notice::TagDiffers { pulse } => {
            format!("pulse {pulse}: a later frame describes it otherwise; the first holds")
        }
        Notice::Unfinished { pulse, why } => {
            let why = match why {
                Unfinished::Overtaken => "the next one began",
                Unfinished::Ended => "the stream ended",
                Unfinished::Overdue => "its next frame did not come in time",
                Unfinished::Expired => "the link was cut and nobody resumed the stream in time",
                Unfinished::Stopping => "the monitor stopped",
            };
            format!("pulse {pulse} was closed without its last frame: {why}")
        }
        Notice::Cut { silent: true } => {
            format!("link to {peer} cut: nothing came for five keepalives")
        }
        Notice::Cut { silent: false } => format!("link to {peer} cut"),
        Notice::Expired => "the stream was not resumed in time".to_owned(),
        Notice::Duplicate { .. } | Notice::Ended(_) => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flood_of_remarks_is_counted_and_said_once() {
        let mut remarks = Remarks::default();
        let notice = Notice::TagDiffers { pulse: 3 };
        let at = Duration::from_secs(1);
        let said: usize = (0..1000).map(|_| remarks.of(&notice, "peer", at).len()).sum();
        assert_eq!(said, 50);
        let later = remarks.of(&notice, "peer", Duration::from_secs(11));
        assert_eq!(later[0], "950 further remarks on the stream were left out");
        assert_eq!(later.len(), 2);
    }

    #[test]
    fn a_duplicate_is_no_gap() {
        let notice = Notice::Duplicate { sequence: 3 };
        assert!(Remarks::default().of(&notice, "peer", Duration::ZERO).is_empty());
    }
}
