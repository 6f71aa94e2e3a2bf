//! Cuts the tiles of a region at every zoom and says how long those took that are not empty:
//! `cargo run --release -p tiles --example measure -- FILE.region`
#![allow(clippy::print_stdout)]

use std::path::Path;
use std::time::Instant;

use region::Region;
use tiles::{MAX_ZOOM, relief_tile, vector_tile};

/// At most this many tiles a zoom, spread over the region.
const TILES: u64 = 4000;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let file = std::env::args_os()
        .nth(1)
        .ok_or("usage: measure FILE.region")?;
    let region = Region::open(Path::new(&file))?;
    let [west, south, east, north] = region.meta().bounds_deg;
    println!("zoom  tiles  vector ms: median   95 %   worst  bytes worst  relief ms: 95 %");
    for z in 0..=MAX_ZOOM {
        let side = f64::from(1u32 << z);
        let column = |lon: f64| ((lon + 180.0) / 360.0 * side).clamp(0.0, side - 1.0) as u64;
        let row = |lat: f64| {
            let y = lat.to_radians().sin().atanh() / std::f64::consts::TAU;
            ((0.5 - y) * side).clamp(0.0, side - 1.0) as u64
        };
        let (x0, x1, y0, y1) = (column(west), column(east), row(north), row(south));
        let all = (x1 - x0 + 1) * (y1 - y0 + 1);
        let step = all.div_ceil(TILES);
        let (mut vector, mut relief, mut bytes) = (Vec::new(), Vec::new(), 0);
        for i in (0..all).step_by(step as usize) {
            let (x, y) = (
                (x0 + i % (x1 - x0 + 1)) as u32,
                (y0 + i / (x1 - x0 + 1)) as u32,
            );
            let start = Instant::now();
            let tile = vector_tile(&region, z, x, y)?;
            if !tile.is_empty() {
                vector.push(start.elapsed().as_secs_f64() * 1e3);
            }
            bytes = bytes.max(tile.len());
            if z <= 12 {
                let start = Instant::now();
                relief_tile(&region, z, x, y)?;
                relief.push(start.elapsed().as_secs_f64() * 1e3);
            }
        }
        let at = |times: &mut Vec<f64>, share: f64| {
            times.sort_by(f64::total_cmp);
            times
                .get(((times.len() as f64 - 1.0) * share) as usize)
                .copied()
                .unwrap_or(0.0)
        };
        println!(
            "{z:>4}  {:>5}  {:>17.2} {:>6.2} {:>7.2}  {bytes:>11}  {:>15.2}",
            vector.len(),
            at(&mut vector, 0.5),
            at(&mut vector, 0.95),
            at(&mut vector, 1.0),
            at(&mut relief, 0.95),
        );
    }
    Ok(())
}
