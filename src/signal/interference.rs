//! Tones that stay without drive: narrow peaks of a noise spectrum.
//!
//! A bin stands out when its density exceeds the median of its neighbours by a factor that white
//! noise exceeds in one of a thousand spectra, and by 3 dB at least.

use super::as_f64;

/// Neighbours on each side whose median is the floor.
const NEIGHBOURS: usize = 20;

/// Bins next to the one looked at that a window smears into.
const SMEAR: usize = 3;

/// Least excess over the floor, a ratio: 3 dB.
const LEAST_EXCESS: f64 = 2.0;

/// A stretch of frequency that holds a tone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tone {
    /// Low edge, Hz.
    pub low_hz: f64,
    /// High edge, Hz.
    pub high_hz: f64,
    /// Highest density over the floor, a ratio.
    pub excess: f64,
}

/// Tones in a mean density over bins `k`·`bin_hz`; `threshold` is the ratio that white noise does
/// not exceed.
#[must_use]
pub fn tones(density: &[f64], bin_hz: f64, threshold: f64) -> Vec<Tone> {
    let threshold = threshold.max(LEAST_EXCESS);
    let mut found: Vec<Tone> = Vec::new();
    let mut last_bin = 0;
    for k in 2..density.len().saturating_sub(2) {
        let near = k.saturating_sub(NEIGHBOURS).max(2)..(k + NEIGHBOURS + 1).min(density.len());
        let mut floor: Vec<f64> =
            near.filter(|j| j.abs_diff(k) > SMEAR).map(|j| density[j]).collect();
        if floor.is_empty() {
            continue;
        }
        let middle = floor.len() / 2;
        let (_, median, _) = floor.select_nth_unstable_by(middle, f64::total_cmp);
        let excess = density[k] / *median;
        if excess.is_nan() || excess < threshold {
            continue;
        }
        let (low_hz, high_hz) = ((as_f64(k) - 1.5) * bin_hz, (as_f64(k) + 1.5) * bin_hz);
        match found.last_mut() {
            Some(tone) if k - last_bin <= SMEAR => {
                tone.high_hz = high_hz;
                tone.excess = tone.excess.max(excess);
            }
            _ => found.push(Tone { low_hz, high_hz, excess }),
        }
        last_bin = k;
    }
    found
}

/// The tones as a configuration line, ready to paste.
#[must_use]
pub fn notches_line(tones: &[Tone]) -> String {
    let pairs: Vec<String> =
        tones.iter().map(|t| format!("[{:.0}.0, {:.0}.0]", t.low_hz, t.high_hz)).collect();
    format!("notches_hz = [{}]", pairs.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lone_tone_is_found_and_a_slope_is_not() {
        let mut density: Vec<f64> = (0..2001).map(|k| 1e-16 * (1.0 + as_f64(k) / 500.0)).collect();
        density[665] *= 30.0;
        density[666] *= 60.0;
        density[667] *= 30.0;
        let found = tones(&density, 5e3, 1.5);
        assert_eq!(found.len(), 1);
        assert!(found[0].low_hz < 3.33e6 && found[0].high_hz > 3.33e6);
        assert!(found[0].high_hz - found[0].low_hz < 35e3);
    }

    #[test]
    fn the_line_is_ready_to_paste() {
        let tone = Tone { low_hz: 3.32e6, high_hz: 3.34e6, excess: 9.0 };
        assert_eq!(notches_line(&[tone]), "notches_hz = [[3320000.0, 3340000.0]]");
    }
}
