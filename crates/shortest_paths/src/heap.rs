//! A heap of four children a node: shallower than a binary one, and a node's children share a
//! cache line.

/// Smallest first; ties in cost go to the smaller node, so that the order is fixed.
#[derive(Clone, Debug, Default)]
pub(crate) struct Heap {
    /// Cost in the upper half, node in the lower.
    keys: Vec<u64>,
}

impl Heap {
    pub fn clear(&mut self) {
        self.keys.clear();
    }

    pub fn push(&mut self, cost: u32, node: u32) {
        let key = u64::from(cost) << 32 | u64::from(node);
        let mut at = self.keys.len();
        self.keys.push(key);
        while at > 0 {
            let parent = (at - 1) / 4;
            if self.keys[parent] <= key {
                break;
            }
            self.keys[at] = self.keys[parent];
            at = parent;
        }
        self.keys[at] = key;
    }

    pub fn pop(&mut self) -> Option<(u32, u32)> {
        let last = self.keys.pop()?;
        let top = self.keys.first().copied().unwrap_or(last);
        if !self.keys.is_empty() {
            self.sink(last);
        }
        Some(((top >> 32) as u32, top as u32))
    }

    /// Puts `key` in the place of the top and lets it find its level.
    fn sink(&mut self, key: u64) {
        let keys = &mut self.keys[..];
        let mut at = 0;
        loop {
            let first = 4 * at + 1;
            let (child, least) = match keys.get(first..) {
                // Two rounds of pairs: the compiler makes moves of them instead of jumps, which
                // could not be foretold.
                Some(&[a, b, c, d, ..]) => {
                    let ab = if b < a { (first + 1, b) } else { (first, a) };
                    let cd = if d < c {
                        (first + 3, d)
                    } else {
                        (first + 2, c)
                    };
                    if cd.1 < ab.1 { cd } else { ab }
                }
                Some(&[a, ref rest @ ..]) => {
                    let mut least = (first, a);
                    for (i, &key) in rest.iter().enumerate() {
                        if key < least.1 {
                            least = (first + 1 + i, key);
                        }
                    }
                    least
                }
                _ => break,
            };
            if least >= key {
                break;
            }
            keys[at] = least;
            at = child;
        }
        keys[at] = key;
    }
}
