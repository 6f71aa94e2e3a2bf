//! What the imported regions know of the country along a recording.

use std::collections::HashSet;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use planner::Planner;
use planner::files::{Fix, ride_of_plan};
use region::{Bounds, LocalFrame, NO_HEIGHT, PlaceKind, Point, Region};
use shelf::{Planned, Seen, Survey, TourId};

use crate::App;
use crate::regions::Regions;

/// How long a tour must stay as it is before its line is put on the shelf.
const CALM: Duration = Duration::from_secs(2);

/// Tours that wait for that.
pub(crate) type Waiting = Mutex<HashSet<TourId>>;

impl App {
    /// Plans a tour that was saved, soon, and tells the shelf where its line runs, so that it is
    /// found by what it passes. What fails is tried again with the next save.
    pub fn measure(self: &Arc<Self>, id: TourId) {
        let waiting = move |app: &App, remove: bool| {
            let mut ids = app.measuring.lock().unwrap_or_else(PoisonError::into_inner);
            if remove {
                ids.remove(&id)
            } else {
                ids.insert(id)
            }
        };
        if !waiting(self, false) {
            return;
        }
        let app = self.clone();
        tokio::spawn(async move {
            tokio::time::sleep(CALM).await;
            waiting(&app, true);
            let _turn = app.plan_turns.acquire().await;
            let worker = app.clone();
            let _ = tokio::task::spawn_blocking(move || worker.put_line(id)).await;
        });
    }

    fn put_line(&self, id: TourId) -> Option<()> {
        let kept = self.shelf.get(id).ok()?;
        let planner = self.regions.get(&kept.tour.region).ok()?;
        let plan = planner.plan(&kept.tour, &HashSet::new()).ok()?;
        let ride = ride_of_plan(&kept.tour, &plan, None);
        let runs: Vec<Vec<Fix>> = ride.tracks.into_iter().flat_map(|t| t.segments).collect();
        if runs.is_empty() {
            return None;
        }
        let mut seen = Seen::default();
        let points: Vec<Point> = runs.iter().flatten().map(Fix::point).collect();
        look(planner.region(), &points, &mut seen);
        seen.places.truncate(MAX_PLACES);
        let heights = runs.iter().flatten().filter_map(|f| f.height_m);
        let highest_m = heights.reduce(f32::max).map(f64::from);
        let planned = Planned {
            riding_s: plan.total.riding_s,
            climb_m: highest_m.map(|_| plan.total.climb_m),
            highest_m,
            seen,
            runs,
        };
        self.shelf.set_planned(id, kept.revision, &planned).ok()?;
        Some(())
    }
}

/// A pass is crossed by who comes this near, metres.
const PASS_M: f64 = 150.0;
/// A town is passed by who comes this near, metres.
const TOWN_M: f64 = 1200.0;
/// Parts of a recording that are looked up at once.
const CHUNK: usize = 100;
/// Most places told of one recording.
const MAX_PLACES: usize = 60;

/// The regions of a data directory, open.
pub struct Country {
    regions: Vec<(String, Arc<Planner>)>,
}

impl Country {
    /// Opens all regions that can be opened.
    pub fn open(regions: &Regions) -> Self {
        let names = regions.names().unwrap_or_default();
        let open = |name: String| regions.get(&name).ok().map(|planner| (name, planner));
        Country {
            regions: names.into_iter().filter_map(open).collect(),
        }
    }
}

impl Survey for Country {
    fn look(&self, runs: &[Vec<Fix>]) -> Seen {
        let points: Vec<Point> = runs.iter().flatten().map(Fix::point).collect();
        let mut seen = Seen::default();
        for (name, planner) in &self.regions {
            let region = planner.region();
            let [west, south, east, north] = region.meta().bounds_deg;
            let within =
                |p: &Point| (west..=east).contains(&p.lon()) && (south..=north).contains(&p.lat());
            // A region whose box holds some of it, and that has a road there.
            if !points.iter().any(within) {
                continue;
            }
            if look(region, &points, &mut seen) {
                seen.regions.push(name.clone());
            }
        }
        seen.places.truncate(MAX_PLACES);
        seen
    }
}

/// Adds what lies along; whether the region has any road there.
fn look(region: &Region, points: &[Point], seen: &mut Seen) -> bool {
    let mut on_roads = false;
    for chunk in points.chunks(CHUNK) {
        let mut bounds = Bounds::EMPTY;
        for &p in chunk {
            bounds.include(p);
        }
        on_roads = on_roads || !region.pieces_in(bounds).is_empty();
        let wide = widened(bounds);
        for place in region.places_in(wide) {
            let place = place as usize;
            let kind = region.place_kind()[place];
            let pass = kind == PlaceKind::Pass as u8;
            let town = [PlaceKind::City, PlaceKind::Town, PlaceKind::Village]
                .iter()
                .any(|k| *k as u8 == kind);
            if !pass && !town {
                continue;
            }
            let at = Point {
                lat_e7: region.place_lat_e7()[place],
                lon_e7: region.place_lon_e7()[place],
            };
            let frame = LocalFrame::at(at);
            let reach = if pass { PASS_M } else { TOWN_M };
            let near = chunk.iter().any(|&p| {
                let [east, north] = frame.to_m(p);
                east.hypot(north) <= reach
            });
            let name = region.string(region.place_name()[place]);
            if !near || name.is_empty() {
                continue;
            }
            if !seen.places.iter().any(|n| n == name) {
                seen.places.push(name.to_owned());
            }
            if pass {
                let height_cm = region.place_height_cm()[place];
                let height_m = (height_cm != NO_HEIGHT).then(|| f64::from(height_cm) / 100.0);
                let higher = match &seen.pass {
                    None => true,
                    Some((_, known)) => height_m.unwrap_or(f64::MIN) > known.unwrap_or(f64::MIN),
                };
                if higher {
                    seen.pass = Some((name.to_owned(), height_m));
                }
            }
        }
    }
    on_roads
}

fn widened(b: Bounds) -> Bounds {
    let corner = |lon_e7, lat_e7| Bounds::around(Point { lon_e7, lat_e7 }, TOWN_M);
    let (a, c) = (corner(b.west_e7, b.south_e7), corner(b.east_e7, b.north_e7));
    Bounds {
        west_e7: a.west_e7,
        south_e7: a.south_e7,
        east_e7: c.east_e7,
        north_e7: c.north_e7,
    }
}
