//! `lacet propose`: round trips, the best line within a limit, other ways.

use std::collections::HashSet;
use std::path::PathBuf;

use clap::{Args, Subcommand};
use planner::Planner;
use planner::document::Tour;
use planner::files::ride_of_plan;
use planner::propose::{
    Against, Between, OtherWays, Proposal, Proposals, ProposeError, Round, Watch,
};
use planner::taste::TasteChoice;
use server::data::DataDir;

use crate::failure::{Failure, Outcome};
use crate::files::{Format, print_json, replace, say};
use crate::plan::taste;
use crate::point::PlannedPoint;
use crate::progress::Progress;
use crate::regions;
use crate::stop::Stop;

/// What to propose.
#[derive(Debug, Subcommand)]
pub enum Propose {
    /// Round trips: from here, so many hours or kilometres, and back
    Round {
        #[command(flatten)]
        common: Common,
        /// Start and end
        #[arg(long, value_name = "LAT,LON", value_parser = place, allow_hyphen_values = true)]
        from: [f64; 2],
        /// Most hours of riding
        #[arg(
            long,
            value_name = "H",
            conflicts_with = "km",
            required_unless_present = "km"
        )]
        hours: Option<f64>,
        /// Most kilometres
        #[arg(long, value_name = "KM")]
        km: Option<f64>,
        /// Where to: degrees from north, clockwise
        #[arg(long, value_name = "DEG", allow_hyphen_values = true)]
        heading: Option<f64>,
        /// Trips to choose from
        #[arg(long, value_name = "N", default_value_t = 3)]
        count: u32,
        /// Roads may be ridden twice
        #[arg(long)]
        twice: bool,
    },
    /// The best line between two places that takes at most so much longer than the quickest
    Between {
        #[command(flatten)]
        common: Common,
        /// Start
        #[arg(long, value_name = "LAT,LON", value_parser = place, allow_hyphen_values = true)]
        from: [f64; 2],
        /// End
        #[arg(long, value_name = "LAT,LON", value_parser = place, allow_hyphen_values = true)]
        to: [f64; 2],
        /// Most minutes longer
        #[arg(long, value_name = "MIN")]
        longer: f64,
    },
    /// Other sensible ways between two points
    Ways {
        #[command(flatten)]
        common: Common,
        /// Both points: stop:LAT,LON or via:LAT,LON
        #[arg(value_name = "POINT", required = true, num_args = 2)]
        points: Vec<PlannedPoint>,
    },
}

/// What all of them take.
#[derive(Debug, Args)]
pub struct Common {
    /// Region to plan on
    #[arg(long, value_name = "NAME")]
    region: String,
    /// What makes a road good: the name of a taste, or its TOML file
    #[arg(long, value_name = "NAME|FILE", default_value = "winding")]
    taste: String,
    /// Writes each proposal as GPX into this folder
    #[arg(long, value_name = "DIR")]
    gpx: Option<PathBuf>,
}

/// Proposes, prints, and writes files.
pub fn run(data: &DataDir, wanted: Propose, json: bool) -> Outcome {
    match wanted {
        Propose::Round {
            common,
            from,
            hours,
            km,
            heading,
            count,
            twice,
        } => answer(data, &common, json, |planner, taste, watch| {
            let ask = Round {
                region: common.region.clone(),
                from,
                taste,
                hours,
                km,
                heading_deg: heading,
                how_many: count,
                twice,
            };
            planner.round_trips(&ask, watch)
        }),
        Propose::Between {
            common,
            from,
            to,
            longer,
        } => answer(data, &common, json, |planner, taste, watch| {
            let ask = Between {
                region: common.region.clone(),
                from,
                to,
                taste,
                longer_min: longer,
            };
            planner.between(&ask, watch)
        }),
        Propose::Ways { common, points } => answer(data, &common, json, |planner, taste, watch| {
            let points = points.iter().map(PlannedPoint::tour_point).collect();
            let tour = Tour::new(&common.region, taste, points);
            planner.alternatives(&OtherWays { tour, leg: 0 }, watch)
        }),
    }
}

fn answer(
    data: &DataDir,
    common: &Common,
    json: bool,
    work: impl FnOnce(&Planner, TasteChoice, &mut Watch) -> Result<Proposals, ProposeError>,
) -> Outcome {
    let choice = taste(&common.taste)?;
    let planner = regions::open(data, &common.region)?;
    let stop = Stop::listen()?;
    let progress = Progress::new();
    let mut show = |share: f32, stage: &'static str| {
        progress.show(stage, (share * 100.0) as u64, 100);
    };
    let mut watch = Watch {
        progress: &mut show,
        stop: stop.flag(),
    };
    let found = work(&planner, choice.clone(), &mut watch);
    progress.finish();
    let found = found.map_err(|e| Failure::user(e.to_string(), e.hint()))?;
    if json {
        print_json(&found)?;
    } else {
        print_table(&planner, &found)?;
    }
    let Some(folder) = &common.gpx else {
        return Ok(());
    };
    std::fs::create_dir_all(folder).map_err(|e| Failure::io("make", folder, &e))?;
    for (n, proposal) in found.proposals.iter().enumerate() {
        let mut tour = Tour::new(&common.region, choice.clone(), proposal.points.clone());
        tour.name = proposal.title.clone();
        let plan = planner
            .plan(&tour, &HashSet::new())
            .map_err(|e| Failure::internal(e.to_string()))?;
        let path = folder.join(format!("proposal-{}.gpx", n + 1));
        replace(&path, &Format::Gpx.write(&ride_of_plan(&tour, &plan, None)))?;
        eprintln!("wrote {}", path.display());
    }
    Ok(())
}

fn print_table(planner: &Planner, found: &Proposals) -> Outcome {
    for (n, proposal) in found.proposals.iter().enumerate() {
        say(&row(n + 1, proposal))?;
        if let Some(against) = &proposal.against {
            say(&format!("   {}", difference(against)))?;
        }
        for note in &proposal.notes {
            say(&format!("   ! {note}"))?;
        }
    }
    for note in &found.notes {
        say(&format!("! {note}"))?;
    }
    say(planner::plan::CAUTIONS)?;
    let credit = planner.region().meta().attribution.clone();
    credit.map_or(Ok(()), |credit| say(&credit))
}

fn row(n: usize, p: &Proposal) -> String {
    let minutes = (p.sums.riding_s / 60.0).round() as u64;
    format!(
        "{n}  {:>6.1} km  {:>2}:{:02}  {:>5.1} km winding  {:>5.1} km in towns  {:>2} vias  {}",
        p.sums.length_m / 1000.0,
        minutes / 60,
        minutes % 60,
        p.ride.winding_m / 1000.0,
        p.ride.built_up_m / 1000.0,
        p.points.len().saturating_sub(2),
        p.title,
    )
}

fn difference(a: &Against) -> String {
    format!(
        "{:+.0} min, {:+.1} km, {:+.1} km winding; {:.0} % of the line there is",
        a.riding_s / 60.0,
        a.length_m / 1000.0,
        a.winding_m / 1000.0,
        a.shared * 100.0,
    )
}

/// A place: two decimal numbers.
fn place(text: &str) -> Result<[f64; 2], String> {
    let point: PlannedPoint = format!("stop:{text}").parse()?;
    Ok([point.lat, point.lon])
}
