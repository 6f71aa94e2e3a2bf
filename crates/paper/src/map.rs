//! The overview map: the tour on its ground, north up, in Mercator's projection.

use planner::plan::Plan;
use region::{Bounds, FeatureKind, PlaceKind, Point, Region, RoadClass};

use crate::Book;
use crate::drawing::{Anchor, Colour, INK, PAPER, Pen, QUIET, Shape, Text};
use crate::letters;

const LAND: Colour = [0xf7, 0xf5, 0xee];
const WATER: Colour = [0xc6, 0xda, 0xe4];
const ROAD: Colour = [0xd2, 0xcc, 0xbd];
const BORDER: Colour = [0x9a, 0x90, 0x86];
/// Each day in its own hue and dash, so that either tells it.
const DAYS: [(Colour, &[f32]); 6] = [
    ([0x7a, 0x1f, 0x52], &[]),
    ([0x1c, 0x50, 0x78], &[7.0, 2.6]),
    ([0x8a, 0x4b, 0x08], &[3.4, 2.0]),
    ([0x2d, 0x5f, 0x3a], &[8.0, 2.0, 2.0, 2.0]),
    ([0x5b, 0x3a, 0x9e], &[2.0, 1.4]),
    ([0x8f, 0x2d, 0x2d], &[12.0, 3.0]),
];
/// Vertices nearer together than this are one, points.
const FINE: f32 = 0.5;
/// Names that are written at most.
const MOST_NAMES: usize = 40;

/// What of the ground is seen, and where.
struct View {
    west: f64,
    north: f64,
    /// Points per Mercator unit (radians).
    scale: f64,
    bounds: Bounds,
    /// Metres per point, in the middle.
    m_per_pt: f64,
}

fn mercator(lat: f64) -> f64 {
    let lat = lat.clamp(-85.0, 85.0).to_radians();
    (lat.tan() + 1.0 / lat.cos()).ln()
}

impl View {
    fn around(plan: &Plan, [width, height]: [f32; 2]) -> Option<Self> {
        let mut bounds: Option<[f64; 4]> = None;
        for line in plan.legs.iter().filter_map(|l| l.line.as_ref()) {
            for (&lat, &lon) in line.lat.iter().zip(&line.lon) {
                let b = bounds.get_or_insert([lon, lat, lon, lat]);
                *b = [b[0].min(lon), b[1].min(lat), b[2].max(lon), b[3].max(lat)];
            }
        }
        let [west, south, east, north] = bounds?;
        let (low, high) = (mercator(south), mercator(north));
        let wide = (east - west).to_radians().max(1e-4);
        let tall = (high - low).max(1e-4);
        // Room for names at the rim.
        let room = 0.88;
        let scale = (f64::from(width) * room / wide).min(f64::from(height) * room / tall);
        let (half_w, half_h) = (
            f64::from(width) / scale / 2.0,
            f64::from(height) / scale / 2.0,
        );
        let middle_lon = (west + east) / 2.0;
        let middle_y = (low + high) / 2.0;
        let lat_of = |y: f64| y.sinh().atan().to_degrees();
        let e7 = |v: f64, most: f64| (v.clamp(-most, most) * 1e7) as i32;
        let middle_lat = lat_of(middle_y);
        Some(View {
            west: middle_lon - half_w.to_degrees(),
            north: middle_y + half_h,
            scale,
            bounds: Bounds {
                west_e7: e7(middle_lon - half_w.to_degrees(), 180.0),
                east_e7: e7(middle_lon + half_w.to_degrees(), 180.0),
                south_e7: e7(lat_of(middle_y - half_h), 90.0),
                north_e7: e7(lat_of(middle_y + half_h), 90.0),
            },
            m_per_pt: 6_371_000.0 * middle_lat.to_radians().cos() / scale,
        })
    }

    fn place(&self, lat: f64, lon: f64) -> [f32; 2] {
        [
            ((lon - self.west).to_radians() * self.scale) as f32,
            ((self.north - mercator(lat)) * self.scale) as f32,
        ]
    }

    fn point(&self, p: Point) -> [f32; 2] {
        self.place(p.lat(), p.lon())
    }

    /// A line without vertices that nobody could tell apart.
    fn line(&self, points: impl Iterator<Item = Point>) -> Vec<[f32; 2]> {
        let mut line: Vec<[f32; 2]> = Vec::new();
        let mut points = points.peekable();
        while let Some(p) = points.next() {
            let at = self.point(p);
            let far = |last: &[f32; 2]| (at[0] - last[0]).hypot(at[1] - last[1]) >= FINE;
            if line.last().is_none_or(far) || (points.peek().is_none() && line.len() < 2) {
                line.push(at);
            }
        }
        line
    }
}

/// Draws the map of the tour.
pub fn shapes(book: &Book, size: [f32; 2]) -> Vec<Shape> {
    let Some(view) = View::around(book.plan, size) else {
        return Vec::new();
    };
    let mut inside = Vec::new();
    ground(book.region, &view, size, &mut inside);
    roads(book.region, &view, &mut inside);
    tour(book, &view, &mut inside);
    let mut taken = Vec::new();
    points(book, &view, &mut taken, &mut inside);
    names(book.region, &view, size, &mut taken, &mut inside);
    scale_bar(&view, size, &mut inside);
    let [w, h] = size;
    let frame = vec![[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]];
    vec![
        Shape::Framed {
            frame: [0.0, 0.0, w, h],
            shapes: inside,
        },
        Shape::Path {
            lines: vec![frame],
            closed: true,
            fill: None,
            pen: Some(Pen::solid(QUIET, 0.6)),
        },
    ]
}

fn ground(region: &Region, view: &View, [w, h]: [f32; 2], shapes: &mut Vec<Shape>) {
    let features = region.features_in(view.bounds);
    let kind = |f: u32| FeatureKind::from_code(region.feature_kind()[f as usize]);
    let sea = features.iter().any(|&f| kind(f) == Some(FeatureKind::Land));
    let ground = if sea { WATER } else { LAND };
    shapes.push(Shape::rect([0.0, 0.0, w, h], ground));
    for wanted in [
        FeatureKind::Land,
        FeatureKind::Water,
        FeatureKind::River,
        FeatureKind::CountryBorder,
    ] {
        for &f in features.iter().filter(|&&f| kind(f) == Some(wanted)) {
            let first = region.feature_first_ring();
            let rings = first[f as usize]..first[f as usize + 1];
            let lines: Vec<Vec<[f32; 2]>> = rings
                .map(|r| {
                    let points = region.ring_first_point();
                    let points = points[r as usize]..points[r as usize + 1];
                    view.line(points.map(|p| Point {
                        lon_e7: region.feature_lon_e7()[p as usize],
                        lat_e7: region.feature_lat_e7()[p as usize],
                    }))
                })
                .filter(|l| l.len() > 1 && extent(l) > 3.0)
                .collect();
            if lines.is_empty() {
                continue;
            }
            let (closed, fill, pen) = match wanted {
                FeatureKind::Land => (true, Some(LAND), None),
                FeatureKind::Water => (true, Some(WATER), None),
                FeatureKind::River => (false, None, Some(Pen::solid(WATER, 0.9))),
                _ => {
                    let dash: &[f32] = &[5.0, 1.5, 1.0, 1.5];
                    (
                        false,
                        None,
                        Some(Pen {
                            colour: BORDER,
                            width: 0.8,
                            dash,
                        }),
                    )
                }
            };
            shapes.push(Shape::Path {
                lines,
                closed,
                fill,
                pen,
            });
        }
    }
}

fn extent(line: &[[f32; 2]]) -> f32 {
    let range = |k: usize| {
        let values = || line.iter().map(|p| p[k]);
        values().fold(f32::MIN, f32::max) - values().fold(f32::MAX, f32::min)
    };
    range(0).hypot(range(1))
}

fn roads(region: &Region, view: &View, shapes: &mut Vec<Shape>) {
    // The wider the country, the fewer roads.
    let lowest = match view.m_per_pt {
        m if m < 150.0 => RoadClass::Secondary,
        m if m < 400.0 => RoadClass::Primary,
        _ => RoadClass::Trunk,
    };
    let mut lines: [Vec<Vec<[f32; 2]>>; 2] = Default::default();
    for piece in region.major_pieces_in(view.bounds) {
        let class = region.class(piece);
        if class > lowest || class == RoadClass::Ferry {
            continue;
        }
        let line = view.line(region.piece_points(piece).map(|p| region.point(p)));
        if line.len() > 1 {
            lines[usize::from(class <= RoadClass::Trunk)].push(line);
        }
    }
    for (lines, width) in lines.into_iter().zip([0.8, 1.5]) {
        if !lines.is_empty() {
            shapes.push(Shape::Path {
                lines,
                closed: false,
                fill: None,
                pen: Some(Pen::solid(ROAD, width)),
            });
        }
    }
}

fn tour(book: &Book, view: &View, shapes: &mut Vec<Shape>) {
    for (n, day) in book.plan.days.iter().enumerate() {
        let legs = &book.plan.legs[day.first_point as usize..day.last_point as usize];
        let lines = legs.iter().filter_map(|l| l.line.as_ref());
        let points = lines.flat_map(|l| l.lat.iter().zip(&l.lon));
        let line = view.line(points.filter_map(|(&lat, &lon)| Point::from_degrees(lat, lon)));
        if line.len() < 2 {
            continue;
        }
        let (colour, dash) = DAYS[n % DAYS.len()];
        shapes.push(Shape::line(line.clone(), Pen::solid(PAPER, 4.0)));
        let pen = Pen {
            colour,
            width: 2.2,
            dash,
        };
        shapes.push(Shape::line(line.clone(), pen));
        if book.plan.days.len() > 1 {
            let at = line[line.len() / 2];
            shapes.push(Shape::Dot {
                at,
                radius: 6.5,
                fill: PAPER,
                pen: Some(Pen::solid(colour, 1.2)),
            });
            shapes.push(Shape::Text(Text {
                bold: true,
                anchor: Anchor::Middle,
                colour,
                ..Shape::words([at[0], at[1] + 2.8], 8.0, (n + 1).to_string())
            }));
        }
    }
}

type Box4 = [f32; 4];

fn meet(a: &Box4, b: &Box4) -> bool {
    a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3]
}

/// Stops of the tour, named.
fn points(book: &Book, view: &View, taken: &mut Vec<Box4>, shapes: &mut Vec<Shape>) {
    let mut seen: Vec<[f32; 2]> = Vec::new();
    for (i, point) in book.tour.points.iter().enumerate() {
        let stop = point.kind == planner::document::PointKind::Stop;
        let at = view.place(point.lat, point.lon);
        let twice = seen
            .iter()
            .any(|s| (s[0] - at[0]).hypot(s[1] - at[1]) < 4.0);
        if !stop || twice {
            continue;
        }
        seen.push(at);
        shapes.push(Shape::Dot {
            at,
            radius: 3.2,
            fill: PAPER,
            pen: Some(Pen::solid(INK, 1.6)),
        });
        taken.push([at[0] - 4.0, at[1] - 4.0, at[0] + 4.0, at[1] + 4.0]);
        let name = crate::day::point(book, i as u32);
        label(&name, at, 7.5, true, INK, taken, shapes);
    }
}

/// Writes a name to the right or left of a place, where there is room.
fn label(
    name: &str,
    at: [f32; 2],
    size: f32,
    bold: bool,
    colour: Colour,
    taken: &mut Vec<Box4>,
    shapes: &mut Vec<Shape>,
) -> bool {
    let name = letters::cut(name, 110.0, size, bold);
    let width = letters::width(&name, size, bold);
    for (anchor, x) in [(Anchor::Start, at[0] + 5.5), (Anchor::End, at[0] - 5.5)] {
        let left = if anchor == Anchor::Start {
            x
        } else {
            x - width
        };
        let own = [left, at[1] - size * 0.6, left + width, at[1] + size * 0.5];
        if left < 1.0 || taken.iter().any(|t| meet(t, &own)) {
            continue;
        }
        taken.push(own);
        shapes.push(Shape::Text(Text {
            bold,
            anchor,
            colour,
            rim: true,
            ..Shape::words([x, at[1] + size * 0.36], size, name)
        }));
        return true;
    }
    false
}

fn names(
    region: &Region,
    view: &View,
    [w, h]: [f32; 2],
    taken: &mut Vec<Box4>,
    shapes: &mut Vec<Shape>,
) {
    let mut places: Vec<(u8, u32)> = region
        .places_in(view.bounds)
        .into_iter()
        .filter_map(|p| {
            let rank = match PlaceKind::from_code(region.place_kind()[p as usize])? {
                PlaceKind::City => 3,
                PlaceKind::Town => 2,
                PlaceKind::Village | PlaceKind::Pass if view.m_per_pt < 150.0 => 1,
                PlaceKind::Peak if view.m_per_pt < 60.0 => 0,
                _ => return None,
            };
            Some((rank * 64 + region.place_rank()[p as usize] / 4, p))
        })
        .collect();
    places.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(&b.1)));
    let mut written = 0;
    for (_, p) in places {
        let i = p as usize;
        let at = view.point(Point {
            lon_e7: region.place_lon_e7()[i],
            lat_e7: region.place_lat_e7()[i],
        });
        let name = region.string(region.place_name()[i]);
        let inside = (4.0..w - 30.0).contains(&at[0]) && (8.0..h - 20.0).contains(&at[1]);
        if name.is_empty() || !inside {
            continue;
        }
        let kind = PlaceKind::from_code(region.place_kind()[i]);
        let big = matches!(kind, Some(PlaceKind::City | PlaceKind::Town));
        let size = if big { 7.0 } else { 6.0 };
        let before = shapes.len();
        if label(name, at, size, false, QUIET, taken, shapes) {
            let dot = match kind {
                Some(PlaceKind::Pass | PlaceKind::Peak) => Shape::area(
                    vec![
                        [at[0] - 2.2, at[1] + 1.6],
                        [at[0] + 2.2, at[1] + 1.6],
                        [at[0], at[1] - 2.4],
                    ],
                    QUIET,
                ),
                _ => Shape::Dot {
                    at,
                    radius: 1.4,
                    fill: QUIET,
                    pen: None,
                },
            };
            shapes.insert(before, dot);
            written += 1;
        }
        if written >= MOST_NAMES {
            break;
        }
    }
}

fn scale_bar(view: &View, [w, h]: [f32; 2], shapes: &mut Vec<Shape>) {
    let most_m = view.m_per_pt * f64::from(w) * 0.25;
    let power = 10f64.powf(most_m.max(10.0).log10().floor());
    let round = [5.0, 2.0, 1.0];
    let bar_m = round.map(|r| r * power).into_iter().find(|m| *m <= most_m);
    let bar_m = bar_m.unwrap_or(power);
    let long = (bar_m / view.m_per_pt) as f32;
    let (x, y) = (w - long - 10.0, h - 8.0);
    let text = match bar_m {
        m if m < 1000.0 => format!("{m:.0} m"),
        m => format!("{:.0} km", m / 1000.0),
    };
    let bar = vec![[x, y - 3.0], [x, y], [x + long, y], [x + long, y - 3.0]];
    shapes.push(Shape::line(bar.clone(), Pen::solid(PAPER, 3.0)));
    shapes.push(Shape::line(bar, Pen::solid(INK, 0.9)));
    let mut words = Shape::words([x + long / 2.0, y - 3.0], 6.5, text);
    (words.anchor, words.rim) = (Anchor::Middle, true);
    shapes.push(Shape::Text(words));
    let north = [w - 12.0, 22.0];
    let arrow = vec![
        [north[0], 6.0],
        [north[0] - 4.0, 16.0],
        [north[0] + 4.0, 16.0],
    ];
    shapes.push(Shape::area(arrow, INK));
    let mut n = Shape::words([north[0], north[1] + 1.5], 7.0, "N");
    (n.anchor, n.rim, n.bold) = (Anchor::Middle, true, true);
    shapes.push(Shape::Text(n));
}
