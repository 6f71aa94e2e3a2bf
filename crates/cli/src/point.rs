//! Points on the command line: `[free:]stop:LAT,LON` and `[free:]via:LAT,LON`.

use std::str::FromStr;

use planner::document::{LegKind, PointKind, TourPoint};

/// A point as given.
#[derive(Clone, Debug, PartialEq)]
pub struct PlannedPoint {
    /// Stop or via.
    pub kind: PointKind,
    /// How the line gets here.
    pub leg: LegKind,
    /// Degrees north.
    pub lat: f64,
    /// Degrees east.
    pub lon: f64,
}

impl FromStr for PlannedPoint {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (leg, rest) = match text.strip_prefix("free:") {
            Some(rest) => (LegKind::Free, rest),
            None => (LegKind::Road, text),
        };
        let (kind, place) = if let Some(place) = rest.strip_prefix("stop:") {
            (PointKind::Stop, place)
        } else if let Some(place) = rest.strip_prefix("via:") {
            (PointKind::Via, place)
        } else {
            return Err("a point begins with stop: or via:, as in stop:LAT,LON".into());
        };
        let numbers = place.split_once(',').and_then(|(lat, lon)| {
            let number = |t: &str| t.trim().parse::<f64>().ok().filter(|n| n.is_finite());
            Some((number(lat)?, number(lon)?))
        });
        let Some((lat, lon)) = numbers else {
            return Err("a place is two decimal numbers, LAT,LON, with a comma between".into());
        };
        if lat.abs() > 90.0 && lat.abs() <= 180.0 && lon.abs() <= 90.0 {
            return Err(format!(
                "latitude {lat} is outside -90..90; latitude and longitude seem swapped, write {lon},{lat}"
            ));
        }
        if lat.abs() > 90.0 {
            return Err(format!("latitude {lat} is outside -90..90"));
        }
        if lon.abs() > 180.0 {
            return Err(format!("longitude {lon} is outside -180..180"));
        }
        Ok(PlannedPoint {
            kind,
            leg,
            lat,
            lon,
        })
    }
}

impl PlannedPoint {
    /// The point of a tour document.
    pub fn tour_point(&self) -> TourPoint {
        TourPoint {
            leg: self.leg,
            ..TourPoint::new(self.kind, [self.lat, self.lon])
        }
    }

    /// `stop` or `via`.
    pub fn word(&self) -> &'static str {
        match self.kind {
            PointKind::Stop => "stop",
            PointKind::Via => "via",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<PlannedPoint, String> {
        text.parse()
    }

    #[test]
    fn points_are_read_as_written() {
        let stop = PlannedPoint {
            kind: PointKind::Stop,
            leg: LegKind::Road,
            lat: -45.5,
            lon: -0.25,
        };
        assert_eq!(parse("stop:-45.5,-.25"), Ok(stop.clone()));
        assert_eq!(parse("stop: -45.5 , -0.25"), Ok(stop.clone()));
        let via = PlannedPoint {
            kind: PointKind::Via,
            leg: LegKind::Free,
            ..stop
        };
        assert_eq!(parse("free:via:-45.5,-0.25"), Ok(via));
        assert!(parse("stop:90,-180").is_ok());
    }

    #[test]
    fn nonsense_is_refused() {
        for bad in [
            "",
            "stop",
            "stop:",
            "stop:1",
            "stop:1,2,3",
            "stop:1;2",
            "stop:nan,1",
            "stop:inf,1",
            "via:free:1,2",
            "stop:1,",
            "halt:1,2",
            "1,2",
            "stop:91,100",
            "stop:1,181",
            "free:1,2",
        ] {
            assert!(parse(bad).is_err(), "{bad:?}");
        }
        assert!(parse("stop:139.7,35.6").unwrap_err().contains("swapped"));
    }
}
