//! Writing GPX 1.1: exactly the published schema, one default namespace, no extensions.

use super::xml::{clean, push_element, push_escaped};
use super::{Fix, Ride, Waypoint, degrees, format_time, metres};

/// Where the terms of OpenStreetMap's data are found.
const OPENSTREETMAP_TERMS: &str = "https://www.openstreetmap.org/copyright";

/// A GPX 1.1 document in UTF-8, valid against the schema; element order as the schema has it.
/// Positions to 1e-7 degree, heights to 0.1 m, times to the millisecond.
pub fn write_gpx(ride: &Ride) -> Vec<u8> {
    let mut out = String::from(concat!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n",
        "<gpx xmlns=\"http://www.topografix.com/GPX/1/1\" version=\"1.1\" creator=\"Lacet\">\n",
    ));
    push_metadata(&mut out, ride);
    for waypoint in &ride.waypoints {
        push_waypoint(&mut out, "  ", "wpt", waypoint);
    }
    for route in &ride.routes {
        out.push_str("  <rte>\n");
        push_element(&mut out, "    ", "name", &clean(&route.name));
        for point in &route.points {
            push_waypoint(&mut out, "    ", "rtept", point);
        }
        out.push_str("  </rte>\n");
    }
    for track in &ride.tracks {
        out.push_str("  <trk>\n");
        push_element(&mut out, "    ", "name", &clean(&track.name));
        for segment in &track.segments {
            out.push_str("    <trkseg>\n");
            for fix in segment {
                push_fix(&mut out, fix);
            }
            out.push_str("    </trkseg>\n");
        }
        out.push_str("  </trk>\n");
    }
    out.push_str("</gpx>\n");
    out.into_bytes()
}

fn push_metadata(out: &mut String, ride: &Ride) {
    let (name, text) = (clean(&ride.name), clean(&ride.text));
    let credit = ride.credit.as_deref().map(clean).filter(|c| !c.is_empty());
    if name.is_empty() && text.is_empty() && credit.is_none() {
        return;
    }
    out.push_str("  <metadata>\n");
    push_element(out, "    ", "name", &name);
    push_element(out, "    ", "desc", &text);
    if let Some(credit) = credit {
        out.push_str("    <copyright author=\"");
        push_escaped(out, &super::gpx::one_line(&credit));
        if credit.contains("OpenStreetMap") {
            out.push_str("\">\n");
            push_element(out, "      ", "license", OPENSTREETMAP_TERMS);
            out.push_str("    </copyright>\n");
        } else {
            out.push_str("\"/>\n");
        }
    }
    out.push_str("  </metadata>\n");
}

fn push_waypoint(out: &mut String, indent: &str, element: &str, point: &Waypoint) {
    push_place(out, indent, element, &point.at);
    let inner = format!("{indent}  ");
    let before = out.len();
    out.push_str(">\n");
    let bare = out.len();
    if let Some(height_m) = point.at.height_m.filter(|h| h.is_finite()) {
        push_element(out, &inner, "ele", &metres(height_m));
    }
    if let Some(time) = point.at.time_s.and_then(format_time) {
        push_element(out, &inner, "time", &time);
    }
    push_element(out, &inner, "name", &clean(&point.name));
    push_element(out, &inner, "desc", &clean(&point.text));
    push_element(out, &inner, "type", &clean(&point.kind));
    if out.len() == bare {
        out.truncate(before);
        out.push_str("/>\n");
    } else {
        out.push_str(&format!("{indent}</{element}>\n"));
    }
}

fn push_fix(out: &mut String, fix: &Fix) {
    push_place(out, "      ", "trkpt", fix);
    let height = fix.height_m.filter(|h| h.is_finite()).map(metres);
    let time = fix.time_s.and_then(format_time);
    if height.is_none() && time.is_none() {
        out.push_str("/>\n");
        return;
    }
    out.push('>');
    for (name, text) in [("ele", height), ("time", time)] {
        if let Some(text) = text {
            out.push_str(&format!("<{name}>{text}</{name}>"));
        }
    }
    out.push_str("</trkpt>\n");
}

fn push_place(out: &mut String, indent: &str, element: &str, fix: &Fix) {
    // The schema ends just before 180° east; the same meridian is 180° west.
    let lon = if (fix.lon * 1e7).round() >= 1.8e9 {
        -180.0
    } else {
        fix.lon
    };
    let (lat, lon) = (degrees(fix.lat), degrees(lon));
    out.push_str(&format!("{indent}<{element} lat=\"{lat}\" lon=\"{lon}\""));
}
