//! OSM XML 0.6 writer: <https://wiki.openstreetmap.org/wiki/OSM_XML>.

use std::io::{self, Write};

use crate::world::{MemberKind, Tags, World};

/// Writes the whole world.
pub(crate) fn write(world: &World, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "<?xml version='1.0' encoding='UTF-8'?>")?;
    writeln!(out, "<osm version=\"0.6\" generator=\"lacet\">")?;
    if let Some((south, west, north, east)) = world.bounds_e7() {
        writeln!(
            out,
            " <bounds minlat=\"{}\" minlon=\"{}\" maxlat=\"{}\" maxlon=\"{}\"/>",
            Degrees(south),
            Degrees(west),
            Degrees(north),
            Degrees(east)
        )?;
    }
    for node in &world.nodes {
        let (lat, lon) = (Degrees(node.lat_e7), Degrees(node.lon_e7));
        writeln!(
            out,
            " <node id=\"{}\" version=\"1\" lat=\"{lat}\" lon=\"{lon}\">",
            node.id
        )?;
        tags(out, &node.tags)?;
        writeln!(out, " </node>")?;
    }
    for way in &world.ways {
        writeln!(out, " <way id=\"{}\" version=\"1\">", way.id)?;
        for id in &way.refs {
            writeln!(out, "  <nd ref=\"{id}\"/>")?;
        }
        tags(out, &way.tags)?;
        writeln!(out, " </way>")?;
    }
    for relation in &world.relations {
        writeln!(out, " <relation id=\"{}\" version=\"1\">", relation.id)?;
        for member in &relation.members {
            let kind = match member.kind {
                MemberKind::Node => "node",
                MemberKind::Way => "way",
                MemberKind::Relation => "relation",
            };
            let role = escape(&member.role);
            writeln!(
                out,
                "  <member type=\"{kind}\" ref=\"{}\" role=\"{role}\"/>",
                member.id
            )?;
        }
        tags(out, &relation.tags)?;
        writeln!(out, " </relation>")?;
    }
    writeln!(out, "</osm>")
}

fn tags(out: &mut dyn Write, tags: &Tags) -> io::Result<()> {
    for (key, value) in tags {
        writeln!(
            out,
            "  <tag k=\"{}\" v=\"{}\"/>",
            escape(key),
            escape(value)
        )?;
    }
    Ok(())
}

fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            // Attribute values fold line breaks and tabs into spaces unless they are references.
            '\n' | '\r' | '\t' => safe.push_str(&format!("&#{};", c as u32)),
            _ => safe.push(c),
        }
    }
    safe
}

/// Prints 1e-7 degrees exactly, without a detour through floating point.
struct Degrees(i32);

impl std::fmt::Display for Degrees {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let sign = if self.0 < 0 { "-" } else { "" };
        let e7 = self.0.unsigned_abs();
        write!(f, "{sign}{}.{:07}", e7 / 10_000_000, e7 % 10_000_000)
    }
}
