//! Seeded chance and smooth noise of our own, so that a seed means the same country for ever.

/// Splitmix64 (Steele, Lea, Flood: Fast splittable pseudorandom number generators, 2014).
#[derive(Debug, Clone)]
pub(crate) struct Dice(u64);

impl Dice {
    /// Independent streams for the same seed are told apart by `stream`.
    pub(crate) fn new(seed: u64, stream: u64) -> Self {
        Self(mix(seed ^ mix(stream.wrapping_mul(0x9E37_79B9_7F4A_7C15))))
    }

    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        mix(self.0)
    }

    /// Uniform in 0..1.
    pub(crate) fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Uniform in 0..n; 0 for n = 0.
    pub(crate) fn below(&mut self, n: usize) -> usize {
        ((self.unit() * n as f64) as usize).min(n.saturating_sub(1))
    }

    pub(crate) fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    pub(crate) fn pick<'a, T>(&mut self, items: &'a [T]) -> &'a T {
        &items[self.below(items.len())]
    }
}

fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// Gradient noise (Perlin: Improving noise, 2002) with a hashed lattice.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Noise(u64);

impl Noise {
    pub(crate) fn new(seed: u64, stream: u64) -> Self {
        Self(mix(seed.wrapping_add(mix(stream))))
    }

    /// About -1..1, wavelength 1.
    pub(crate) fn at(self, x: f64, y: f64) -> f64 {
        let (x0, y0) = (x.floor(), y.floor());
        let (fx, fy) = (x - x0, y - y0);
        let corner = |dx: f64, dy: f64| {
            let (ix, iy) = ((x0 + dx) as i64 as u64, (y0 + dy) as i64 as u64);
            let h = (ix.wrapping_mul(0x9E37_79B9_7F4A_7C15)
                ^ iy.wrapping_mul(0xC2B2_AE3D_27D4_EB4F)
                ^ self.0)
                .wrapping_mul(0xBF58_476D_1CE4_E5B9);
            let h = (h ^ (h >> 31)).wrapping_mul(0x94D0_49BB_1331_11EB) >> 56;
            let (gx, gy) = GRADIENTS[(h & 15) as usize];
            gx * (fx - dx) + gy * (fy - dy)
        };
        let fade = |t: f64| t * t * t * (t * (t * 6.0 - 15.0) + 10.0);
        let (u, v) = (fade(fx), fade(fy));
        let south = corner(0.0, 0.0) * (1.0 - u) + corner(1.0, 0.0) * u;
        let north = corner(0.0, 1.0) * (1.0 - u) + corner(1.0, 1.0) * u;
        (south * (1.0 - v) + north * v) * 1.4
    }

    /// Sum of octaves, each of half the wavelength and height of the one before.
    pub(crate) fn octaves(self, x: f64, y: f64, octaves: u32) -> f64 {
        let (mut sum, mut scale, mut height) = (0.0, 1.0, 1.0);
        for octave in 0..octaves {
            let shift = f64::from(octave) * 17.3;
            sum += self.at(x * scale + shift, y * scale - shift) * height;
            scale *= 2.0;
            height *= 0.5;
        }
        sum
    }
}

const D: f64 = std::f64::consts::FRAC_1_SQRT_2;
const C: f64 = 0.923_879_532_511_286_7;
const S: f64 = 0.382_683_432_365_089_8;
/// Sixteen directions around the circle.
const GRADIENTS: [(f64, f64); 16] = [
    (1.0, 0.0),
    (C, S),
    (D, D),
    (S, C),
    (0.0, 1.0),
    (-S, C),
    (-D, D),
    (-C, S),
    (-1.0, 0.0),
    (-C, -S),
    (-D, -D),
    (-S, -C),
    (0.0, -1.0),
    (S, -C),
    (D, -D),
    (C, -S),
];
