//! What the benchmarks have in common: maps, chance, a stopwatch.

use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;
use std::time::Instant;

use region::{Access, Edge, LocalFrame, Point, Region};

/// Any error ends a benchmark.
pub type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

/// An extract of the real world, by its name without ending; `None`, and a word on it, where it is
/// not there. They lie in the folder that `LACET_SHARED` names, or beside the repository.
pub fn extract(name: &str) -> Option<PathBuf> {
    let shared = std::env::var_os("LACET_SHARED").map_or_else(
        || Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared"),
        PathBuf::from,
    );
    let file = shared.join(format!("data/osm/{name}.osm.pbf"));
    if file.exists() {
        return Some(file);
    }
    #[expect(clippy::print_stderr, reason = "benchmarks talk to whoever runs them")]
    {
        eprintln!("skipped: {} is not there", file.display());
    }
    None
}

/// Imports a map, without elevation, into `out`; opens what is there already.
pub fn imported(name: &str, file: &Path, out: &Path) -> Outcome<Region> {
    if !out.exists() {
        let job = import::Job {
            name,
            files: &[file.to_owned()],
            elevation: &[],
            credit: None,
            out,
        };
        import::import(&job, &|_, _, _| {}, &AtomicBool::new(false))?;
    }
    Ok(Region::open(out)?)
}

/// A place on a road open to all that is long enough to stand on, if `wanted` takes the piece.
pub fn random_place(region: &Region, random: &mut Random, wanted: impl Fn(u32) -> bool) -> Point {
    loop {
        let piece = random.below(region.piece_count() as usize) as u32;
        let open = [false, true].map(|b| region.access(Edge::new(piece, b)) == Access::Open);
        let points = region.piece_points(piece);
        let long = region.length_m(piece) > 60.0 && !points.is_empty();
        if open != [false, false] && long && wanted(piece) {
            return region.point(points.start + random.below(points.len()));
        }
    }
}

/// Milliseconds gone by.
pub fn ms(since: Instant) -> f64 {
    since.elapsed().as_secs_f64() * 1000.0
}

/// Chance, the same for the same seed: splitmix64 (Steele, Lea and Flood 2014, OOPSLA).
pub struct Random(u64);

impl Random {
    /// Starts anew.
    pub fn new(seed: u64) -> Self {
        Random(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below `limit`; 0 if there is none.
    pub fn below(&mut self, limit: usize) -> usize {
        (self.next() % limit.max(1) as u64) as usize
    }

    /// From 0, included, to 1.
    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Normal, mean 0 and deviation 1 (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        let r = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        r * (std::f64::consts::TAU * self.unit()).cos()
    }

    /// A point moved by a normal error of so many metres each way.
    pub fn shifted(&mut self, p: Point, sigma_m: f64) -> Point {
        let r = sigma_m * (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        let (sin, cos) = (std::f64::consts::TAU * self.unit()).sin_cos();
        LocalFrame::at(p).to_point([r * cos, r * sin])
    }
}
