//! What an import comes across: files in folders, and files in zips. Nothing is ever unpacked to
//! the disk; a name in a zip is only shown, never opened.

use std::fs::File;
use std::io::{BufReader, Read};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use planner::files::MAX_BYTES;
use zip::ZipArchive;

/// Most folders within folders.
const MAX_DEPTH: usize = 24;
/// Most files of one import.
const MAX_FILES: usize = 1_000_000;
/// Most files of one zip.
const MAX_ENTRIES: usize = 200_000;
/// A zip may claim to be so many times its size; text presses to a tenth or a thirtieth.
const MAX_RATIO: u64 = 200;
/// Sizes below which the ratio is not asked, bytes.
const SMALL: u64 = 10_000_000;

/// One file to read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Source {
    /// The file on the disk.
    pub path: PathBuf,
    /// Its number in the zip, if that is one.
    pub entry: Option<usize>,
    /// What it is called in lists: the path, or `zip: name`.
    pub label: String,
    /// Bytes, as far as is known.
    pub bytes: u64,
    /// Last change, Unix seconds; of an entry its checksum.
    pub modified_s: i64,
}

/// Everything that was found, and what could not be opened, with the reason.
#[derive(Debug, Default)]
pub(crate) struct Sources {
    pub files: Vec<Source>,
    pub troubles: Vec<(String, String)>,
    /// Zips that a shelf was exported to.
    pub bundles: Vec<PathBuf>,
    /// Files that hold no rides by their name.
    pub ignored: u64,
}

/// Whether a file may hold a ride, by its ending; whether it is a zip.
fn ending(name: &str) -> (bool, bool) {
    let ending = name.rsplit_once('.').map(|(_, e)| e.to_ascii_lowercase());
    match ending.as_deref() {
        Some("gpx" | "kml" | "geojson") => (true, false),
        Some("zip" | "kmz") => (false, true),
        _ => (false, false),
    }
}

/// Walks folders and looks into zips. Named files are taken whatever they are called; in folders
/// and zips the ending decides. Links are not followed.
pub(crate) fn walk(paths: &[PathBuf]) -> Sources {
    let mut out = Sources::default();
    for path in paths {
        match path.metadata() {
            Ok(meta) if meta.is_dir() => folder(path, 0, &mut out),
            Ok(meta) if meta.is_file() => file(path, &meta, true, &mut out),
            Ok(_) => out.trouble(path, "it is neither a file nor a folder"),
            Err(e) => out.trouble(path, &plain(&e)),
        }
    }
    out
}

impl Sources {
    fn trouble(&mut self, path: &Path, reason: &str) {
        self.troubles
            .push((path.display().to_string(), reason.to_owned()));
    }
}

fn folder(path: &Path, depth: usize, out: &mut Sources) {
    if depth > MAX_DEPTH {
        return out.trouble(
            path,
            "folders are nested too deep here; name this one by itself",
        );
    }
    let entries = match std::fs::read_dir(path) {
        Ok(entries) => entries,
        Err(e) => return out.trouble(path, &plain(&e)),
    };
    let mut entries: Vec<_> = entries.flatten().map(|e| e.path()).collect();
    entries.sort();
    for entry in entries {
        if out.files.len() >= MAX_FILES {
            return out.trouble(path, "more than a million files; import the rest by itself");
        }
        match entry.symlink_metadata() {
            Ok(meta) if meta.is_dir() => folder(&entry, depth + 1, out),
            Ok(meta) if meta.is_file() => file(&entry, &meta, false, out),
            // Links may lead round in circles, pipes never end.
            Ok(_) => out.ignored += 1,
            Err(e) => out.trouble(&entry, &plain(&e)),
        }
    }
}

fn file(path: &Path, meta: &std::fs::Metadata, named: bool, out: &mut Sources) {
    let (ride, zip) = ending(&path.to_string_lossy());
    let modified_s = meta
        .modified()
        .ok()
        .and_then(|m| m.duration_since(SystemTime::UNIX_EPOCH).ok());
    let modified_s = modified_s.map_or(0, |d| d.as_secs().cast_signed());
    if zip {
        if let Err(reason) = entries(path, modified_s, out) {
            out.trouble(path, &reason);
        }
    } else if ride || named {
        let label = path.display().to_string();
        out.files.push(Source {
            path: path.into(),
            entry: None,
            label,
            bytes: meta.len(),
            modified_s,
        });
    } else {
        out.ignored += 1;
    }
}

fn entries(path: &Path, modified_s: i64, out: &mut Sources) -> Result<(), String> {
    let mut zip = open(path)?;
    if crate::exchange::is_bundle(&mut zip) {
        out.bundles.push(path.into());
        return Ok(());
    }
    let size = path.metadata().map_or(0, |m| m.len());
    if zip.len() > MAX_ENTRIES {
        return Err(format!(
            "the zip claims {} files; import it in several",
            zip.len()
        ));
    }
    let mut claimed = 0u64;
    let mut found = Vec::new();
    for n in 0..zip.len() {
        let entry = match zip.by_index_raw(n) {
            Ok(entry) => entry,
            Err(e) => {
                out.troubles
                    .push((format!("{}: file {}", path.display(), n + 1), e.to_string()));
                continue;
            }
        };
        let name = shown(entry.name());
        if entry.is_dir() {
            continue;
        }
        let (ride, zip) = ending(&name);
        let label = format!("{}: {name}", path.display());
        if zip {
            out.troubles.push((
                label,
                "a zip in a zip is not opened; unpack the outer one".into(),
            ));
        } else if ride {
            claimed = claimed.saturating_add(entry.size());
            found.push(Source {
                path: path.into(),
                entry: Some(n),
                label,
                bytes: entry.size(),
                modified_s: modified_s ^ i64::from(entry.crc32()) << 31,
            });
        } else {
            out.ignored += 1;
        }
    }
    if claimed > SMALL && claimed / MAX_RATIO > size {
        return Err(format!(
            "the zip of {size} bytes claims to hold {claimed}: no honest one does, so nothing of it was read"
        ));
    }
    out.files.extend(found);
    Ok(())
}

pub(crate) fn open(path: &Path) -> Result<ZipArchive<BufReader<File>>, String> {
    let file = File::open(path).map_err(|e| plain(&e))?;
    ZipArchive::new(BufReader::new(file)).map_err(|e| format!("the zip cannot be opened: {e}"))
}

/// Reads sources; keeps the last zip open.
#[derive(Default)]
pub(crate) struct Reader {
    zip: Option<(PathBuf, ZipArchive<BufReader<File>>)>,
}

impl Reader {
    /// All bytes of a source, at most [`MAX_BYTES`]; or why not.
    pub fn read(&mut self, source: &Source) -> Result<Vec<u8>, String> {
        let limit = MAX_BYTES as u64 + 1;
        let mut bytes = Vec::new();
        match source.entry {
            None => {
                let file = File::open(&source.path).map_err(|e| plain(&e))?;
                bytes.reserve(source.bytes.min(limit) as usize);
                file.take(limit)
                    .read_to_end(&mut bytes)
                    .map_err(|e| plain(&e))?;
            }
            Some(n) => {
                if self
                    .zip
                    .as_ref()
                    .is_none_or(|(path, _)| *path != source.path)
                {
                    self.zip = Some((source.path.clone(), open(&source.path)?));
                }
                let Some((_, zip)) = &mut self.zip else {
                    return Err("the zip was closed".into());
                };
                let entry = zip.by_index(n).map_err(|e| e.to_string())?;
                // What a zip claims of its sizes is not believed while reading.
                let most = limit.min(SMALL.max(entry.compressed_size().saturating_mul(MAX_RATIO)));
                let mut entry = entry.take(most);
                entry
                    .read_to_end(&mut bytes)
                    .map_err(|e| format!("it cannot be unpacked: {}", plain(&e)))?;
                if bytes.len() as u64 == most && most < limit {
                    return Err(
                        "it unpacks to far more than any ride: nothing of it was kept".into(),
                    );
                }
            }
        }
        if bytes.len() > MAX_BYTES {
            return Err(format!(
                "larger than the {} MB that are read",
                MAX_BYTES / 1_000_000
            ));
        }
        Ok(bytes)
    }
}

/// A name from a zip as one short line, whatever is in it.
fn shown(name: &str) -> String {
    name.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .take(300)
        .collect()
}

/// What the system said, without its error number.
pub(crate) fn plain(e: &std::io::Error) -> String {
    e.to_string()
        .split(" (os error")
        .next()
        .unwrap_or_default()
        .to_lowercase()
}
