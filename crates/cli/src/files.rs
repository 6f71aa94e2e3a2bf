//! `lacet convert` and `lacet check`; reading and writing of ride files for all commands.

use std::io::{Read, Write};
use std::path::Path;

use planner::files::{self, ReadError, Ride, Severity};
use serde::Serialize;

use crate::failure::{Failure, Outcome};

/// A format that can be written, by a file's ending.
#[derive(Clone, Copy, Debug)]
pub enum Format {
    /// GPX 1.1
    Gpx,
    /// GeoJSON
    GeoJson,
    /// KML 2.2
    Kml,
}

impl Format {
    fn of(path: &Path) -> Result<Self, Failure> {
        let ending = path
            .extension()
            .and_then(|e| e.to_str())
            .unwrap_or("")
            .to_ascii_lowercase();
        match ending.as_str() {
            "gpx" => Ok(Format::Gpx),
            "geojson" | "json" => Ok(Format::GeoJson),
            "kml" => Ok(Format::Kml),
            _ => Err(Failure::user(
                format!("{} does not say in which format to write", path.display()),
                "end the name with .gpx, .geojson or .kml",
            )),
        }
    }

    /// The bytes of a ride.
    pub fn write(self, ride: &Ride) -> Vec<u8> {
        match self {
            Format::Gpx => files::write_gpx(ride),
            Format::GeoJson => files::write_geojson(ride),
            Format::Kml => files::write_kml(ride),
        }
    }
}

/// Reads files, puts what they hold together in their order, and writes one.
pub fn convert(paths: &[std::path::PathBuf], output: &Path) -> Outcome {
    let format = Format::of(output)?;
    let mut whole: Option<Ride> = None;
    for path in paths {
        let ride = read(path)?;
        for warning in &ride.warnings {
            eprintln!("warning: {}: {warning}", path.display());
        }
        match &mut whole {
            None => whole = Some(ride),
            Some(whole) => {
                whole.tracks.extend(ride.tracks);
                whole.routes.extend(ride.routes);
                whole.waypoints.extend(ride.waypoints);
                whole.credit = whole.credit.take().or(ride.credit);
            }
        }
    }
    let whole = whole.unwrap_or_default();
    replace(output, &format.write(&whole))?;
    let c = whole.counts();
    eprintln!(
        "{}: {} tracks with {} points, {} routes with {} points, {} waypoints",
        output.display(),
        c.tracks,
        c.track_points,
        c.routes,
        c.route_points,
        c.waypoints
    );
    Ok(())
}

#[derive(Serialize)]
struct Finding<'a> {
    severity: &'static str,
    line: Option<usize>,
    text: &'a str,
}

/// Lists objections to a GPX file; bad data if there is an error among them.
pub fn check(path: &Path, json: bool) -> Outcome {
    let bytes = bytes(path)?;
    let objections = files::check(&bytes);
    let findings: Vec<Finding> = objections
        .iter()
        .map(|o| Finding {
            severity: match o.severity {
                Severity::Error => "error",
                Severity::Warning => "warning",
                Severity::Note => "note",
            },
            line: o.line,
            text: &o.text,
        })
        .collect();
    let errors = objections
        .iter()
        .filter(|o| o.severity == Severity::Error)
        .count();
    if json {
        print_json(&findings)?;
    } else {
        for f in &findings {
            let line = f.line.map(|n| format!("{n}:")).unwrap_or_default();
            say(&format!(
                "{}:{line} {}: {}",
                path.display(),
                f.severity,
                f.text
            ))?;
        }
        if findings.is_empty() {
            say(&format!("{}: nothing to object to", path.display()))?;
        }
    }
    match errors {
        0 => Ok(()),
        n => Err(Failure::data(
            format!(
                "{}: {n} error{}",
                path.display(),
                if n == 1 { "" } else { "s" }
            ),
            "'lacet convert FILE -o FILE.gpx' writes what can be read of it as valid GPX",
        )),
    }
}

/// Reads a ride file of any format.
pub fn read(path: &Path) -> Result<Ride, Failure> {
    let bytes = bytes(path)?;
    files::read(&path.display().to_string(), &bytes).map_err(|e| unreadable(&e))
}

fn unreadable(e: &ReadError) -> Failure {
    Failure::data(e.to_string(), "GPX, GeoJSON and KML are read")
}

/// The bytes of a file, refused when there are more than any reader takes.
pub fn bytes(path: &Path) -> Result<Vec<u8>, Failure> {
    let io = |e| Failure::io("read", path, &e);
    let mut file = std::fs::File::open(path).map_err(io)?;
    let mut bytes = Vec::new();
    let limit = files::MAX_BYTES as u64 + 1;
    if file.metadata().map_err(io)?.len() < limit {
        Read::by_ref(&mut file)
            .take(limit)
            .read_to_end(&mut bytes)
            .map_err(io)?;
        if (bytes.len() as u64) < limit {
            return Ok(bytes);
        }
    }
    Err(unreadable(&ReadError::too_large(
        &path.display().to_string(),
    )))
}

/// Writes a file whole or not at all: beside its place, then renamed.
pub fn replace(path: &Path, bytes: &[u8]) -> Outcome {
    let io = |e| Failure::io("write", path, &e);
    // Devices and pipes are written to, not replaced.
    if path.metadata().is_ok_and(|m| !m.is_file() && !m.is_dir()) {
        return std::fs::File::create(path)
            .and_then(|mut f| f.write_all(bytes))
            .map_err(io);
    }
    let dir = path
        .parent()
        .filter(|p| !p.as_os_str().is_empty())
        .unwrap_or(Path::new("."));
    let mut builder = tempfile::Builder::new();
    builder.prefix(".lacet-");
    // Like any new file, not private as temporary files are.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    let mut file = builder.tempfile_in(dir).map_err(io)?;
    file.write_all(bytes).map_err(io)?;
    file.as_file().sync_all().map_err(io)?;
    file.persist(path).map_err(|e| io(e.error))?;
    Ok(())
}

/// Writes a file onto a unit that may be unplugged at any moment: to a temporary name beside its
/// place, flushed, read back and compared; only then does it take the place of the old one.
pub fn replace_checked(path: &Path, bytes: &[u8]) -> Outcome {
    let io = |e| Failure::io("write", path, &e);
    let dir = path.parent().unwrap_or(Path::new("."));
    let mut builder = tempfile::Builder::new();
    builder.prefix(".lacet-");
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    let mut file = builder.tempfile_in(dir).map_err(io)?;
    file.write_all(bytes).map_err(io)?;
    file.as_file().sync_all().map_err(io)?;
    let back = std::fs::read(file.path()).map_err(io)?;
    if back != bytes {
        return Err(Failure::user(
            format!(
                "{} came back from the unit other than it was written",
                path.display()
            ),
            "the old file is untouched; check the unit's memory and try again",
        ));
    }
    file.persist(path).map_err(|e| io(e.error))?;
    // The new name must last as well; not every file system can be asked for it.
    if let Ok(dir) = std::fs::File::open(dir) {
        let _ = dir.sync_all();
    }
    Ok(())
}

/// A line of results. Whoever reads them may stop reading: that is no failure.
pub fn say(line: &str) -> Outcome {
    match writeln!(std::io::stdout(), "{line}") {
        Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => Err(Failure::io(
            "write results to",
            Path::new("standard output"),
            &e,
        )),
        _ => Ok(()),
    }
}

/// Results as JSON.
pub fn print_json<T: Serialize>(value: &T) -> Outcome {
    let text = serde_json::to_string(value)
        .map_err(|e| Failure::internal(format!("the result cannot be written as JSON: {e}")))?;
    say(&text)
}
