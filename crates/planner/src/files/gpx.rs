//! Reading GPX 1.0 and 1.1, as written by many hands: elements in any order, any or no
//! namespace, extensions skipped.

use super::xml::{Piece, Tag, Xml};
use super::{Budget, Fix, Oddities, ReadError, Ride, Route, Track, Waypoint};
use super::{height, parse_time, position};

/// Reads a document whose `<gpx>` was just opened.
pub fn read(xml: Xml) -> Result<Ride, ReadError> {
    let mut reader = Reader {
        xml,
        budget: Budget::default(),
        odd: Oddities::default(),
    };
    let mut ride = Ride::default();
    while let Some(tag) = reader.child()? {
        match tag.local() {
            "wpt" => {
                let waypoint = reader.waypoint(&tag)?;
                ride.waypoints.push(waypoint);
            }
            "rte" => ride.routes.push(reader.route()?),
            "trk" => ride.tracks.push(reader.track()?),
            "metadata" => reader.metadata(&mut ride)?,
            // GPX 1.0 has these without a `<metadata>` around them.
            "name" => ride.name = one_line(&reader.xml.text()?),
            "desc" => ride.text = reader.xml.text()?,
            _ => reader.xml.skip()?,
        }
    }
    reader.rest()?;
    reader.odd.into_warnings(&mut ride.warnings);
    Ok(ride)
}

struct Reader<'a> {
    xml: Xml<'a>,
    budget: Budget,
    odd: Oddities,
}

impl<'a> Reader<'a> {
    /// The next GPX element directly within the element that is open; `None` at its end.
    /// Extensions are skipped.
    fn child(&mut self) -> Result<Option<Tag<'a>>, ReadError> {
        loop {
            match self.xml.next()? {
                Piece::Open(tag) if tag.home => return Ok(Some(tag)),
                Piece::Open(_) => self.xml.skip()?,
                Piece::Close | Piece::End => return Ok(None),
                Piece::Text(_) => {}
            }
        }
    }

    /// What follows the outermost element must not be another one.
    fn rest(&mut self) -> Result<(), ReadError> {
        loop {
            match self.xml.next()? {
                Piece::End => return Ok(()),
                Piece::Open(_) => {
                    return Err(self.xml.broken("something follows after </gpx>"));
                }
                _ => {}
            }
        }
    }

    fn metadata(&mut self, ride: &mut Ride) -> Result<(), ReadError> {
        while let Some(tag) = self.child()? {
            match tag.local() {
                "name" => ride.name = one_line(&self.xml.text()?),
                "desc" => ride.text = self.xml.text()?,
                "copyright" => {
                    let author = tag.attribute("author").map(|a| one_line(&a));
                    ride.credit = author.filter(|a| !a.is_empty());
                    self.xml.skip()?;
                }
                _ => self.xml.skip()?,
            }
        }
        Ok(())
    }

    fn track(&mut self) -> Result<Track, ReadError> {
        self.take("trk")?;
        let mut track = Track::default();
        // Points that stand in the track without a segment around them make one of their own.
        let mut in_loose = false;
        while let Some(tag) = self.child()? {
            match tag.local() {
                "name" => track.name = one_line(&self.xml.text()?),
                "trkseg" => {
                    in_loose = false;
                    track.segments.push(self.segment()?);
                }
                "trkpt" => {
                    if !in_loose {
                        in_loose = true;
                        track.segments.push(Vec::new());
                    }
                    let fix = self.fix(&tag)?;
                    if let Some(segment) = track.segments.last_mut() {
                        segment.push(fix);
                    }
                }
                _ => self.xml.skip()?,
            }
        }
        Ok(track)
    }

    fn segment(&mut self) -> Result<Vec<Fix>, ReadError> {
        self.take("trkseg")?;
        let mut segment = Vec::new();
        while let Some(tag) = self.child()? {
            match tag.local() {
                "trkpt" => segment.push(self.fix(&tag)?),
                _ => self.xml.skip()?,
            }
        }
        segment.shrink_to_fit();
        Ok(segment)
    }

    fn route(&mut self) -> Result<Route, ReadError> {
        self.take("rte")?;
        let mut route = Route::default();
        while let Some(tag) = self.child()? {
            match tag.local() {
                "name" => route.name = one_line(&self.xml.text()?),
                "rtept" => route.points.push(self.waypoint(&tag)?),
                _ => self.xml.skip()?,
            }
        }
        Ok(route)
    }

    /// A track point: only place, height and time are kept.
    fn fix(&mut self, tag: &Tag) -> Result<Fix, ReadError> {
        let mut fix = self.place(tag)?;
        while let Some(tag) = self.child()? {
            match tag.local() {
                "ele" => self.height(&mut fix)?,
                "time" => self.time(&mut fix)?,
                _ => self.xml.skip()?,
            }
        }
        Ok(fix)
    }

    fn waypoint(&mut self, tag: &Tag) -> Result<Waypoint, ReadError> {
        let mut point = Waypoint {
            at: self.place(tag)?,
            ..Waypoint::default()
        };
        let mut comment = String::new();
        while let Some(tag) = self.child()? {
            match tag.local() {
                "ele" => self.height(&mut point.at)?,
                "time" => self.time(&mut point.at)?,
                "name" => point.name = one_line(&self.xml.text()?),
                "desc" => point.text = self.xml.text()?,
                "cmt" => comment = self.xml.text()?,
                "type" => point.kind = one_line(&self.xml.text()?),
                _ => self.xml.skip()?,
            }
        }
        if point.text.is_empty() {
            point.text = comment;
        }
        Ok(point)
    }

    fn height(&mut self, fix: &mut Fix) -> Result<(), ReadError> {
        if let Some(height) = height(&self.xml.text()?) {
            self.odd.heights += usize::from(height.is_none());
            fix.height_m = height;
        }
        Ok(())
    }

    fn time(&mut self, fix: &mut Fix) -> Result<(), ReadError> {
        let text = self.xml.text()?;
        if !text.is_empty() {
            fix.time_s = parse_time(&text);
            self.odd.times += usize::from(fix.time_s.is_none());
        }
        Ok(())
    }

    /// The place in `lat` and `lon`; refuses the file when there is none.
    fn place(&mut self, tag: &Tag) -> Result<Fix, ReadError> {
        self.take(tag.local())?;
        let number = |key: &str| {
            let Some(text) = tag.attribute(key) else {
                return Err(format!("no {key} given"));
            };
            text.trim()
                .parse::<f64>()
                .map_err(|_| format!("{key} \"{}\" is not a number", super::names::shown(&text)))
        };
        let fix = number("lat").and_then(|lat| position(lat, number("lon")?));
        fix.map_err(|what| self.complain(tag.local(), &what))
    }

    fn take(&mut self, what: &str) -> Result<(), ReadError> {
        self.budget.take().map_err(|e| self.complain(what, &e))
    }

    fn complain(&self, element: &str, what: &str) -> ReadError {
        // Many writers put the whole file on one line: the count leads to the place anyway.
        let count = self.budget.items;
        self.xml
            .broken(&format!("{what} (<{element}>, item {count} of the file)"))
    }
}

/// Runs of blanks become one space.
pub fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}
