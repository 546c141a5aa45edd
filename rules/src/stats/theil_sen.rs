use super::median::median_of_sorted;
use super::normal::normal_quantile;
use super::{all_term, ties_term};

/// A slope that outliers do not move, with its interval, in units of y per unit of x.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TheilSen {
    pub slope: f64,
    /// Median of y less slope times median of x.
    pub intercept: f64,
    /// Lower end of the interval.
    pub lo: f64,
    /// Upper end of the interval.
    pub hi: f64,
}

/// Median of the slopes between all pairs of points (x, y), with the interval of Sen 1968, equation 2.6, at a level
/// such as 0.90. `None` unless two points differ in x.
///
/// As `scipy.stats.theilslopes(y, x, alpha=confidence)`. Time and memory grow with the square of the number of points:
/// for windows of days, not for raw readings.
pub fn theil_sen(points: &[(f64, f64)], confidence: f64) -> Option<TheilSen> {
    let mut slopes: Vec<f64> = points
        .iter()
        .enumerate()
        .flat_map(|(i, a)| points.iter().skip(i + 1).map(move |b| (b.0 - a.0, b.1 - a.1)))
        .filter(|(dx, _)| *dx != 0.0)
        .map(|(dx, dy)| dy / dx)
        .collect();
    slopes.sort_by(f64::total_cmp);
    let slope = median_of_sorted(&slopes)?;
    let xs: Vec<f64> = points.iter().map(|p| p.0).collect();
    let ys: Vec<f64> = points.iter().map(|p| p.1).collect();
    let intercept = super::median(&ys)? - slope * super::median(&xs)?;
    let variance = (all_term(points.len()) - ties_term(&xs) - ties_term(&ys)) / 18.0;
    let reach = -normal_quantile((1.0 - confidence) / 2.0) * variance.max(0.0).sqrt();
    let (lo, hi) = interval(&slopes, reach);
    Some(TheilSen { slope, intercept, lo, hi })
}

/// The slopes whose ranks lie `reach` apart around the middle.
#[expect(clippy::cast_precision_loss, reason = "a window has far fewer than 2^52 pairs")]
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to the list before the cast"
)]
fn interval(slopes: &[f64], reach: f64) -> (f64, f64) {
    let count = slopes.len() as f64;
    let last = slopes.len().saturating_sub(1);
    let upper = f64::midpoint(count, reach).round_ties_even().clamp(0.0, last as f64) as usize;
    let lower = (f64::midpoint(count, -reach).round_ties_even() - 1.0).clamp(0.0, last as f64) as usize;
    (slopes.get(lower).copied().unwrap_or(f64::NAN), slopes.get(upper).copied().unwrap_or(f64::NAN))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_of_scipy() {
        // scipy.stats.theilslopes(y, x, 0.90)
        let points =
            [(0.0, 58.0), (1.0, 57.5), (2.0, 57.6), (3.0, 56.0), (4.0, 56.4), (5.0, 54.0), (6.0, 54.9)];
        let fit = theil_sen(&points, 0.90).expect("points differ in x");
        let near = |a: f64, b: f64| (a - b).abs() < 1e-9;
        assert!(near(fit.slope, -0.6) && near(fit.intercept, 58.2), "{fit:?}");
        assert!(near(fit.lo, -0.875) && near(fit.hi, -0.366_666_666_667), "{fit:?}");
    }

    #[test]
    fn ties_narrow_the_interval_as_in_scipy() {
        // scipy.stats.theilslopes(y, x, 0.90)
        let points = [
            (1.0, 59.0),
            (2.0, 58.0),
            (2.0, 58.5),
            (3.0, 55.5),
            (3.0, 57.0),
            (3.0, 56.0),
            (3.0, 58.0),
            (4.0, 56.0),
            (4.0, 55.5),
        ];
        let fit = theil_sen(&points, 0.90).expect("points differ in x");
        let near = |a: f64, b: f64| (a - b).abs() < 1e-9;
        assert!(near(fit.slope, -1.083_333_333_333) && near(fit.intercept, 60.25), "{fit:?}");
        assert!(near(fit.lo, -1.75) && near(fit.hi, -0.5), "{fit:?}");
    }

    #[test]
    fn nothing_without_two_different_instants() {
        assert_eq!(theil_sen(&[], 0.9), None);
        assert_eq!(theil_sen(&[(1.0, 2.0)], 0.9), None);
        assert_eq!(theil_sen(&[(1.0, 2.0), (1.0, 3.0)], 0.9), None);
    }
}
