use std::cmp::Ordering;

use super::normal::normal_cdf;
use super::{all_term, ties_term};

/// Result of the Mann-Kendall test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MannKendall {
    /// Kendall's S: pairs that rise less pairs that fall.
    pub s: f64,
    /// Variance of S without a trend, ties taken into account.
    pub var_s: f64,
    /// S in standard deviations, with the correction for continuity.
    pub z: f64,
    /// Two-sided probability of such an S without a trend.
    pub p: f64,
}

/// Whether a series has a monotonic trend; `values` in order of time, evenly or unevenly spaced. `None` below two
/// values.
///
/// Mann 1945, Kendall 1975; as `pymannkendall.original_test`.
pub fn mann_kendall(values: &[f64]) -> Option<MannKendall> {
    if values.len() < 2 {
        return None;
    }
    let later = values.iter().enumerate().flat_map(|(i, a)| values.iter().skip(i + 1).map(move |b| (a, b)));
    let s: f64 = later
        .map(|(a, b)| match b.partial_cmp(a) {
            Some(Ordering::Greater) => 1.0,
            Some(Ordering::Less) => -1.0,
            _ => 0.0,
        })
        .sum();
    let var_s = (all_term(values.len()) - ties_term(values)) / 18.0;
    let z = match s {
        s if s > 0.0 => (s - 1.0) / var_s.sqrt(),
        s if s < 0.0 => (s + 1.0) / var_s.sqrt(),
        _ => 0.0,
    };
    Some(MannKendall { s, var_s, z, p: 2.0 * (1.0 - normal_cdf(z.abs())) })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_of_pymannkendall() {
        // pymannkendall.original_test
        let cases: [(&[f64], f64, f64, f64, f64); 4] = [
            (&[1.0, 2.0, 3.0, 4.0, 5.0], 10.0, 16.666_666_666_666_668, 2.204_540_768_505, 0.027_486_336_112),
            (&[5.0, 4.0, 4.0, 2.0], -5.0, 7.666_666_666_666_667, -1.444_630_237_029, 0.148_561_774_892),
            (&[3.0, 3.0, 3.0], 0.0, 0.0, 0.0, 1.0),
            (
                &[52.0, 51.0, 51.5, 50.0, 49.0, 49.5, 47.0],
                -17.0,
                44.333_333_333_333_336,
                -2.403_005_636_744,
                0.016_260_936_780,
            ),
        ];
        for (values, s, var_s, z, p) in cases {
            let test = mann_kendall(values).expect("long enough");
            let near = |a: f64, b: f64, tolerance: f64| (a - b).abs() < tolerance;
            assert!(near(test.s, s, 1e-12) && near(test.var_s, var_s, 1e-9), "{test:?}");
            assert!(near(test.z, z, 1e-11) && near(test.p, p, 1e-11), "{test:?}");
        }
        assert_eq!(mann_kendall(&[1.0]), None);
        let two = mann_kendall(&[1.0, 2.0]).expect("a pair is a series");
        assert!((two.s - 1.0).abs() < 1e-12 && (two.p - 1.0).abs() < 1e-9, "{two:?}");
    }
}
