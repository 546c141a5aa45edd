//! The readings of a spot, thinned to the columns of a chart without losing a peak or a gap.

use heapward_rules::units::{At, Span};

/// Columns of the widest drawing. Narrower ones join neighbours.
pub(in crate::http::pages) const COLUMNS: usize = 280;

/// What one column holds: it is drawn as a stroke from its lowest to its highest reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Column {
    pub(super) index: usize,
    pub(super) minimum: f64,
    pub(super) maximum: f64,
    /// Whether the line begins anew here: nothing was proven by readings since the column before.
    pub(super) breaks: bool,
}

/// Readings in order of time between two instants.
#[derive(Clone, Debug, PartialEq)]
pub(in crate::http) struct Trail {
    from: At,
    to: At,
    columns: Vec<Column>,
    newest: Option<(At, f64)>,
}

// === impl Trail ===

impl Trail {
    pub(in crate::http) fn new(from: At, to: At) -> Trail {
        Trail { from, to: to.max(from + Span(1)), columns: Vec::new(), newest: None }
    }

    /// A reading, not before the one added last. The line is interrupted where they lie more than `near` apart.
    pub(in crate::http) fn add(&mut self, at: At, value: f64, near: Span) {
        self.extend(at, at, (value, value), value, near);
    }

    /// Readings between two instants of which only the extremes are known.
    pub(in crate::http) fn extend(
        &mut self,
        first: At,
        last: At,
        (minimum, maximum): (f64, f64),
        value: f64,
        near: Span,
    ) {
        let index = self.column_of(first);
        let breaks = self.newest.is_none_or(|(before, _)| first - before > near);
        self.newest = Some((last, value));
        match self.columns.last_mut().filter(|column| column.index == index) {
            Some(column) => {
                column.minimum = column.minimum.min(minimum);
                column.maximum = column.maximum.max(maximum);
            }
            None => self.columns.push(Column { index, minimum, maximum, breaks }),
        }
    }

    pub(super) fn newest(&self) -> Option<(At, f64)> {
        self.newest
    }

    /// Lowest and highest reading.
    pub(super) fn extremes(&self) -> Option<(f64, f64)> {
        self.columns.iter().fold(None, |extremes, column| {
            let (low, high) = extremes.unwrap_or((column.minimum, column.maximum));
            Some((low.min(column.minimum), high.max(column.maximum)))
        })
    }

    /// The columns, `joined` neighbours made one.
    pub(super) fn columns(&self, joined: usize) -> Vec<Column> {
        let mut columns: Vec<Column> = Vec::with_capacity(self.columns.len() / joined.max(1) + 1);
        for column in &self.columns {
            let index = column.index / joined.max(1);
            match columns.last_mut().filter(|last| last.index == index && !column.breaks) {
                Some(last) => {
                    last.minimum = last.minimum.min(column.minimum);
                    last.maximum = last.maximum.max(column.maximum);
                }
                None => columns.push(Column { index, ..*column }),
            }
        }
        columns
    }

    fn column_of(&self, at: At) -> usize {
        let part =
            i128::from((at - self.from).0.max(0)) * COLUMNS as i128 / i128::from((self.to - self.from).0);
        usize::try_from(part).unwrap_or(COLUMNS).min(COLUMNS - 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_gap_stays_a_gap() {
        let mut trail = Trail::new(At(0), At(0) + Span::hours(280));
        for hour in [0, 1, 2, 9, 10] {
            trail.add(At(0) + Span::hours(hour), 60.0, Span::hours(1));
        }
        let breaks: Vec<(usize, bool)> =
            trail.columns(1).iter().map(|column| (column.index, column.breaks)).collect();
        assert_eq!(breaks, [(0, true), (1, false), (2, false), (9, true), (10, false)]);
    }

    proptest! {
        #[test]
        fn no_extreme_is_lost(values in prop::collection::vec(-50.0..120.0_f64, 1..400), joined in 1..5_usize) {
            let span = i64::try_from(values.len()).unwrap();
            let mut trail = Trail::new(At(0), At(span));
            for (n, value) in (0..).zip(&values) {
                trail.add(At(n), *value, Span(1));
            }
            let columns = trail.columns(joined);
            let low = columns.iter().map(|column| column.minimum).fold(f64::INFINITY, f64::min);
            let high = columns.iter().map(|column| column.maximum).fold(f64::NEG_INFINITY, f64::max);
            prop_assert_eq!(Some((low, high)), trail.extremes());
            prop_assert!(values.iter().all(|value| (low..=high).contains(value)));
            prop_assert!(values.contains(&low) && values.contains(&high));
        }
    }
}
