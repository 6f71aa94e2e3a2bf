//! `lacet plan`.

use std::collections::HashSet;
use std::io::Read;
use std::path::{Path, PathBuf};

use planner::document::{LegKind, Tour};
use planner::files::ride_of_plan;
use planner::plan::{Plan, Sums, TastePrice};
use planner::taste::{self, Taste, TasteChoice, tastes};
use server::data::DataDir;

use crate::failure::{Failure, Outcome};
use crate::files::{Format, print_json, replace, say};
use crate::point::PlannedPoint;
use crate::regions;

/// What was asked for.
pub struct Wanted {
    /// Region to plan on.
    pub region: String,
    /// Points in riding order.
    pub points: Vec<PlannedPoint>,
    /// Taste by name, or its file.
    pub taste: String,
    /// File to write.
    pub gpx: Option<PathBuf>,
    /// File to write.
    pub geojson: Option<PathBuf>,
    /// Print the plan as JSON.
    pub json: bool,
}

/// Plans, prints, and writes files if every leg has its line.
pub fn run(data: &DataDir, wanted: &Wanted) -> Outcome {
    let taste = taste(&wanted.taste)?;
    check_points(&wanted.points)?;
    let planner = regions::open(data, &wanted.region)?;
    check_bounds(wanted, planner.region().meta().bounds_deg)?;
    let points = wanted.points.iter().map(PlannedPoint::tour_point);
    let tour = Tour::new(&wanted.region, taste, points.collect());
    let plan = planner
        .plan(&tour, &HashSet::new())
        .map_err(|e| Failure::user(e.to_string(), "correct the call and try again"))?;
    if wanted.json {
        print_json(&plan)?;
    } else {
        print_table(&plan)?;
    }
    // A straight line where no way was found must not reach a unit as if it were one.
    if let Some((leg, trouble)) = plan
        .legs
        .iter()
        .enumerate()
        .find_map(|(n, l)| Some((n, l.trouble.as_ref()?)))
    {
        return Err(Failure::user(
            format!(
                "no way from point {} to point {}: {trouble}",
                leg + 1,
                leg + 2
            ),
            "move the points, or draw the leg with free: before its second point; no file was written",
        ));
    }
    for (path, format) in [
        (&wanted.gpx, Format::Gpx),
        (&wanted.geojson, Format::GeoJson),
    ] {
        if let Some(path) = path {
            replace(path, &format.write(&ride_of_plan(&tour, &plan, None)))?;
            eprintln!("wrote {}", path.display());
        }
    }
    Ok(())
}

/// A taste by name, or from its file.
pub fn taste(wanted: &str) -> Result<TasteChoice, Failure> {
    let choice = TasteChoice::from(wanted);
    if choice.taste().is_some() {
        return Ok(choice);
    }
    let path = Path::new(wanted);
    if path.extension().is_none_or(|e| e != "toml") && path.components().count() == 1 {
        let known: Vec<String> = tastes().into_iter().map(|t| t.name).collect();
        return Err(Failure::user(
            format!("there is no taste '{wanted}'"),
            format!(
                "choose one of: {}; or name a file, as in mine.toml",
                known.join(", ")
            ),
        ));
    }
    let unreadable = |e: std::io::Error| {
        Failure::user(
            format!("cannot read {wanted}: {e}"),
            "name a taste file, as in mine.toml",
        )
    };
    let mut toml = Vec::new();
    // A little more than the reader takes, so that it can say so.
    std::fs::File::open(path)
        .and_then(|f| {
            f.take(taste::MAX_BYTES as u64 + 1000)
                .read_to_end(&mut toml)
        })
        .map_err(unreadable)?;
    let read = Taste::read(&toml).map_err(|e| {
        let hint = "correct the file; docs/taste-format.md says what a taste holds";
        Failure::user(format!("{wanted}: {e}"), hint)
    })?;
    Ok(read.into())
}

fn check_points(points: &[PlannedPoint]) -> Outcome {
    if points.len() < 2 {
        return Err(Failure::user(
            "one point is no tour",
            "give two or more, in riding order",
        ));
    }
    if points.first().is_some_and(|p| p.leg == LegKind::Free) {
        return Err(Failure::user(
            "the first point has no leg to it that could be free",
            "put free: before the second point",
        ));
    }
    Ok(())
}

/// Latitude and longitude in the wrong order are the usual reason for a point far off the map.
fn check_bounds(wanted: &Wanted, [west, south, east, north]: [f64; 4]) -> Outcome {
    // Snapping reaches a little beyond the outermost road.
    let reach_deg = 0.05;
    let is_inside = |lat: f64, lon: f64| {
        (south - reach_deg..=north + reach_deg).contains(&lat)
            && (west - reach_deg..=east + reach_deg).contains(&lon)
    };
    for (n, p) in wanted.points.iter().enumerate() {
        if p.leg == LegKind::Road && !is_inside(p.lat, p.lon) && is_inside(p.lon, p.lat) {
            return Err(Failure::user(
                format!(
                    "point {} ({:.5},{:.5}) is outside region {}, latitude and longitude seem swapped",
                    n + 1,
                    p.lat,
                    p.lon,
                    wanted.region
                ),
                format!("write {}:{:.5},{:.5}", p.word(), p.lon, p.lat),
            ));
        }
    }
    Ok(())
}

fn print_table(plan: &Plan) -> Outcome {
    say(&format!(
        "{:5}  {:>9}  {:>7}  {:>8}  {:>8}  {:>7}  {:>9}  {:>8}",
        "day", "length", "riding", "climb", "paved", "unpaved", "surface ?", "by ferry"
    ))?;
    for (n, day) in plan.days.iter().enumerate() {
        say(&row(
            &(n + 1).to_string(),
            &day.sums,
            day.highest_m.is_some(),
        ))?;
    }
    if plan.days.len() > 1 {
        let heights = plan.days.iter().any(|d| d.highest_m.is_some());
        say(&row("total", &plan.total, heights))?;
    }
    if let Some(price) = &plan.taste_price {
        say(&bargain(price))?;
    }
    for w in &plan.warnings {
        let km = w.km.map(|km| format!("km {km:.1}: ")).unwrap_or_default();
        say(&format!("! {km}{}", w.text))?;
    }
    say(&plan.cautions)?;
    plan.attribution
        .as_ref()
        .map_or(Ok(()), |credit| say(credit))
}

/// What the taste costs and gives, in a line.
fn bargain(price: &TastePrice) -> String {
    let mut gains = vec![format!(
        "{:.1} km of winding road instead of {:.1}",
        price.winding_m / 1000.0,
        price.winding_m_fastest / 1000.0
    )];
    if price.unpaved_m.max(price.unpaved_m_fastest) >= 100.0 {
        gains.push(format!(
            "{:.1} km unpaved instead of {:.1}",
            price.unpaved_m / 1000.0,
            price.unpaved_m_fastest / 1000.0
        ));
    }
    format!(
        "against the fastest way: {:+.0} min, {:+.1} km, for {}",
        price.extra_s / 60.0,
        price.extra_m / 1000.0,
        gains.join(" and ")
    )
}

fn row(title: &str, s: &Sums, heights: bool) -> String {
    let share = |part_m: f64| {
        let percent = if s.length_m > 0.0 {
            100.0 * part_m / s.length_m
        } else {
            0.0
        };
        format!("{percent:.0} %")
    };
    let climb = if heights {
        format!("{:.0} m", s.climb_m)
    } else {
        "unknown".into()
    };
    let minutes = (s.riding_s / 60.0).round() as u64;
    format!(
        "{title:5}  {:>6.1} km  {:>4}:{:02}  {climb:>8}  {:>8}  {:>7}  {:>9}  {:>8}",
        s.length_m / 1000.0,
        minutes / 60,
        minutes % 60,
        share(s.paved_m),
        share(s.unpaved_m),
        share(s.unknown_surface_m),
        share(s.ferry_m),
    )
}
