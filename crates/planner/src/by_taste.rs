//! What was worked out for tastes lately: a few at once, and each only once.

use std::sync::{Arc, Mutex};

use crate::lock;

/// Holds the values asked for last, by key. Who asks for one that is being made waits for it; who
/// makes one does not keep others from theirs.
pub(crate) struct ByTaste<V> {
    slots: Mutex<Vec<(u64, Slot<V>)>>,
    most: usize,
}

type Slot<V> = Arc<Mutex<Option<Arc<V>>>>;

impl<V> ByTaste<V> {
    pub fn new(most: usize) -> Self {
        ByTaste {
            slots: Mutex::default(),
            most: most.max(1),
        }
    }

    /// The value of a key. `None` if it was not there and making it was broken off.
    pub fn get_or_make(&self, key: u64, make: impl FnOnce() -> Option<V>) -> Option<Arc<V>> {
        let slot = self.slot(key);
        let mut made = lock(&slot);
        if made.is_none() {
            *made = make().map(Arc::new);
        }
        made.clone()
    }

    /// The slot of a key, moved to the front; the last one goes if there are too many.
    fn slot(&self, key: u64) -> Slot<V> {
        let mut slots = lock(&self.slots);
        let slot = match slots.iter().position(|s| s.0 == key) {
            Some(i) => slots.remove(i).1,
            None => Slot::default(),
        };
        slots.insert(0, (key, slot.clone()));
        slots.truncate(self.most);
        slot
    }
}

#[cfg(test)]
mod tests {
    use super::ByTaste;

    #[test]
    fn keeps_the_last_few_and_forgets_what_was_broken_off() {
        let kept = ByTaste::new(2);
        let mut made = 0;
        let mut ask = |key: u64, whole: bool| {
            let value = kept.get_or_make(key, || {
                made += 1;
                whole.then_some(key * 10)
            });
            (value.as_deref().copied(), made)
        };
        assert_eq!(ask(1, true), (Some(10), 1));
        assert_eq!(ask(2, true), (Some(20), 2));
        assert_eq!(ask(1, false), (Some(10), 2), "it is kept");
        assert_eq!(ask(3, true), (Some(30), 3));
        assert_eq!(ask(1, true), (Some(10), 3), "it was asked for later than 2");
        assert_eq!(ask(2, false), (None, 4), "2 had to go");
        assert_eq!(
            ask(2, true),
            (Some(20), 5),
            "what was broken off is made anew"
        );
    }
}
