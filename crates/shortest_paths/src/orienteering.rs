//! Orienteering: gathering as much score as a budget of cost allows, from a start to an end.
//!
//! Two kinds, both solved by chance and repair under a fixed seed, so that equal questions have
//! equal answers: [`best_tour`] chooses and orders places on a table of costs (the orienteering
//! problem, after the iterated local searches surveyed by Vansteenwegen, Souffriau and Van
//! Oudheusden, EJOR 209, 2011), and [`Trails`] finds a walk on a graph that uses nothing twice (the
//! arc orienteering problem of Souffriau et al., Omega 39, 2011).

mod tour;
mod trail;

pub use tour::{Places, Tour, best_tour};
pub use trail::{Ground, Task, Trail, Trails};

/// SplitMix64 (Steele, Lea, Flood 2014): seeded and the same everywhere.
#[derive(Clone, Debug)]
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ z >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ z >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ z >> 31
    }

    /// In `0..limit`; 0 if there is nothing to choose from.
    fn below(&mut self, limit: usize) -> usize {
        (self.next() % limit.max(1) as u64) as usize
    }

    /// In `0.0..1.0`.
    fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }
}
