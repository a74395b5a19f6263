//! Statistics: distributions, series, limits. Numbers in, numbers out; this room knows nothing of
//! channels, pulses or files.
//!
//! Arguments that lie outside a function's domain give NaN, never a panic; every domain is said in
//! the function's documentation. Probabilities of the upper tail are arguments and results of
//! their own: nothing here computes one minus something small.

mod binomial_line;
mod correlation;
mod distributions;
mod dose_response;
mod evidence;
mod incomplete_beta;
mod limits;
mod link;
mod m_of_n;
mod noncentral_t;
mod roc;
mod root;
mod series;
mod spread;
mod tolerance;

pub use correlation::SerialCorrection;
pub use distributions::{
    binomial_tail, chi_square_quantile, chi_square_sf, chi_square_upper_quantile, fisher_sf,
    fisher_upper_quantile, normal_cdf, normal_quantile, normal_sf, normal_upper_quantile,
    student_ln_cdf, student_sf, student_upper_quantile,
};
pub use dose_response::{DoseGroup, DoseResponse, Estimate, NoFit, Separation};
pub use evidence::{CumulativeHearing, Evidence, Excess, PRIOR_VARIANCE, ln_e_value};
pub use limits::{
    BaselineSeries, LEAST_BASELINE_PULSES, Reference, detection_limit_one_pulse, pulse_alpha,
};
pub use link::Link;
pub use m_of_n::share_per_pulse;
pub use noncentral_t::{noncentral_t_cdf, noncentral_t_quantile, noncentral_t_sf};
pub use roc::Roc;
pub use series::{
    AndersonDarling, LAGS, Outlier, Summary, Trend, TwoSample, anderson_darling_normal,
    autocorrelation, autocorrelations, grubbs, grubbs_outliers, largest_of_normal, trend,
    two_sample,
};
pub use spread::{Bartlett, PooledSd, bartlett, pooled_sd, pooled_tolerance_factor};
pub use tolerance::{
    Interval, clopper_pearson, clopper_pearson_upper, prediction_factor, tolerance_factor,
};
