//! Trends against `SciPy` and `pymannkendall`, the trend filter against matrices of `NumPy`.

use heapward_rules::stats::{
    TrendFilter, Tuning, mann_kendall, median, normal_cdf, normal_quantile, theil_sen,
};
use heapward_rules::units::{At, Celsius, Span};
use serde_json::{Value, json};

use super::dice::Dice;
use super::python;

const SERIES: usize = 1_200;

/// Trends with noise, ties, gaps and outliers, of 3 to 40 points at instants that are whole or not.
fn series(dice: &mut Dice) -> Vec<(f64, f64)> {
    let count = 3 + dice.below(38);
    let slope = dice.between(-2.0, 2.0);
    let noise = [0.0, 0.05, 0.5, 3.0][usize::try_from(dice.below(4)).unwrap()];
    let step = [0.0, 0.5, 1.0][usize::try_from(dice.below(3)).unwrap()];
    let whole = dice.below(2) == 0;
    let mut x = 0.0;
    (0..count)
        .map(|_| {
            x += if whole { 1.0 } else { dice.between(0.0, 2.0) };
            let outlier = if dice.below(20) == 0 { dice.between(-30.0, 30.0) } else { 0.0 };
            let y = 50.0 + slope * x + noise * dice.bell() + outlier;
            (x, if step > 0.0 { (y / step).round() * step } else { y })
        })
        .collect()
}

fn near(name: &str, ours: f64, theirs: &Value, tolerance: f64) {
    let theirs = theirs.as_f64().unwrap_or(f64::NAN);
    let both_nan = ours.is_nan() && theirs.is_nan();
    let near = both_nan || (ours - theirs).abs() <= tolerance * theirs.abs().max(1.0);
    assert!(near, "{name}: ours {ours}, theirs {theirs}");
}

#[test]
fn slopes_intervals_and_tests_of_1200_random_series_are_those_of_the_references() {
    let mut dice = Dice::new(2026);
    let all: Vec<Vec<(f64, f64)>> = (0..SERIES).map(|_| series(&mut dice)).collect();
    let levels = [0.80, 0.90, 0.95];
    let input = json!({ "series": all, "levels": levels });
    let answer = python::ask("statistics.py", &input);
    let answers = answer.as_array().expect("one answer a series");
    assert_eq!(answers.len(), all.len());
    for (number, (points, theirs)) in all.iter().zip(answers).enumerate() {
        for (level, theirs) in levels.iter().zip(theirs["theil_sen"].as_array().expect("levels")) {
            let ours = theil_sen(points, *level).expect("the instants differ");
            for (name, ours, theirs) in [
                ("slope", ours.slope, &theirs[0]),
                ("intercept", ours.intercept, &theirs[1]),
                ("low end", ours.lo, &theirs[2]),
                ("high end", ours.hi, &theirs[3]),
            ] {
                near(&format!("series {number}, {level}, {name}"), ours, theirs, 1e-10);
            }
        }
        let values: Vec<f64> = points.iter().map(|point| point.1).collect();
        let ours = mann_kendall(&values).expect("long enough");
        let theirs = &theirs["mann_kendall"];
        for (name, ours, theirs) in [
            ("s", ours.s, &theirs[0]),
            ("var", ours.var_s, &theirs[1]),
            ("z", ours.z, &theirs[2]),
            ("p", ours.p, &theirs[3]),
        ] {
            near(&format!("series {number}, {name}"), ours, theirs, 1e-12);
        }
        near(
            &format!("series {number}, median"),
            median(&values).expect("values"),
            &answers[number]["median"],
            1e-14,
        );
    }
}

#[test]
fn the_normal_distribution_is_the_reference_s() {
    let mut dice = Dice::new(7);
    let zs: Vec<f64> = (0..500).map(|_| dice.between(-9.0, 9.0)).collect();
    let ps: Vec<f64> = (0..500)
        .map(|n| if n % 2 == 0 { dice.unit() } else { 10_f64.powf(dice.between(-14.0, -1.0)) })
        .collect();
    let answer = python::ask("statistics.py", &json!({ "z": zs, "p": ps }));
    for (z, theirs) in zs.iter().zip(answer["cdf"].as_array().expect("cdf")) {
        near(&format!("cdf of {z}"), normal_cdf(*z), theirs, 1e-15);
    }
    for (p, theirs) in ps.iter().zip(answer["ppf"].as_array().expect("ppf")) {
        near(&format!("quantile of {p}"), normal_quantile(*p), theirs, 1e-12);
    }
}

#[test]
fn the_trend_filter_is_the_one_written_with_matrices() {
    let mut dice = Dice::new(11);
    let runs: Vec<(f64, Vec<(i64, f64)>)> = (0..200)
        .map(|_| {
            let tau = [8.0, 16.0, 24.0][usize::try_from(dice.below(3)).unwrap()];
            let mut at = 0;
            let mut value = dice.between(10.0, 70.0);
            let readings = (0..60).map(|_| {
                at += 1 + i64::try_from(dice.below(4 * 3_600_000)).unwrap();
                value += 0.3 * dice.bell();
                (at, value)
            });
            (tau, readings.collect())
        })
        .collect();
    let answer = python::ask("statistics.py", &json!({ "filters": runs }));
    for ((tau, readings), theirs) in runs.iter().zip(answer["filters"].as_array().expect("filters")) {
        let tuning = Tuning { gate: f64::INFINITY, ..Tuning::damped(*tau) };
        let (first, rest) = readings.split_first().expect("readings");
        let mut filter = TrendFilter::new(tuning, At(0) + Span(first.0), Celsius(first.1));
        for ((at, value), theirs) in rest.iter().zip(theirs.as_array().expect("steps")) {
            filter.update(At(0) + Span(*at), Celsius(*value));
            near("level", filter.level().0, &theirs[0], 1e-11);
            near("slope", filter.slope_c_per_h(), &theirs[1], 1e-11);
        }
    }
}
