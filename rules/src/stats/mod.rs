//! Statistics for the trends: medians, Theil-Sen slope, Mann-Kendall test, a damped trend filter.
//!
//! Each function states the reference that it is checked against; the checks on random series are in `tests`.

mod kalman;
mod mann_kendall;
mod median;
mod normal;
mod theil_sen;

pub use kalman::{TrendFilter, Tuning};
pub use mann_kendall::{MannKendall, mann_kendall};
pub use median::median;
pub use normal::{normal_cdf, normal_quantile};
pub use theil_sen::{TheilSen, theil_sen};

/// Sum of k (k-1) (2k+5) over groups of k equal values: the correction for ties in the variance of Kendall's S.
fn ties_term(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    #[expect(clippy::float_cmp, reason = "a tie is equal to the last digit")]
    let groups = sorted.chunk_by(|a, b| a == b);
    groups.map(<[f64]>::len).filter(|k| *k > 1).map(all_term).sum()
}

/// k (k-1) (2k+5).
#[expect(clippy::cast_precision_loss, reason = "windows of trends are far shorter than 2^52")]
fn all_term(k: usize) -> f64 {
    let k = k as f64;
    k * (k - 1.0) * (2.0 * k + 5.0)
}
