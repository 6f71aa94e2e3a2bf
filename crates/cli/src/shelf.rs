//! `lacet shelf` and `lacet password`.

use std::io::{BufRead, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

use clap::Subcommand;
use serde::Serialize;
use server::access;
use server::data::DataDir;
use server::regions::Regions;
use server::survey::Country;
use shelf::{
    Card, ExchangeError, Fate, Filter, ImportProgress, Key, Question, Selection, Shelf, ShelfError,
    Trouble,
};

use crate::failure::{Failure, Outcome};
use crate::files::{print_json, say};
use crate::progress::Progress;
use crate::regions::size;
use crate::serve::now_s;
use crate::stop::Stop;

/// Troubles that are told one by one.
const TOLD: usize = 20;

/// What is done with the shelf.
#[derive(Debug, Subcommand)]
pub enum Deed {
    /// Brings in GPX, KML and GeoJSON files, folders and zips of them, and exported zips; goes on
    /// where it was stopped
    Import {
        /// Files, folders, zips
        #[arg(value_name = "PATH", required = true)]
        paths: Vec<PathBuf>,
    },
    /// Lists what is there: all, or what the filters let through
    List {
        /// Words, and kind: name: note: tag: place: date: length: time: climb: height: pass: region: rating: in:
        #[arg(value_name = "FILTER")]
        filters: Vec<String>,
        /// At most so many
        #[arg(long, value_name = "N", default_value_t = 1000)]
        limit: usize,
    },
    /// Writes tours, recordings and marks as one zip of open formats, which import reads again
    Export {
        /// Keys from the list, as in t3 r17; c4 for collection 4; all for everything
        #[arg(value_name = "ID", required = true)]
        ids: Vec<String>,
        /// Zip to write
        #[arg(short, long, value_name = "FILE")]
        output: PathBuf,
    },
    /// Copies the whole store to a file, also while Lacet is serving it
    Backup {
        /// File to write; a backup there is replaced
        #[arg(value_name = "FILE")]
        file: PathBuf,
    },
}

/// Does it.
pub fn run(data: &DataDir, deed: Deed, json: bool) -> Outcome {
    data.create()
        .map_err(|e| Failure::io("make the data directory", data.root(), &e))?;
    let shelf = Shelf::open(&data.shelf())
        .map_err(|e| Failure::data(e.to_string(), "nothing was changed"))?;
    match deed {
        Deed::Import { paths } => import(data, &shelf, &paths, json),
        Deed::List { filters, limit } => list(&shelf, &filters, limit, json),
        Deed::Export { ids, output } => export(&shelf, &ids, &output),
        Deed::Backup { file } => {
            let bytes = shelf
                .backup(&file)
                .map_err(|e| Failure::user(e.to_string(), "the shelf itself is as it was"))?;
            eprintln!("{}: {}", file.display(), size(bytes));
            Ok(())
        }
    }
}

#[derive(Serialize)]
struct Imported<'a> {
    files: usize,
    kept: usize,
    recordings: usize,
    same_file: usize,
    same_ride: usize,
    broken: Vec<Line<'a>>,
    duplicates: Vec<Line<'a>>,
    done_before: usize,
    ignored: u64,
    keys: Vec<String>,
}

#[derive(Serialize)]
struct Line<'a> {
    file: &'a str,
    reason: &'a str,
}

fn lines(troubles: &[Trouble]) -> Vec<Line<'_>> {
    troubles
        .iter()
        .map(|t| Line {
            file: &t.file,
            reason: &t.reason,
        })
        .collect()
}

fn import(data: &DataDir, shelf: &Shelf, paths: &[PathBuf], json: bool) -> Outcome {
    let stop = Stop::listen()?;
    for path in paths {
        path.metadata().map_err(|e| Failure::io("read", path, &e))?;
    }
    let country = Country::open(&Regions::new(data.clone()));
    let progress = Progress::new();
    let threads = std::thread::available_parallelism().map_or(2, usize::from);
    let show =
        |p: &ImportProgress| progress.show("importing recordings", p.done as u64, p.files as u64);
    let summary = shelf.import(paths, &country, threads, now_s(), &show, stop.flag());
    progress.finish();
    let summary = summary.map_err(|e| {
        Failure::user(
            e.to_string(),
            "import again: what was done is not done twice",
        )
    })?;
    let fate = |f: Fate| summary.progress.fates[f as usize];
    if json {
        print_json(&Imported {
            files: summary.progress.files,
            kept: fate(Fate::Kept),
            recordings: summary.progress.recordings,
            same_file: fate(Fate::SameFile),
            same_ride: fate(Fate::SameRide),
            broken: lines(&summary.broken),
            duplicates: lines(&summary.duplicates),
            done_before: fate(Fate::Done),
            ignored: summary.ignored,
            keys: summary.keys.iter().map(Key::to_string).collect(),
        })?;
    } else {
        for (word, troubles) in [
            ("not kept", &summary.broken),
            ("there already", &summary.duplicates),
        ] {
            for t in troubles.iter().take(TOLD) {
                eprintln!("{word}: {}: {}", t.file, t.reason);
            }
            if troubles.len() > TOLD {
                eprintln!(
                    "{word}: and {} more; --json lists all",
                    troubles.len() - TOLD
                );
            }
        }
        say(&format!(
            "{} files: {} kept with {} recordings, {} there already, {} dealt with before, {} not kept",
            summary.progress.files,
            fate(Fate::Kept),
            summary.progress.recordings,
            fate(Fate::SameFile) + fate(Fate::SameRide),
            fate(Fate::Done),
            fate(Fate::Broken),
        ))?;
    }
    if summary.cancelled || stop.flag().load(Ordering::Relaxed) {
        return Err(Failure::user(
            "canceled; what was done is kept",
            "import again to go on",
        ));
    }
    match (fate(Fate::Broken), summary.progress.files) {
        (0, 0) => Err(Failure::user(
            "there is no GPX, KML or GeoJSON file there",
            "name a file, a folder or a zip with some",
        )),
        (n, files) if n == files => Err(Failure::data(
            "none of the files could be kept",
            "see the reasons above",
        )),
        _ => Ok(()),
    }
}

#[derive(Serialize)]
struct Row<'a> {
    key: String,
    name: &'a str,
    date: Option<&'a str>,
    length_m: Option<f64>,
    riding_s: Option<f64>,
    climb_m: Option<f64>,
    highest_m: Option<f64>,
    pass: &'a str,
    pass_m: Option<f64>,
    regions: &'a [String],
    tags: &'a [String],
    rating: Option<u8>,
    note: &'a str,
    bounds_deg: Option<[f64; 4]>,
}

fn list(shelf: &Shelf, filters: &[String], limit: usize, json: bool) -> Outcome {
    // A filter with blanks in it was quoted in the shell: it is one phrase.
    let phrase = |f: &String| match f.split_once(':') {
        _ if !f.contains(' ') || f.contains('"') => f.clone(),
        Some((key, value)) if key.chars().all(|c| c.is_ascii_alphabetic()) => {
            format!("{key}:\"{value}\"")
        }
        _ => f.clone(),
    };
    let text: Vec<String> = filters.iter().map(phrase).collect();
    let filter = Filter::parse(&text.join(" "))
        .map_err(|e| Failure::user(e.to_string(), "'lacet shelf list --help' lists the filters"))?;
    let question = Question {
        filter,
        limit,
        ..Question::default()
    };
    let found = shelf.search(&question).map_err(|e| failure(&e))?;
    if json {
        let rows: Vec<Row> = found.cards.iter().map(row).collect();
        return print_json(&rows);
    }
    for card in &found.cards {
        let length = card
            .length_m
            .map_or(String::new(), |m| format!("{:.0} km", m / 1000.0));
        let time = card.riding_s.map_or(String::new(), |s| {
            format!("{}:{:02} h", s as u64 / 3600, s as u64 / 60 % 60)
        });
        let tags = if card.tags.is_empty() {
            String::new()
        } else {
            format!("  [{}]", card.tags.join(", "))
        };
        say(&format!(
            "{:>6}  {:10}  {length:>8}  {time:>8}  {}{tags}",
            card.key.to_string(),
            card.date.as_deref().unwrap_or(""),
            card.name
        ))?;
    }
    if found.total > found.cards.len() {
        eprintln!(
            "{} of {}; --limit N shows more",
            found.cards.len(),
            found.total
        );
    }
    Ok(())
}

fn row(card: &Card) -> Row<'_> {
    Row {
        key: card.key.to_string(),
        name: &card.name,
        date: card.date.as_deref(),
        length_m: card.length_m,
        riding_s: card.riding_s,
        climb_m: card.climb_m,
        highest_m: card.highest_m,
        pass: &card.pass,
        pass_m: card.pass_m,
        regions: &card.regions,
        tags: &card.tags,
        rating: card.rating,
        note: &card.note,
        bounds_deg: card.bounds,
    }
}

fn export(shelf: &Shelf, ids: &[String], output: &Path) -> Outcome {
    let unknown = |id: &str| {
        Failure::user(
            format!("'{id}' is no key"),
            "take one from 'lacet shelf list', as in t3 or r17; c4 for collection 4; all for everything",
        )
    };
    let selection = match ids {
        [id] if id == "all" => Selection::All,
        [id] if id.starts_with('c') => {
            let number = id.get(1..).and_then(|n| n.parse().ok());
            Selection::Collection(number.ok_or_else(|| unknown(id))?)
        }
        ids => Selection::Keys(
            ids.iter()
                .map(|id| Key::parse(id).ok_or_else(|| unknown(id)))
                .collect::<Result<_, _>>()?,
        ),
    };
    let io = |e: &std::io::Error| Failure::io("write", output, e);
    let dir = output
        .parent()
        .filter(|p| !p.as_os_str().is_empty())
        .unwrap_or(Path::new("."));
    let mut file = tempfile::Builder::new()
        .prefix(".lacet-")
        .tempfile_in(dir)
        .map_err(|e| io(&e))?;
    shelf
        .export(&selection, file.as_file_mut())
        .map_err(|e| match e {
            ExchangeError::Shelf(e) => failure(&e),
            e => Failure::user(e.to_string(), "nothing was written"),
        })?;
    file.as_file().sync_all().map_err(|e| io(&e))?;
    let written = file.persist(output).map_err(|e| io(&e.error))?;
    eprintln!(
        "{}: {}",
        output.display(),
        size(written.metadata().map_or(0, |m| m.len()))
    );
    Ok(())
}

fn failure(e: &ShelfError) -> Failure {
    let what = e.to_string();
    match e {
        ShelfError::Unknown { .. } | ShelfError::NoCollection { .. } => {
            Failure::user(what, "'lacet shelf list' shows what there is")
        }
        ShelfError::Full { .. }
        | ShelfError::Disk { .. }
        | ShelfError::Busy { .. }
        | ShelfError::Forbidden { .. } => Failure::user(what, ""),
        _ => Failure::data(what, "put a backup in its place"),
    }
}

/// Sets the password that other machines are asked for.
pub fn password(data: &DataDir) -> Outcome {
    data.create()
        .map_err(|e| Failure::io("make the data directory", data.root(), &e))?;
    let input = std::io::stdin();
    let password = if input.is_terminal() {
        let ask = |prompt: &str| {
            rpassword::prompt_password(prompt)
                .map_err(|e| Failure::user(format!("the password cannot be read: {e}"), ""))
        };
        let first = ask("New password: ")?;
        if ask("Once more: ")? != first {
            return Err(Failure::user(
                "the two are not the same",
                "nothing was changed; try again",
            ));
        }
        first
    } else {
        let mut line = String::new();
        input
            .lock()
            .read_line(&mut line)
            .map_err(|e| Failure::user(format!("the password cannot be read: {e}"), ""))?;
        line.trim_end_matches(['\r', '\n']).to_owned()
    };
    access::set_password(&data.password(), &password)
        .map_err(|e| Failure::user(e.to_string(), "nothing was changed"))?;
    let _ = writeln!(
        std::io::stderr(),
        "the password is set; a Lacet that is serving asks for it after its next start"
    );
    Ok(())
}
