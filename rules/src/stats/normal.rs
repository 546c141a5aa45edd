use std::f64::consts::{FRAC_1_SQRT_2, PI};

/// Probability that a standard normal variable is at most `z`. As `scipy.stats.norm.cdf`, within 1e-15.
pub fn normal_cdf(z: f64) -> f64 {
    if z < 0.0 { erfc(-z * FRAC_1_SQRT_2) / 2.0 } else { 1.0 - erfc(z * FRAC_1_SQRT_2) / 2.0 }
}

/// The z with `normal_cdf(z) = p`, for 0 < p < 1 (infinite at the ends, NaN outside). As `scipy.stats.norm.ppf`.
///
/// Newton's method on the distribution from the first terms of Abramowitz and Stegun 26.2.23, until it stands still.
pub fn normal_quantile(p: f64) -> f64 {
    if p > 0.5 {
        return -normal_quantile(1.0 - p);
    }
    if p <= 0.0 || p.is_nan() {
        return if p == 0.0 { f64::NEG_INFINITY } else { f64::NAN };
    }
    let t = (-2.0 * p.ln()).sqrt();
    let top = 2.515_517 + t * (0.802_853 + t * 0.010_328);
    let bottom = 1.0 + t * (1.432_788 + t * (0.189_269 + t * 0.001_308));
    let mut z = top / bottom - t;
    for _ in 0..20 {
        let density = (-z * z / 2.0).exp() / (2.0 * PI).sqrt();
        let step = (normal_cdf(z) - p) / density;
        z -= step;
        if step.abs() <= 1e-15 * z.abs().max(1.0) {
            break;
        }
    }
    z
}

/// The complementary error function for x >= 0.
///
/// Below 1.5 by the series exp(-x²) 2/sqrt(pi) sum of 2^n x^(2n+1) / (2n+1)!!, whose terms are all positive; above by the continued
/// fraction 1 / (x + 1/2 / (x + 1 / (x + 3/2 / ...))) (Abramowitz and Stegun 7.1.6 and 7.1.14).
fn erfc(x: f64) -> f64 {
    let gauss = (-x * x).exp();
    if x < 1.5 {
        let mut term = x;
        let mut sum = x;
        let mut odd = 1.0;
        while term > sum * 1e-17 {
            odd += 2.0;
            term *= 2.0 * x * x / odd;
            sum += term;
        }
        return 1.0 - gauss * sum * 2.0 / PI.sqrt();
    }
    let mut fraction = x;
    for n in (1..=200_u32).rev() {
        fraction = x + f64::from(n) / 2.0 / fraction;
    }
    gauss / (fraction * PI.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_of_scipy() {
        // scipy.stats.norm.cdf and ppf
        let cdf = [
            (0.0, 0.5),
            (1.0, 0.841_344_746_068_542_9),
            (-1.96, 0.024_997_895_148_220_428),
            (3.5, 0.999_767_370_920_964_5),
            (-4.2, 1.334_574_901_590_633_8e-5),
            (-8.0, 6.220_960_574_271_785e-16),
        ];
        for (z, p) in cdf {
            assert!((normal_cdf(z) - p).abs() < 1e-15, "{z}: {} {p}", normal_cdf(z));
        }
        let ppf = [
            (0.05, -1.644_853_626_951_472_7),
            (0.025, -1.959_963_984_540_054),
            (0.975, 1.959_963_984_540_054),
            (0.5, 0.0),
            (1e-10, -6.361_340_902_404_056),
        ];
        for (p, z) in ppf {
            assert!((normal_quantile(p) - z).abs() < 1e-12, "{p}: {} {z}", normal_quantile(p));
        }
        assert!(normal_quantile(0.0).is_infinite() && normal_quantile(1.0).is_infinite());
        assert!(normal_quantile(0.0) < 0.0 && normal_quantile(1.0) > 0.0);
        assert!(normal_quantile(1.5).is_nan());
    }
}
