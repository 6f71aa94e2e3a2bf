//! Putting a plan together: points placed, legs routed or drawn, days, sums and warnings.

use std::collections::HashSet;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use region::{Point, distance_m};

use crate::closures::DateLaw;
use crate::document::{FORMAT, LegKind, PointKind, Tour};
use crate::legs::{Cancelled, Place, RoadLeg, go_on};
use crate::line::{LegLine, Note, metres};
use crate::plan::{
    CAUTIONS, Day, Leg, Line, PlacedPoint, Plan, PlanError, Repair, Sums, TastePrice, Warning,
};
use crate::snap::{Candidate, Snapped};
use crate::spur::Finding;
use crate::taste::Taste;
use crate::{Planner, lock};

/// Points a tour may have.
pub const MAX_POINTS: usize = 2000;
/// Hand-drawn points a tour may have.
pub const MAX_DRAWN: usize = 200_000;
/// Rises and falls smaller than this do not count as climb, metres: the reference-level rule, a
/// new level is taken where the profile has left the last one by so much.
pub const CLIMB_STEP_M: f64 = 5.0;
/// Spurs within spurs that one repair follows.
const MOST_MOVES: usize = 4;
/// A point this far from its road is worth a word, metres.
const FAR_M: f64 = 100.0;

/// A leg before it is summed up.
pub(crate) struct Built {
    pub line: Arc<LegLine>,
    kind: LegKind,
    trouble: Option<String>,
    /// Whether the leg belongs to a road leg found by search.
    routed: Option<(usize, usize)>,
}

/// Kind, line and trouble of a leg.
pub(crate) type FoundLeg = (LegKind, Arc<LegLine>, Option<String>);

impl Planner {
    /// Plans a tour. Legs whose key is in `have` come without their line.
    ///
    /// Deterministic: the same tour on the same region gives the same plan. Errors only for
    /// documents that make no sense; where no road leads from point to point, the leg is straight,
    /// says its trouble, and the rest is planned all the same.
    pub fn plan(&self, tour: &Tour, have: &HashSet<String>) -> Result<Plan, PlanError> {
        self.plan_until(tour, have, &AtomicBool::new(false))
    }

    /// Plans a tour as [`Planner::plan`] does, unless `stop` is set meanwhile: then it ends within
    /// one search between two points, with [`PlanError::Cancelled`].
    pub fn plan_until(
        &self,
        tour: &Tour,
        have: &HashSet<String>,
        stop: &AtomicBool,
    ) -> Result<Plan, PlanError> {
        self.plan_and_lines(tour, have, stop).map(|(plan, _)| plan)
    }

    /// The plan, and the line of each leg as it was found.
    pub(crate) fn plan_and_lines(
        &self,
        tour: &Tour,
        have: &HashSet<String>,
        stop: &AtomicBool,
    ) -> Result<(Plan, Vec<Arc<LegLine>>), PlanError> {
        let (taste, raw) = check(tour)?;
        let mut warnings = Vec::new();
        let mut snapped: Vec<Option<Arc<Snapped>>> = Vec::with_capacity(raw.len());
        for (i, &at) in raw.iter().enumerate() {
            go_on(stop)?;
            snapped.push(on_road(tour, i).then(|| self.snap_kept(at, tour.points[i].kind)));
        }
        let (legs, law) = self.open_legs(tour, &taste, &raw, &snapped, stop)?;
        let placed = self.place(&raw, &snapped, &legs);
        self.point_warnings(tour, &raw, &snapped, &placed, &mut warnings);
        self.spur_warnings(tour, &raw, &legs, &mut warnings, stop);
        let (days, leg_sums) = self.days(tour, &legs, &mut warnings)?;
        let mut total = Sums::default();
        days.iter().for_each(|d| total.add(&d.sums));
        leg_warnings(&legs, &total, &law, &mut warnings);
        let is_stuck = |leg: u32| legs.get(leg as usize).is_some_and(|l| l.trouble.is_some());
        law.warn(tour, is_stuck, &mut warnings);
        let taste_price = self.price(tour, &taste, &raw, &snapped, &legs, &law, stop)?;
        let lines = legs.iter().map(|leg| leg.line.clone()).collect();
        let legs = legs
            .into_iter()
            .zip(leg_sums)
            .map(|(built, sums)| Leg {
                key: built.line.key.clone(),
                kind: built.kind,
                sums,
                line: (!have.contains(&built.line.key)).then(|| built.line.line.clone()),
                trouble: built.trouble,
            })
            .collect();
        let plan = Plan {
            legs,
            points: placed,
            days,
            total,
            taste_price,
            warnings,
            cautions: CAUTIONS.into(),
            attribution: self.region().meta().attribution.clone(),
        };
        Ok((plan, lines))
    }

    /// What the taste costs and gives, if it is not the fastest and anything was routed by it.
    #[expect(clippy::too_many_arguments, reason = "all that a plan has worked out")]
    fn price(
        &self,
        tour: &Tour,
        taste: &Taste,
        raw: &[Point],
        snapped: &[Option<Arc<Snapped>>],
        legs: &[Built],
        law: &DateLaw,
        stop: &AtomicBool,
    ) -> Result<Option<TastePrice>, Cancelled> {
        let fastest = Taste::fastest();
        if taste.key() == fastest.key() || legs.iter().all(|l| l.routed.is_none()) {
            return Ok(None);
        }
        let fastest = self.build_legs(tour, &fastest, raw, snapped, law, stop)?;
        let [legs, fastest] = [legs, &fastest].map(|legs| legs.iter().map(|l| &*l.line));
        Ok(Some(self.taste_price(taste, legs, fastest)))
    }

    /// The legs of a tour as they were found: kind, line, and trouble if there is any.
    pub(crate) fn legs_of(&self, tour: &Tour) -> Result<Vec<FoundLeg>, PlanError> {
        let (taste, raw) = check(tour)?;
        let points = raw.iter().enumerate();
        let snapped: Vec<Option<Arc<Snapped>>> = points
            .map(|(i, &at)| on_road(tour, i).then(|| self.snap_kept(at, tour.points[i].kind)))
            .collect();
        let stop = AtomicBool::new(false);
        let (legs, _) = self.open_legs(tour, &taste, &raw, &snapped, &stop)?;
        let found = |leg: Built| (leg.kind, leg.line, leg.trouble);
        Ok(legs.into_iter().map(found).collect())
    }

    /// The legs over roads that are open when the rider is there, and what was closed.
    fn open_legs(
        &self,
        tour: &Tour,
        taste: &Taste,
        raw: &[Point],
        snapped: &[Option<Arc<Snapped>>],
        stop: &AtomicBool,
    ) -> Result<(Vec<Built>, DateLaw), PlanError> {
        let mut law = self.law_of(tour)?;
        loop {
            let mut legs = self.build_legs(tour, taste, raw, snapped, &law, stop)?;
            // Before asking what is closed then: slower is later.
            self.keep_limits(tour, &mut legs)?;
            let lines: Vec<&LegLine> = legs.iter().map(|leg| &*leg.line).collect();
            if !self.close_met(tour, &lines, &mut law)? {
                return Ok((legs, law));
            }
        }
    }

    fn build_legs(
        &self,
        tour: &Tour,
        taste: &Taste,
        raw: &[Point],
        snapped: &[Option<Arc<Snapped>>],
        law: &DateLaw,
        stop: &AtomicBool,
    ) -> Result<Vec<Built>, Cancelled> {
        let legs = raw.len().saturating_sub(1);
        let candidates = |i: usize| snapped[i].as_ref().map_or(&[][..], |s| &s.candidates);
        let routable = |leg: usize| {
            tour.points[leg + 1].leg == LegKind::Road
                && !candidates(leg).is_empty()
                && !candidates(leg + 1).is_empty()
        };
        let mut found: Vec<Option<RoadLeg>> = vec![None; legs];
        let mut leg = 0;
        while leg < legs {
            // Days on which other roads are open are searched each for itself.
            let ends = |&l: &usize| !routable(l) || (l > leg && !law.is_same(leg, l));
            let end = (leg..legs).find(ends).unwrap_or(legs);
            if end > leg {
                let places: Vec<Place> = (leg..=end)
                    .map(|i| Place {
                        candidates: candidates(i),
                        is_stop: tour.points[i].kind == PointKind::Stop,
                    })
                    .collect();
                let weighing = self
                    .weighing(taste, tour.rider.manner(), law.of_leg(leg), stop)
                    .ok_or(Cancelled)?;
                found.splice(leg..end, self.route(&weighing, &places, stop)?);
            }
            leg = if end < legs && routable(end) {
                end
            } else {
                end + 1
            };
        }
        let built = (0..legs)
            .map(|leg| {
                if let Some(road) = &found[leg] {
                    return Built {
                        line: road.line.clone(),
                        kind: LegKind::Road,
                        trouble: None,
                        routed: Some((road.from.candidate, road.to.candidate)),
                    };
                }
                // A straight or drawn leg joins the places the roads beside it end at.
                let before = leg.checked_sub(1).and_then(|l| found[l].as_ref());
                let from = before.map_or(0, |r| r.to.candidate);
                let to = found
                    .get(leg + 1)
                    .and_then(|l| l.as_ref())
                    .map_or(0, |r| r.from.candidate);
                let (a, b) = (candidates(leg).get(from), candidates(leg + 1).get(to));
                let kind = tour.points[leg + 1].leg;
                let mut line = reach(a, raw[leg], kind);
                if kind == LegKind::Free {
                    let drawn = tour.points[leg + 1].drawn.iter();
                    line.extend(drawn.filter_map(|&[lat, lon]| Point::from_degrees(lat, lon)));
                }
                line.extend(reach(b, raw[leg + 1], kind).into_iter().rev());
                let trouble = (kind == LegKind::Road)
                    .then(|| self.trouble(tour, leg, candidates(leg), candidates(leg + 1)));
                let line = Arc::new(LegLine::drawn(self.region(), &line, kind));
                Built {
                    line,
                    kind,
                    trouble,
                    routed: None,
                }
            })
            .collect();
        Ok(built)
    }

    /// Why no road leads from one point to the next.
    fn trouble(&self, tour: &Tour, leg: usize, from: &[Candidate], to: &[Candidate]) -> String {
        let (a, b) = (label(tour, leg), label(tour, leg + 1));
        for (name, candidates) in [(&a, from), (&b, to)] {
            if candidates.is_empty() {
                return format!(
                    "There is no road a motorcycle may ride near {name}. Move the point, or draw \
                     the leg by hand."
                );
            }
        }
        let net = |c: &Candidate| self.nets.weak.get(c.piece as usize * 2).copied();
        let other = |c: &Candidate| self.nets.weak.get(c.piece as usize * 2 + 1).copied();
        let nets = |cs: &[Candidate]| -> HashSet<u32> {
            cs.iter()
                .flat_map(|c| [net(c), other(c)])
                .flatten()
                .collect()
        };
        if nets(from).is_disjoint(&nets(to)) {
            return format!(
                "No road leads from {a} to {b}: their roads are not joined on this map (an \
                 island, or the joining road lies off the map or is closed). Move a point, or \
                 draw the leg by hand."
            );
        }
        format!(
            "No permitted way leads from {a} to {b}: one-way streets, turn restrictions or closed \
             roads stand between. Move a point a little, or draw the leg by hand."
        )
    }

    fn place(
        &self,
        raw: &[Point],
        snapped: &[Option<Arc<Snapped>>],
        legs: &[Built],
    ) -> Vec<PlacedPoint> {
        let region = self.region();
        (0..raw.len())
            .map(|i| {
                let arrived = i
                    .checked_sub(1)
                    .and_then(|l| legs[l].routed)
                    .map(|(_, to)| to);
                let left = legs.get(i).and_then(|l| l.routed).map(|(from, _)| from);
                let chosen = arrived.or(left).unwrap_or(0);
                let candidate = snapped[i].as_ref().and_then(|s| s.candidates.get(chosen));
                let Some(c) = candidate else {
                    let (lat, lon) = (raw[i].lat(), raw[i].lon());
                    return PlacedPoint {
                        lat,
                        lon,
                        offset_m: 0.0,
                        road: String::new(),
                    };
                };
                let piece = c.piece as usize;
                let name = region.string(region.piece_name()[piece]);
                let number = region.string(region.piece_ref()[piece]);
                PlacedPoint {
                    lat: c.at.lat(),
                    lon: c.at.lon(),
                    offset_m: (c.offset_m * 10.0).round() / 10.0,
                    road: if name.is_empty() { number } else { name }.to_owned(),
                }
            })
            .collect()
    }

    fn point_warnings(
        &self,
        tour: &Tour,
        raw: &[Point],
        snapped: &[Option<Arc<Snapped>>],
        placed: &[PlacedPoint],
        warnings: &mut Vec<Warning>,
    ) {
        for (i, snapped) in snapped.iter().enumerate() {
            let Some(snapped) = snapped else { continue };
            let name = label(tour, i);
            let mut warn = |kind: &str, text: String| {
                warnings.push(Warning {
                    kind: kind.into(),
                    text,
                    leg: None,
                    point: Some(i as u32),
                    at: Some([raw[i].lat(), raw[i].lon()]),
                    km: None,
                    repair: None,
                });
            };
            if snapped.candidates.is_empty() && snapped.closed.is_none() {
                warn("off_map", self.off_map(&name, raw[i]));
                continue;
            }
            if let Some(closed) = snapped.closed {
                let road = self.road_name(closed);
                let instead = match placed[i].offset_m {
                    m if snapped.candidates.is_empty() || m == 0.0 => {
                        "There is no other road near.".to_owned()
                    }
                    m => format!("The line uses the next road, {} away.", metres(m)),
                };
                warn(
                    "closed_road",
                    format!(
                        "{} lies on {road}, which is closed to motorcycles. {instead}",
                        capital(&name)
                    ),
                );
            } else if placed[i].offset_m > FAR_M {
                let away = metres(placed[i].offset_m);
                warn(
                    "far_from_road",
                    format!(
                        "{} lies {away} from the nearest road a motorcycle may ride; the line \
                         goes there. Draw a leg by hand to go to the point itself.",
                        capital(&name)
                    ),
                );
            }
        }
    }

    fn road_name(&self, piece: u32) -> String {
        let region = self.region();
        let p = piece as usize;
        let [name, number] =
            [region.piece_name()[p], region.piece_ref()[p]].map(|s| region.string(s));
        match (name, number) {
            ("", "") => "a road".to_owned(),
            ("", number) => number.to_owned(),
            (name, _) => name.to_owned(),
        }
    }

    pub(crate) fn off_map(&self, name: &str, at: Point) -> String {
        let meta = self.region().meta();
        let [west, south, east, north] = meta.bounds_deg;
        let inside =
            |lat: f64, lon: f64| lat >= south && lat <= north && lon >= west && lon <= east;
        let (lat, lon) = (at.lat(), at.lon());
        let name = capital(name);
        if inside(lat, lon) {
            return format!(
                "{name} has no road a motorcycle may ride within 2 km. Move it, or draw the legs \
                 by hand."
            );
        }
        if !(west <= east && south <= north) || self.region().piece_count() == 0 {
            return format!(
                "{name} has no road near: the region {} holds none. Import an extract with roads.",
                meta.name
            );
        }
        let edge = Point::from_degrees(lat.clamp(south, north), lon.clamp(west, east));
        let away_km = edge.map_or(0.0, |e| distance_m(at, e)) / 1000.0;
        let ns = if lat > north {
            "north"
        } else if lat < south {
            "south"
        } else {
            ""
        };
        let ew = if lon > east {
            "east"
        } else if lon < west {
            "west"
        } else {
            ""
        };
        let dash = if ns.is_empty() || ew.is_empty() {
            ""
        } else {
            "-"
        };
        let mut text = format!(
            "{name} is off the map: {away_km:.0} km {ns}{dash}{ew} of the region {}.",
            meta.name
        );
        text += &if inside(lon, lat) {
            format!(
                " Latitude and longitude look exchanged: {lon:.4}, {lat:.4} would lie on the map."
            )
        } else {
            " Move it, or import an extract that covers it.".to_owned()
        };
        text
    }

    /// A repair that ends what it was offered for: where the moved via would lie on a further,
    /// outer spur, it is moved on at once. Tried by planning, which the kept legs make cheap.
    fn settled(&self, tour: &Tour, via: usize, first: Repair, stop: &AtomicBool) -> Repair {
        let mut repair = first;
        for _ in 0..MOST_MOVES {
            if repair.move_to.is_none() {
                break;
            }
            let mut moved = tour.clone();
            repair.apply(&mut moved);
            match self.found_at(&moved, via, stop) {
                Some(Finding {
                    repair: Some(next), ..
                }) => repair = next,
                _ => break,
            }
        }
        repair
    }

    /// What is wrong at one via of a tour.
    fn found_at(&self, tour: &Tour, via: usize, stop: &AtomicBool) -> Option<Finding> {
        let (taste, raw) = check(tour).ok()?;
        let snap = |(i, &at): (usize, &Point)| {
            on_road(tour, i).then(|| self.snap_kept(at, tour.points[i].kind))
        };
        let snapped: Vec<_> = raw.iter().enumerate().map(snap).collect();
        let (legs, _) = self.open_legs(tour, &taste, &raw, &snapped, stop).ok()?;
        self.guard(tour, &legs, via, &label(tour, via), raw[via])
    }

    fn spur_warnings(
        &self,
        tour: &Tour,
        raw: &[Point],
        legs: &[Built],
        warnings: &mut Vec<Warning>,
        stop: &AtomicBool,
    ) {
        let mut start_m = 0.0;
        for via in 1..legs.len() {
            start_m += legs[via - 1].line.sums.length_m;
            if tour.points[via].kind == PointKind::Stop {
                continue;
            }
            let found = self.guard(tour, legs, via, &label(tour, via), raw[via]);
            let Some(finding) = found else { continue };
            let line = &legs[via].line.line;
            let there = line.lat.first().zip(line.lon.first());
            warnings.push(Warning {
                kind: finding.kind.into(),
                text: finding.text,
                leg: None,
                point: Some(via as u32),
                at: finding.at.or(there.map(|(&lat, &lon)| [lat, lon])),
                km: Some((start_m - finding.before_m) / 1000.0),
                repair: finding.repair.map(|r| self.settled(tour, via, r, stop)),
            });
        }
    }
}

/// Whether a point has to lie on a road: it ends a road leg, or stands alone.
fn on_road(tour: &Tour, i: usize) -> bool {
    let road = |p: Option<&crate::document::TourPoint>| p.is_some_and(|p| p.leg == LegKind::Road);
    (i > 0 && road(tour.points.get(i))) || road(tour.points.get(i + 1)) || tour.points.len() == 1
}

/// The beginning of a straight or drawn leg: the road's place, then the point itself if it was
/// drawn to and lies aside.
fn reach(candidate: Option<&Candidate>, raw: Point, kind: LegKind) -> Vec<Point> {
    match candidate {
        None => vec![raw],
        Some(c) if kind == LegKind::Free && c.offset_m > 5.0 => vec![c.at, raw],
        Some(c) => vec![c.at],
    }
}

fn label(tour: &Tour, i: usize) -> String {
    let kind = match tour.points[i].kind {
        PointKind::Stop => "stop",
        PointKind::Via => "via",
    };
    match tour.points[i].name.as_str() {
        "" => format!("{kind} {}", i + 1),
        name => format!("{kind} {} ({name})", i + 1),
    }
}

pub(crate) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters
        .next()
        .map_or(String::new(), |c| c.to_uppercase().chain(letters).collect())
}

fn check(tour: &Tour) -> Result<(Taste, Vec<Point>), PlanError> {
    if tour.format != FORMAT {
        return Err(PlanError::Format {
            found: tour.format.clone(),
        });
    }
    let taste = tour.taste.taste().ok_or_else(|| PlanError::UnknownTaste {
        name: tour.taste.name().into(),
    })?;
    let drawn = tour.points.iter().map(|p| p.drawn.len()).sum();
    for (what, count, most) in [
        ("points", tour.points.len(), MAX_POINTS),
        ("drawn points", drawn, MAX_DRAWN),
    ] {
        if count > most {
            return Err(PlanError::TooMany { what, count, most });
        }
    }
    let mut raw = Vec::with_capacity(tour.points.len());
    for (point, p) in tour.points.iter().enumerate() {
        let drawn = p
            .drawn
            .iter()
            .all(|&[lat, lon]| Point::from_degrees(lat, lon).is_some());
        match Point::from_degrees(p.lat, p.lon) {
            Some(at) if drawn => raw.push(at),
            _ => return Err(PlanError::BadPoint { point }),
        }
    }
    Ok((taste, raw))
}

fn leg_warnings(legs: &[Built], total: &Sums, law: &DateLaw, warnings: &mut Vec<Warning>) {
    let mut start_m = 0.0;
    for (i, leg) in legs.iter().enumerate() {
        let mut warn = |kind: &str, text: &str, at, m: f64| {
            warnings.push(Warning {
                kind: kind.into(),
                text: text.into(),
                leg: Some(i as u32),
                point: None,
                at: Some(at),
                km: Some((start_m + m) / 1000.0),
                repair: None,
            });
        };
        if let Some(trouble) = &leg.trouble {
            let at = leg.line.line.lat.first().zip(leg.line.line.lon.first());
            warn(
                "unreachable",
                trouble,
                at.map_or([0.0; 2], |(&lat, &lon)| [lat, lon]),
                0.0,
            );
        }
        let open = |n: &&Note| !law.settles(i, n.kind, n.from_m, n.to_m);
        for note in leg.line.notes.iter().filter(open) {
            warn(note.kind, &note.text, note.at, note.from_m);
        }
        start_m += leg.line.sums.length_m;
    }
    let road_m = total.paved_m + total.unpaved_m + total.unknown_surface_m;
    if total.unknown_surface_m > 1000.0 && total.unknown_surface_m > 0.1 * road_m {
        warnings.push(Warning {
            kind: "unknown_surface".into(),
            text: format!(
                "For {} of the roads, {:.0} %, the map does not say what the surface is: some of \
                 it may be unpaved.",
                metres(total.unknown_surface_m),
                100.0 * total.unknown_surface_m / road_m
            ),
            leg: None,
            point: None,
            at: None,
            km: None,
            repair: None,
        });
    }
}

impl Planner {
    /// Days with their sums and clock, and the sums of every leg.
    fn days(
        &self,
        tour: &Tour,
        legs: &[Built],
        warnings: &mut Vec<Warning>,
    ) -> Result<(Vec<Day>, Vec<Sums>), PlanError> {
        let lines: Vec<&LegLine> = legs.iter().map(|leg| &*leg.line).collect();
        let mut leg_sums = Vec::with_capacity(legs.len());
        let mut days = Vec::new();
        for day in self.lay_out(tour, &lines, warnings)? {
            let mut climb = Climb::default();
            let mut sums = Sums::default();
            let mut highest_m: Option<f32> = None;
            for leg in &legs[day.first..day.last] {
                let (climb_m, descent_m) = climb.over_leg(&leg.line);
                let leg_sum = Sums {
                    climb_m,
                    descent_m,
                    ..leg.line.sums.clone()
                };
                sums.add(&leg_sum);
                leg_sums.push(leg_sum);
                let top = leg.line.highest_m;
                highest_m = highest_m.into_iter().chain(top).max_by(f32::total_cmp);
            }
            let halts = tour.points.get(day.first + 1..day.last).unwrap_or(&[]);
            days.push(Day {
                first_point: day.first as u32,
                last_point: day.last as u32,
                sums,
                dwell_min: halts.iter().map(|p| p.dwell_min).sum(),
                depart: day.depart,
                arrive: day.arrive,
                highest_m,
                sheet: day.sheet,
            });
        }
        Ok((days, leg_sums))
    }
}

/// Climb and descent by a reference level that follows the profile in steps.
#[derive(Default)]
struct Climb {
    level_m: Option<f64>,
}

/// The climb over a leg from one level on: legs that stay are not climbed again for each move.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Climbed {
    from_level_m: Option<f64>,
    to_level_m: Option<f64>,
    climb_m: f64,
    descent_m: f64,
}

impl Climb {
    fn over_leg(&mut self, leg: &LegLine) -> (f64, f64) {
        let mut kept = lock(&leg.climbed);
        let climbed = match *kept {
            Some(climbed) if climbed.from_level_m == self.level_m => climbed,
            _ => {
                let from_level_m = self.level_m;
                let (climb_m, descent_m) = self.over(&leg.line);
                Climbed {
                    from_level_m,
                    to_level_m: self.level_m,
                    climb_m,
                    descent_m,
                }
            }
        };
        *kept = Some(climbed);
        self.level_m = climbed.to_level_m;
        (climbed.climb_m, climbed.descent_m)
    }

    fn over(&mut self, line: &Line) -> (f64, f64) {
        let (mut climb_m, mut descent_m) = (0.0, 0.0);
        for &height in line.height_m.iter().flatten() {
            let height = f64::from(height);
            let level = *self.level_m.get_or_insert(height);
            if height - level >= CLIMB_STEP_M {
                climb_m += height - level;
            } else if level - height >= CLIMB_STEP_M {
                descent_m += level - height;
            } else {
                continue;
            }
            self.level_m = Some(height);
        }
        (climb_m, descent_m)
    }
}

impl Sums {
    fn add(&mut self, other: &Sums) {
        self.length_m += other.length_m;
        self.riding_s += other.riding_s;
        self.climb_m += other.climb_m;
        self.descent_m += other.descent_m;
        self.paved_m += other.paved_m;
        self.unpaved_m += other.unpaved_m;
        self.unknown_surface_m += other.unknown_surface_m;
        self.free_m += other.free_m;
        self.ferry_m += other.ferry_m;
    }
}
