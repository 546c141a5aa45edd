/// The middle of the values, or the mean of the two middle ones; `None` of nothing. As `numpy.median`.
pub fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    median_of_sorted(&sorted)
}

pub(super) fn median_of_sorted(sorted: &[f64]) -> Option<f64> {
    let upper = *sorted.get(sorted.len() / 2)?;
    if sorted.len() % 2 == 1 {
        return Some(upper);
    }
    let lower = *sorted.get(sorted.len() / 2 - 1)?;
    Some(f64::midpoint(lower, upper))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn middle_or_mean_of_the_two_middle_values() {
        assert_eq!(median(&[]), None);
        assert_eq!(median(&[7.0]), Some(7.0));
        assert_eq!(median(&[3.0, 1.0]), Some(2.0));
        assert_eq!(median(&[9.0, 1.0, 5.0]), Some(5.0));
        assert_eq!(median(&[4.0, 1.0, 3.0, 2.0]), Some(2.5));
    }
}
