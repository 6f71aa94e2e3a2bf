//! KML 2.2 (OGC 07-147r2). Read: placemarks with points, lines and multi-geometries, and timed
//! tracks (`when` and `coord` side by side). Written: placemarks and folders of the standard only.

use super::gpx::one_line;
use super::xml::{Piece, Tag, Xml, clean, push_element};
use super::{Budget, Fix, Oddities, ReadError, Ride, Route, Track, Waypoint};
use super::{degrees, format_time, height, metres, parse_time, position};

/// Reads a document whose `<kml>` was just opened.
pub fn read(xml: Xml) -> Result<Ride, ReadError> {
    let mut reader = Reader {
        xml,
        budget: Budget::default(),
        odd: Oddities::default(),
        ride: Ride::default(),
        areas: 0,
        links: 0,
    };
    reader.container(0)?;
    loop {
        match reader.xml.next()? {
            Piece::End => break,
            Piece::Open(_) => return Err(reader.xml.broken("something follows after </kml>")),
            _ => {}
        }
    }
    let mut ride = reader.ride;
    if reader.areas > 0 {
        ride.warnings
            .push(format!("{} areas were left out", reader.areas));
    }
    if reader.links > 0 {
        let links = reader.links;
        ride.warnings
            .push(format!("{links} links to other files were not followed"));
    }
    reader.odd.into_warnings(&mut ride.warnings);
    Ok(ride)
}

struct Reader<'a> {
    xml: Xml<'a>,
    budget: Budget,
    odd: Oddities,
    ride: Ride,
    areas: usize,
    links: usize,
}

/// What a placemark holds, before it is known what it is.
#[derive(Default)]
struct Placemark {
    name: String,
    text: String,
    kind: String,
    time_s: Option<f64>,
    points: Vec<Fix>,
    segments: Vec<Vec<Fix>>,
    /// Whether a line was there at all, however many segments it had.
    is_line: bool,
}

impl<'a> Reader<'a> {
    /// The next element directly within the open one, whatever its namespace: timed tracks live
    /// in another one.
    fn child(&mut self) -> Result<Option<Tag<'a>>, ReadError> {
        loop {
            match self.xml.next()? {
                Piece::Open(tag) => return Ok(Some(tag)),
                Piece::Close | Piece::End => return Ok(None),
                Piece::Text(_) => {}
            }
        }
    }

    /// A `kml`, `Document` or `Folder`, `depth` containers below the outermost. A folder marked as
    /// a route makes its points one. Recursion is bounded by the limit on nesting.
    fn container(&mut self, depth: usize) -> Result<(), ReadError> {
        let (mut name, mut text) = (String::new(), String::new());
        let (mut kind, mut credit) = (String::new(), None);
        let first = self.ride.waypoints.len();
        while let Some(tag) = self.child()? {
            match tag.local() {
                "Document" | "Folder" => self.container(depth + 1)?,
                "Placemark" => self.placemark()?,
                "name" => name = one_line(&self.xml.text()?),
                "description" => text = self.xml.text()?,
                "ExtendedData" => {
                    for (key, value) in self.data()? {
                        match key.as_str() {
                            "kind" => kind = value,
                            "credit" => credit = Some(value).filter(|v| !v.is_empty()),
                            _ => {}
                        }
                    }
                }
                "NetworkLink" => {
                    self.links += 1;
                    self.xml.skip()?;
                }
                _ => self.xml.skip()?,
            }
        }
        if kind == "route" {
            let points = self.ride.waypoints.split_off(first);
            self.ride.routes.push(Route { name, points });
        } else if depth <= 1 {
            if !name.is_empty() {
                self.ride.name = name;
            }
            if !text.is_empty() {
                self.ride.text = text;
            }
            self.ride.credit = credit.or(self.ride.credit.take());
        }
        Ok(())
    }

    fn placemark(&mut self) -> Result<(), ReadError> {
        self.take("Placemark")?;
        let mut mark = Placemark::default();
        while let Some(tag) = self.child()? {
            match tag.local() {
                "name" => mark.name = one_line(&self.xml.text()?),
                "description" => mark.text = self.xml.text()?,
                "TimeStamp" => {
                    while let Some(tag) = self.child()? {
                        match tag.local() {
                            "when" => mark.time_s = self.time()?,
                            _ => self.xml.skip()?,
                        }
                    }
                }
                "ExtendedData" => {
                    let data = self.data()?.into_iter().find(|(key, _)| key == "kind");
                    mark.kind = data.map(|(_, value)| value).unwrap_or_default();
                }
                _ => self.geometry(&tag, &mut mark)?,
            }
        }
        let Placemark {
            name,
            text,
            kind,
            time_s,
            points,
            segments,
            is_line,
        } = mark;
        for mut at in points {
            at.time_s = at.time_s.or(time_s);
            let (name, text, kind) = (name.clone(), text.clone(), kind.clone());
            self.ride.waypoints.push(Waypoint {
                at,
                name,
                text,
                kind,
            });
        }
        if is_line {
            self.ride.tracks.push(Track { name, segments });
        }
        Ok(())
    }

    fn geometry(&mut self, tag: &Tag, mark: &mut Placemark) -> Result<(), ReadError> {
        match tag.local() {
            "Point" => {
                let points = self.coordinates()?;
                mark.points.extend(points.into_iter().next());
            }
            "LineString" | "LinearRing" => {
                mark.is_line = true;
                let line = self.coordinates()?;
                mark.segments.push(line);
            }
            "Track" => {
                mark.is_line = true;
                let track = self.timed_track()?;
                mark.segments.push(track);
            }
            "MultiGeometry" | "MultiTrack" => {
                // An empty one is how a track without any line is written.
                mark.is_line |= mark.kind == "track";
                while let Some(tag) = self.child()? {
                    self.geometry(&tag, mark)?;
                }
            }
            "Polygon" => {
                self.areas += 1;
                self.xml.skip()?;
            }
            _ => self.xml.skip()?,
        }
        Ok(())
    }

    /// The `<coordinates>` of a geometry that was just opened: `lon,lat[,height]` between blanks.
    fn coordinates(&mut self) -> Result<Vec<Fix>, ReadError> {
        let mut fixes = Vec::new();
        while let Some(tag) = self.child()? {
            if tag.local() != "coordinates" {
                self.xml.skip()?;
                continue;
            }
            let text = self.xml.text()?;
            // Blanks after commas are not allowed but often seen; they join, all others part.
            let mut tuple: Vec<&str> = Vec::new();
            let mut words = text.split_whitespace().peekable();
            while let Some(word) = words.next() {
                let goes_on =
                    word.ends_with(',') || words.peek().is_some_and(|w| w.starts_with(','));
                tuple.extend(word.split(',').filter(|n| !n.is_empty()));
                if !goes_on {
                    fixes.push(self.tuple(&tuple)?);
                    tuple.clear();
                }
            }
            if !tuple.is_empty() {
                fixes.push(self.tuple(&tuple)?);
            }
        }
        fixes.shrink_to_fit();
        Ok(fixes)
    }

    fn timed_track(&mut self) -> Result<Vec<Fix>, ReadError> {
        let (mut fixes, mut times) = (Vec::new(), Vec::new());
        while let Some(tag) = self.child()? {
            match tag.local() {
                "when" => {
                    self.take("when")?;
                    times.push(self.time()?);
                }
                "coord" => {
                    let text = self.xml.text()?;
                    let numbers: Vec<&str> = text.split_whitespace().take(4).collect();
                    fixes.push(self.tuple(&numbers)?);
                }
                _ => self.xml.skip()?,
            }
        }
        for (fix, time) in fixes.iter_mut().zip(times) {
            fix.time_s = time;
        }
        Ok(fixes)
    }

    fn time(&mut self) -> Result<Option<f64>, ReadError> {
        let text = self.xml.text()?;
        let time = parse_time(&text);
        self.odd.times += usize::from(time.is_none() && !text.is_empty());
        Ok(time)
    }

    fn tuple(&mut self, numbers: &[&str]) -> Result<Fix, ReadError> {
        self.take("coordinates")?;
        let number = |i: usize| {
            let text = numbers.get(i).ok_or("a position has only one number")?;
            let shown = || format!("\"{}\" is not a number", super::names::shown(text));
            text.parse::<f64>().map_err(|_| shown())
        };
        let fix = number(0).and_then(|lon| position(number(1)?, lon));
        let mut fix = fix.map_err(|what| self.complain("coordinates", &what))?;
        if let Some(height) = numbers.get(2).and_then(|text| height(text)) {
            self.odd.heights += usize::from(height.is_none());
            fix.height_m = height;
        }
        Ok(fix)
    }

    /// `<Data name="key"><value>` pairs.
    fn data(&mut self) -> Result<Vec<(String, String)>, ReadError> {
        let mut all = Vec::new();
        while let Some(tag) = self.child()? {
            let key = tag
                .attribute("name")
                .map(|k| k.into_owned())
                .unwrap_or_default();
            if tag.local() != "Data" {
                self.xml.skip()?;
                continue;
            }
            self.take("Data")?;
            while let Some(tag) = self.child()? {
                match tag.local() {
                    "value" => all.push((key.clone(), one_line(&self.xml.text()?))),
                    _ => self.xml.skip()?,
                }
            }
        }
        Ok(all)
    }

    fn take(&mut self, what: &str) -> Result<(), ReadError> {
        self.budget.take().map_err(|e| self.complain(what, &e))
    }

    fn complain(&self, element: &str, what: &str) -> ReadError {
        let count = self.budget.items;
        self.xml
            .broken(&format!("{what} (<{element}>, item {count} of the file)"))
    }
}

/// A KML 2.2 document: tracks as placemarks with lines, routes as folders of points, waypoints as
/// points. Times are kept for points only, and segments of fewer than two points, which a line
/// string cannot hold, are left out.
pub fn write_kml(ride: &Ride) -> Vec<u8> {
    let mut out = String::from(concat!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n",
        "<kml xmlns=\"http://www.opengis.net/kml/2.2\">\n",
        "<Document>\n",
    ));
    push_element(&mut out, "  ", "name", &clean(&ride.name));
    push_element(&mut out, "  ", "description", &clean(&ride.text));
    push_data(
        &mut out,
        "  ",
        "credit",
        ride.credit.as_deref().unwrap_or_default(),
    );
    for track in &ride.tracks {
        out.push_str("  <Placemark>\n");
        push_element(&mut out, "    ", "name", &clean(&track.name));
        push_data(&mut out, "    ", "kind", "track");
        out.push_str("    <MultiGeometry>\n");
        for segment in track.segments.iter().filter(|s| s.len() >= 2) {
            // Without a mode, heights would be ignored anyway; lines follow the ground.
            out.push_str("      <LineString><tessellate>1</tessellate><coordinates>\n");
            for fix in segment {
                out.push_str("        ");
                push_tuple(&mut out, fix);
                out.push('\n');
            }
            out.push_str("      </coordinates></LineString>\n");
        }
        out.push_str("    </MultiGeometry>\n  </Placemark>\n");
    }
    for route in &ride.routes {
        out.push_str("  <Folder>\n");
        push_element(&mut out, "    ", "name", &clean(&route.name));
        push_data(&mut out, "    ", "kind", "route");
        route
            .points
            .iter()
            .for_each(|p| push_placemark(&mut out, "    ", p));
        out.push_str("  </Folder>\n");
    }
    ride.waypoints
        .iter()
        .for_each(|p| push_placemark(&mut out, "  ", p));
    out.push_str("</Document>\n</kml>\n");
    out.into_bytes()
}

/// A placemark; the order of its children is the schema's.
fn push_placemark(out: &mut String, indent: &str, point: &Waypoint) {
    let inner = format!("{indent}  ");
    out.push_str(&format!("{indent}<Placemark>\n"));
    push_element(out, &inner, "name", &clean(&point.name));
    push_element(out, &inner, "description", &clean(&point.text));
    if let Some(time) = point.at.time_s.and_then(format_time) {
        out.push_str(&format!(
            "{inner}<TimeStamp><when>{time}</when></TimeStamp>\n"
        ));
    }
    push_data(out, &inner, "kind", &point.kind);
    out.push_str(&format!("{inner}<Point><coordinates>"));
    push_tuple(out, &point.at);
    out.push_str("</coordinates></Point>\n");
    out.push_str(&format!("{indent}</Placemark>\n"));
}

fn push_data(out: &mut String, indent: &str, name: &str, value: &str) {
    let value = clean(value);
    if value.is_empty() {
        return;
    }
    out.push_str(&format!(
        "{indent}<ExtendedData><Data name=\"{name}\"><value>"
    ));
    super::xml::push_escaped(out, &value);
    out.push_str("</value></Data></ExtendedData>\n");
}

fn push_tuple(out: &mut String, fix: &Fix) {
    out.push_str(&degrees(fix.lon));
    out.push(',');
    out.push_str(&degrees(fix.lat));
    if let Some(height_m) = fix.height_m.filter(|h| h.is_finite()) {
        out.push(',');
        out.push_str(&metres(height_m));
    }
}
