//! Tables with a bound on their rows: what was seen last stays, the rest is one total. Nobody can fill our memory
//! with topics.

use std::collections::BTreeMap;

/// Counts by key, with a note of one's own on each; the row unseen for longest makes room.
#[derive(Clone, Debug)]
pub struct Seen<K, V> {
    rows: BTreeMap<K, (u64, V)>,
    rows_max: usize,
    turn: u64,
    /// Rows that had to make room.
    pub forgotten: u64,
}

// === impl Seen ===

impl<K: Ord + Clone, V> Seen<K, V> {
    pub fn new(rows_max: usize) -> Seen<K, V> {
        Seen { rows: BTreeMap::new(), rows_max, turn: 0, forgotten: 0 }
    }

    /// The row of a key, made if it is new; the flag tells whether it is.
    pub fn row(&mut self, key: &K, make: impl FnOnce() -> V) -> (&mut V, bool) {
        self.turn += 1;
        let is_new = !self.rows.contains_key(key);
        if is_new && self.rows.len() >= self.rows_max {
            let oldest = self.rows.iter().min_by_key(|(_, (turn, _))| *turn).map(|(key, _)| key.clone());
            if let Some(oldest) = oldest {
                self.rows.remove(&oldest);
                self.forgotten += 1;
            }
        }
        let row = self.rows.entry(key.clone()).or_insert_with(|| (0, make()));
        row.0 = self.turn;
        (&mut row.1, is_new)
    }

    pub fn iter(&self) -> impl Iterator<Item = (&K, &V)> {
        self.rows.iter().map(|(key, (_, value))| (key, value))
    }

    pub fn retain(&mut self, mut keep: impl FnMut(&K) -> bool) {
        self.rows.retain(|key, _| keep(key));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_row_unseen_for_longest_makes_room() {
        let mut seen = Seen::new(3);
        for key in ["a", "b", "c", "a", "d", "a", "e"] {
            *seen.row(&key, || 0).0 += 1;
        }
        let rows: Vec<(&str, i32)> = seen.iter().map(|(key, count)| (*key, *count)).collect();
        assert_eq!(rows, [("a", 3), ("d", 1), ("e", 1)]);
        assert_eq!(seen.forgotten, 2);
    }
}
