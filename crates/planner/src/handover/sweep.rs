//! The fewest points on a line, and the freedom each of them has.

use super::net::Place;

/// Two sweeps over a line between two places that stay where they are.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sweeps {
    /// Points needed between the ends, each as late as can be.
    pub latest: Vec<Place>,
    /// The same number, each as early as can be.
    pub earliest: Vec<Place>,
    /// Places where no router goes on along the line: its ends are given as points regardless.
    pub stuck: usize,
}

impl Sweeps {
    /// `ahead(p)` is the farthest place joined to `p`, `back(p)` the first from which `p` is
    /// joined. Being joined is inherited by parts of a line, so each sweep takes the fewest
    /// points; point number n of any such choice lies between `earliest[n]` and `latest[n]`.
    pub fn new(
        start: Place,
        end: Place,
        mut ahead: impl FnMut(Place) -> Place,
        mut back: impl FnMut(Place) -> Place,
    ) -> Self {
        let mut sweeps = Sweeps::default();
        let mut at = start;
        loop {
            let mut next = ahead(at);
            if next >= end {
                break;
            }
            if next <= at {
                // Equal ways of no length: step over the edge's end rather than stand still.
                sweeps.stuck += 1;
                next = Place {
                    index: at.index + 1,
                    share: 0.0,
                };
                if next >= end {
                    break;
                }
            }
            sweeps.latest.push(next);
            at = next;
        }
        let mut at = end;
        while sweeps.earliest.len() <= sweeps.latest.len() {
            let mut next = back(at);
            if next <= start {
                break;
            }
            if next >= at {
                next = Place {
                    index: at.index.saturating_sub(1),
                    share: 1.0,
                };
                if at.index == 0 || next <= start {
                    break;
                }
            }
            sweeps.earliest.push(next);
            at = next;
        }
        sweeps.earliest.reverse();
        sweeps
    }

    /// Whether both sweeps take the same number of points.
    pub fn agree(&self) -> bool {
        self.latest.len() == self.earliest.len()
    }
}
