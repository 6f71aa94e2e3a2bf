//! Invents a country and writes it: `cargo run -p synth --example invent -- DIR [SEED] [AREA_KM2]`.

use std::sync::atomic::AtomicBool;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut words = std::env::args().skip(1);
    let dir = std::path::PathBuf::from(words.next().unwrap_or_else(|| ".".into()));
    let mut country = synth::Country::demo();
    if let Some(seed) = words.next() {
        country.seed = seed.parse()?;
    }
    if let Some(area_km2) = words.next() {
        country = synth::Country::of_area_km2(country.seed, area_km2.parse()?);
    }
    let world = country.generate(&mut |_, _| {}, &AtomicBool::new(false))?;
    world.write_pbf(&dir.join("country.osm.pbf"))?;
    world.write_hgt(&dir)?;
    Ok(())
}
