//! A bounded store of what was worked out lately.

use std::collections::HashMap;
use std::hash::Hash;

/// Keeps the entries used last, up to a total weight. Two generations: what is asked for moves to
/// the young one; when the young one is full the old one is dropped.
#[derive(Debug)]
pub(crate) struct Recent<K, V> {
    young: HashMap<K, (V, usize)>,
    old: HashMap<K, (V, usize)>,
    young_weight: usize,
    half: usize,
}

impl<K: Hash + Eq, V: Clone> Recent<K, V> {
    pub fn new(capacity: usize) -> Self {
        Recent {
            young: HashMap::new(),
            old: HashMap::new(),
            young_weight: 0,
            half: capacity / 2,
        }
    }

    pub fn get(&mut self, key: K) -> Option<V> {
        if let Some((value, _)) = self.young.get(&key) {
            return Some(value.clone());
        }
        let (value, weight) = self.old.remove(&key)?;
        self.put(key, value.clone(), weight);
        Some(value)
    }

    pub fn put(&mut self, key: K, value: V, weight: usize) {
        if self.young_weight + weight > self.half {
            self.old = std::mem::take(&mut self.young);
            self.young_weight = 0;
        }
        self.young_weight += weight;
        self.young.insert(key, (value, weight));
    }

    #[cfg(test)]
    fn len(&self) -> usize {
        self.young.len() + self.old.len()
    }
}

#[cfg(test)]
mod tests {
    use super::Recent;

    #[test]
    fn keeps_what_is_used_and_stays_bounded() {
        let mut recent = Recent::new(100);
        for i in 0..1000 {
            recent.put(i, i * 2, 1);
            assert_eq!(recent.get(0), Some(0), "asked for all the time");
            assert!(recent.len() <= 102);
        }
        assert_eq!(recent.get(999), Some(1998));
        assert_eq!(recent.get(500), None);
    }
}
