//! What a library can be made for; a configuration is looked at by the same numbers.

/// Drive frequency, Hz.
pub const DRIVE_HZ: [f64; 2] = [1e4, 2e7];
/// Most samples a cycle of the drive: a cell keeps so many points of one.
pub const MOST_SAMPLES_A_CYCLE: f64 = 1000.0;
/// Longest burst, s.
pub const LONGEST_BURST_S: f64 = 10.0;
