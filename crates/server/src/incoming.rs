//! Files that are sent to the shelf, and zips that it sends: imports run in the background, one
//! after the other, and go on after a restart, because what was sent lies in a folder until done.

use std::collections::BTreeMap;
use std::io::{Seek, SeekFrom};
use std::path::{Path as FilePath, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::body::Body;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, Request, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use http_body_util::BodyExt;
use serde::Deserialize;
use shelf::{ExchangeError, Fate, ImportProgress, ImportSummary, Key, Selection, Trouble};
use tokio::fs::File;
use tokio::io::AsyncWriteExt;
use tokio::sync::Semaphore;
use tokio_util::io::ReaderStream;

use crate::App;
use crate::answer::{Refusal, beside, json, ok};
use crate::api::{ImportInfo, TroubleInfo};
use crate::cards::keys;
use crate::survey::Country;

/// Largest upload, bytes.
const MAX_UPLOAD: u64 = 4_000_000_000;
/// A pause in an upload that ends it,
const PAUSE: Duration = Duration::from_secs(20);
/// and the least it must bring in that time, bytes.
const LEAST: u64 = 20_000;
/// Uploads at a time.
const MAX_UPLOADS: usize = 4;
/// Imports that are remembered when done.
const MAX_REMEMBERED: usize = 50;
/// Troubles and keys told of one import.
const MAX_TOLD: usize = 1000;

/// Imports, running and done.
pub(crate) struct Incoming {
    folder: PathBuf,
    jobs: Mutex<BTreeMap<u64, Arc<Job>>>,
    uploads: Semaphore,
    turn: Mutex<()>,
}

struct Job {
    name: String,
    cancel: AtomicBool,
    state: Mutex<JobState>,
}

struct JobState {
    word: &'static str,
    progress: ImportProgress,
    keys: Vec<Key>,
    troubles: Vec<Trouble>,
    trouble: Option<String>,
}

impl Incoming {
    /// Files lie in `folder` until they are done.
    pub fn new(folder: PathBuf) -> Self {
        Incoming {
            folder,
            jobs: Mutex::default(),
            uploads: Semaphore::new(MAX_UPLOADS),
            turn: Mutex::default(),
        }
    }

    fn jobs(&self) -> MutexGuard<'_, BTreeMap<u64, Arc<Job>>> {
        self.jobs.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A number that no import has, with a folder of its own.
    fn take_number(&self) -> std::io::Result<(u64, PathBuf)> {
        std::fs::create_dir_all(&self.folder)?;
        let jobs = self.jobs();
        let mut number = jobs.last_key_value().map_or(1, |(n, _)| n + 1);
        loop {
            let folder = self.folder.join(number.to_string());
            match std::fs::create_dir(&folder) {
                Ok(()) => return Ok((number, folder)),
                Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => number += 1,
                Err(e) => return Err(e),
            }
        }
    }

    /// Goes on with what an earlier run of the program did not finish; removes half uploads.
    pub fn resume(app: &Arc<App>) {
        let Ok(entries) = std::fs::read_dir(&app.incoming.folder) else {
            return;
        };
        for entry in entries.flatten() {
            let folder = entry.path();
            let number = entry
                .file_name()
                .to_str()
                .and_then(|n| n.parse::<u64>().ok());
            let file = std::fs::read_dir(&folder)
                .ok()
                .and_then(|mut f| f.next()?.ok())
                .map(|f| f.path());
            match (number, file) {
                (Some(number), Some(file)) if file.extension().is_some_and(|e| e != "part") => {
                    let name = file
                        .file_name()
                        .map_or_else(String::new, |n| n.to_string_lossy().into_owned());
                    app.start(number, name, file);
                }
                (Some(_), _) => {
                    let _ = std::fs::remove_dir_all(&folder);
                }
                _ => {}
            }
        }
    }
}

impl App {
    /// Imports a file that was sent, when its turn comes.
    fn start(self: &Arc<Self>, number: u64, name: String, file: PathBuf) {
        let state = JobState {
            word: "waiting",
            progress: ImportProgress::default(),
            keys: Vec::new(),
            troubles: Vec::new(),
            trouble: None,
        };
        let job = Arc::new(Job {
            name,
            cancel: AtomicBool::new(false),
            state: Mutex::new(state),
        });
        {
            let mut jobs = self.incoming.jobs();
            jobs.insert(number, job.clone());
            let done: Vec<u64> = jobs
                .iter()
                .filter(|(_, j)| j.is_over())
                .map(|(n, _)| *n)
                .collect();
            for n in done.iter().take(jobs.len().saturating_sub(MAX_REMEMBERED)) {
                jobs.remove(n);
            }
        }
        let app = self.clone();
        tokio::task::spawn_blocking(move || {
            let _turn = app
                .incoming
                .turn
                .lock()
                .unwrap_or_else(PoisonError::into_inner);
            // A server that stops leaves the rest for the next start.
            if *app.stopping.borrow() {
                return;
            }
            job.lock().word = "running";
            let country = Country::open(&app.regions);
            let threads = std::thread::available_parallelism().map_or(2, usize::from);
            let tell = |p: &ImportProgress| {
                job.lock().progress = p.clone();
                if *app.stopping.borrow() {
                    job.cancel.store(true, Ordering::Relaxed);
                }
            };
            let result = app.shelf.import(
                std::slice::from_ref(&file),
                &country,
                threads,
                (app.now_s)(),
                &tell,
                &job.cancel,
            );
            // What was cut short by the end of the program is there for its next start.
            if !*app.stopping.borrow()
                && let Some(folder) = file.parent()
            {
                let _ = std::fs::remove_dir_all(folder);
            }
            job.finish(result.map_err(|e| e.to_string()), &file);
        });
    }
}

impl Job {
    fn lock(&self) -> MutexGuard<'_, JobState> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn is_over(&self) -> bool {
        !matches!(self.lock().word, "waiting" | "running")
    }

    fn finish(&self, result: Result<ImportSummary, String>, file: &FilePath) {
        let mut state = self.lock();
        match result {
            Ok(summary) => {
                state.word = if summary.cancelled {
                    "cancelled"
                } else {
                    "done"
                };
                state.progress = summary.progress;
                state.keys = summary.keys;
                state.keys.truncate(MAX_TOLD);
                // The rider knows the file by its name, not by where it lay meanwhile.
                let folder = file
                    .parent()
                    .map(|p| format!("{}/", p.display()))
                    .unwrap_or_default();
                let told = summary
                    .broken
                    .into_iter()
                    .chain(summary.duplicates)
                    .take(MAX_TOLD);
                state.troubles = told
                    .map(|t| Trouble {
                        file: t.file.replace(&folder, ""),
                        ..t
                    })
                    .collect();
            }
            Err(trouble) => {
                state.word = "failed";
                state.trouble = Some(trouble);
            }
        }
    }

    fn info(&self, number: u64) -> ImportInfo {
        let state = self.lock();
        let fate = |f: Fate| state.progress.fates[f as usize];
        ImportInfo {
            number,
            name: self.name.clone(),
            state: state.word.into(),
            files: state.progress.files,
            done: state.progress.done,
            kept: fate(Fate::Kept),
            same_file: fate(Fate::SameFile) + fate(Fate::Done),
            same_ride: fate(Fate::SameRide),
            broken: fate(Fate::Broken),
            recordings: state.progress.recordings,
            keys: state.keys.iter().map(Key::to_string).collect(),
            troubles: state
                .troubles
                .iter()
                .map(|t| TroubleInfo {
                    file: t.file.clone(),
                    reason: t.reason.clone(),
                })
                .collect(),
            trouble: state.trouble.clone(),
        }
    }
}

#[derive(Deserialize)]
pub(crate) struct UploadQuestion {
    #[serde(default)]
    name: String,
}

/// Takes a file or a zip to the folder of incoming files, then imports it in the background.
pub(crate) async fn import(
    State(app): State<Arc<App>>,
    question: Result<Query<UploadQuestion>, QueryRejection>,
    request: Request,
) -> Result<Response, Refusal> {
    let Query(asked) = question?;
    let too_large = || {
        let hint =
            "send it in several parts, or import it on the machine itself: lacet shelf import PATH";
        Refusal::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            format!("more than {} MB were sent", MAX_UPLOAD / 1_000_000),
            hint,
        )
    };
    let announced = request.headers().get(header::CONTENT_LENGTH);
    let announced: Option<u64> = announced.and_then(|v| v.to_str().ok()?.parse().ok());
    if announced.is_some_and(|n| n > MAX_UPLOAD) {
        return Err(too_large());
    }
    let Ok(_upload) = app.incoming.uploads.try_acquire() else {
        let hint = "wait until one of them is done";
        return Err(Refusal::new(
            StatusCode::SERVICE_UNAVAILABLE,
            format!("{MAX_UPLOADS} files are being sent already"),
            hint,
        ));
    };
    // The sender's name is for showing: without a folder, without what no file system takes.
    let last = asked.name.rsplit(['/', '\\']).next().unwrap_or_default();
    let (stem, ending) = last.rsplit_once('.').unwrap_or((last, ""));
    let ending = match ending.to_ascii_lowercase().as_str() {
        "zip" | "kmz" => ".zip",
        "kml" => ".kml",
        "geojson" | "json" => ".geojson",
        _ => ".gpx",
    };
    let name = format!("{}{ending}", plain(stem));
    let incoming = app.clone();
    let disk = |e: std::io::Error| {
        Refusal::new(
            StatusCode::INSUFFICIENT_STORAGE,
            format!("the file cannot be taken: {e}"),
            "make room on the disk; what was kept before is safe",
        )
    };
    let (number, folder) = beside(move || incoming.incoming.take_number().map_err(disk)).await?;
    // An upload that breaks off, for whatever reason, leaves nothing behind.
    let mut half = Half(Some(folder.clone()));
    let part = folder.join("upload.part");
    let mut file = File::create(&part).await.map_err(disk)?;
    let mut body = request.into_body();
    let mut total = 0u64;
    let mut since = 0u64;
    let mut pause = std::pin::pin!(tokio::time::sleep(PAUSE));
    loop {
        let chunk = tokio::select! {
            chunk = body.frame() => Ok(chunk),
            () = &mut pause => Err(()),
        };
        let chunk = match chunk {
            Err(()) => {
                return Err(Refusal::new(
                    StatusCode::REQUEST_TIMEOUT,
                    "the file came too slowly",
                    "send it again",
                ));
            }
            Ok(None) => break,
            Ok(Some(Err(_))) => {
                return Err(Refusal::bad(
                    "the file did not arrive whole",
                    "send it again",
                ));
            }
            Ok(Some(Ok(frame))) => frame.into_data().unwrap_or_default(),
        };
        total += chunk.len() as u64;
        since += chunk.len() as u64;
        if total > MAX_UPLOAD {
            return Err(too_large());
        }
        if since >= LEAST {
            since = 0;
            pause.set(tokio::time::sleep(PAUSE));
        }
        file.write_all(&chunk).await.map_err(disk)?;
    }
    if total == 0 {
        return Err(Refusal::bad(
            "nothing was sent",
            "send a GPX file or a zip of them",
        ));
    }
    file.sync_all().await.map_err(disk)?;
    drop(file);
    let whole = folder.join(&name);
    tokio::fs::rename(&part, &whole).await.map_err(disk)?;
    half.0 = None;
    app.start(number, name, whole);
    let jobs = app.incoming.jobs();
    let info = jobs.get(&number).map(|job| job.info(number));
    let info = info.ok_or_else(|| Refusal::internal("the import was lost"))?;
    Ok(json(StatusCode::ACCEPTED, &info))
}

/// A name as part of a file's name.
fn plain(stem: &str) -> String {
    let taken = |c: &char| !c.is_control() && !"/\\:*?\"<>|".contains(*c);
    let mut name = String::new();
    for c in stem.trim_matches(['.', ' ']).chars().filter(taken) {
        if name.len() + c.len_utf8() > 150 {
            break;
        }
        name.push(c);
    }
    if name.is_empty() { "ride".into() } else { name }
}

/// Removes a folder unless told that it is whole.
struct Half(Option<PathBuf>);

impl Drop for Half {
    fn drop(&mut self) {
        if let Some(folder) = &self.0 {
            let _ = std::fs::remove_dir_all(folder);
        }
    }
}

pub(crate) async fn imports(State(app): State<Arc<App>>) -> Result<Response, Refusal> {
    let all: Vec<ImportInfo> = app
        .incoming
        .jobs()
        .iter()
        .rev()
        .map(|(n, job)| job.info(*n))
        .collect();
    ok(&all)
}

pub(crate) async fn cancel(
    State(app): State<Arc<App>>,
    Path(number): Path<String>,
) -> Result<Response, Refusal> {
    let unknown = || Refusal::missing("there is no such import", "choose one from the list");
    let number: u64 = number.parse().map_err(|_| unknown())?;
    let job = app
        .incoming
        .jobs()
        .get(&number)
        .cloned()
        .ok_or_else(unknown)?;
    job.cancel.store(true, Ordering::Relaxed);
    Ok(StatusCode::NO_CONTENT.into_response())
}

pub(crate) async fn troubles(State(app): State<Arc<App>>) -> Result<Response, Refusal> {
    // What was sent is known by its name, not by where it lay meanwhile.
    let folder = format!("{}/", app.incoming.folder.display());
    let all = beside(move || Ok(app.shelf.troubles()?)).await?;
    let shown = |file: String| match file.strip_prefix(&folder) {
        Some(rest) => rest.split_once('/').map_or(rest, |(_, f)| f).to_owned(),
        None => file,
    };
    let all: Vec<TroubleInfo> = all
        .into_iter()
        .map(|t| TroubleInfo {
            file: shown(t.file),
            reason: t.reason,
        })
        .collect();
    ok(&all)
}

#[derive(Deserialize)]
pub(crate) struct ExportQuestion {
    /// Keys, by commas.
    keys: Option<String>,
    collection: Option<i64>,
}

/// A zip of everything, of some things, or of a collection; put together on the disk and sent from
/// there.
pub(crate) async fn export(
    State(app): State<Arc<App>>,
    question: Result<Query<ExportQuestion>, QueryRejection>,
) -> Result<Response, Refusal> {
    let Query(asked) = question?;
    let (selection, name) = match (&asked.keys, asked.collection) {
        (Some(list), None) => {
            let list: Vec<String> = list.split(',').map(str::to_owned).collect();
            (Selection::Keys(keys(&list)?), "selection.zip".to_owned())
        }
        (None, Some(number)) => (
            Selection::Collection(number),
            format!("collection-{number}.zip"),
        ),
        (None, None) => (Selection::All, "shelf.zip".to_owned()),
        _ => {
            return Err(Refusal::bad(
                "keys and a collection were asked for at once",
                "ask for one of them",
            ));
        }
    };
    let file = beside(move || {
        let mut file = tempfile::tempfile_in(app.incoming.home()).map_err(|e| {
            Refusal::new(
                StatusCode::INSUFFICIENT_STORAGE,
                format!("the zip cannot be made: {e}"),
                "make room on the disk",
            )
        })?;
        app.shelf
            .export(&selection, &mut file)
            .map_err(|e| match e {
                ExchangeError::Shelf(e) => Refusal::from(e),
                e => Refusal::new(
                    StatusCode::INSUFFICIENT_STORAGE,
                    e.to_string(),
                    "make room on the disk",
                ),
            })?;
        file.seek(SeekFrom::Start(0))
            .map_err(|e| Refusal::internal(e.to_string()))?;
        Ok(file)
    })
    .await?;
    let len = file.metadata().map_or(0, |m| m.len());
    let disposition = HeaderValue::from_str(&format!("attachment; filename=\"{name}\""));
    let disposition = disposition.map_err(|_| Refusal::internal("the zip has no name"))?;
    let headers = [
        (
            header::CONTENT_TYPE,
            HeaderValue::from_static("application/zip"),
        ),
        (header::CONTENT_DISPOSITION, disposition),
        (header::CONTENT_LENGTH, HeaderValue::from(len)),
    ];
    Ok((
        headers,
        Body::from_stream(ReaderStream::new(File::from_std(file))),
    )
        .into_response())
}

impl Incoming {
    fn home(&self) -> &FilePath {
        self.folder.parent().unwrap_or(&self.folder)
    }
}
