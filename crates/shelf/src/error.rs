//! What can go wrong, in plain words with the next step.

use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;
use thiserror::Error;

use crate::{Kept, Key, TourId, VERSION};

/// Why the store could not be opened. The file is as it was.
#[derive(Debug, Error)]
pub enum OpenError {
    /// Made by a newer program.
    #[error(
        "the shelf {path} was written by a newer Lacet (layout {found}, this one knows {VERSION}); use that one"
    )]
    Newer {
        /// The file.
        path: PathBuf,
        /// Layout of the file.
        found: u32,
    },
    /// An SQLite file of something else.
    #[error("{path} is not a shelf of Lacet; move it away or choose another data directory")]
    Foreign {
        /// The file.
        path: PathBuf,
    },
    /// Anything that also happens later.
    #[error(transparent)]
    Shelf(#[from] ShelfError),
}

/// Why an operation failed. What was kept before it is still there.
#[derive(Debug, Error)]
pub enum ShelfError {
    /// Nothing has the key.
    #[error("there is no {} {key}", noun(key))]
    Unknown {
        /// The key.
        key: Key,
    },
    /// No collection has the number.
    #[error("there is no collection {number}")]
    NoCollection {
        /// Asked for.
        number: i64,
    },
    /// Somebody else changed meanwhile what is not a tour.
    #[error("{what} was changed elsewhere meanwhile; it is revision {revision} now")]
    Stale {
        /// Key or number.
        what: String,
        /// As it is kept now.
        revision: u32,
    },
    /// What is kept of a recording is damaged.
    #[error("what is kept of {key} is damaged; put a backup in its place or import it again")]
    Spoilt {
        /// The key.
        key: Key,
    },
    /// Somebody else saved meanwhile.
    #[error("tour {} was changed elsewhere meanwhile", newer.id)]
    Conflict {
        /// The tour as it is kept now.
        newer: Box<Kept>,
    },
    /// A kept document is not a tour this program reads.
    #[error("the document of tour {id} cannot be read: {source}")]
    Unreadable {
        /// The key.
        id: TourId,
        /// What is wrong with it.
        source: serde_json::Error,
    },
    /// A tour that JSON cannot hold.
    #[error("the tour cannot be written as a document: {source}")]
    Unwritable {
        /// What is wrong with it.
        source: serde_json::Error,
    },
    /// No room.
    #[error("cannot {doing}: the disk of {path} is full; make room and try again")]
    Full {
        /// What was attempted.
        doing: &'static str,
        /// The file.
        path: PathBuf,
    },
    /// The disk fails, or has no room in a way that the system does not call full.
    #[error(
        "cannot {doing}: the disk of {path} fails or is full ({source}); look after it and try again"
    )]
    Disk {
        /// What was attempted.
        doing: &'static str,
        /// The file.
        path: PathBuf,
        /// What SQLite said.
        source: rusqlite::Error,
    },
    /// Another process holds the store.
    #[error("cannot {doing}: another program keeps {path} locked; close it and try again")]
    Busy {
        /// What was attempted.
        doing: &'static str,
        /// The file.
        path: PathBuf,
    },
    /// The file is damaged or no database.
    #[error(
        "cannot {doing}: {path} is damaged or not a shelf; move it away (do not delete it) and put a backup in its place"
    )]
    Damaged {
        /// What was attempted.
        doing: &'static str,
        /// The file.
        path: PathBuf,
    },
    /// No right to write, or no such folder.
    #[error("cannot {doing}: {path} cannot be opened for writing; check the folder and its rights")]
    Forbidden {
        /// What was attempted.
        doing: &'static str,
        /// The file.
        path: PathBuf,
    },
    /// Anything else.
    #[error("cannot {doing} in {path}: {source}")]
    Other {
        /// What was attempted.
        doing: &'static str,
        /// The file.
        path: PathBuf,
        /// What SQLite said.
        source: rusqlite::Error,
    },
}

fn noun(key: &Key) -> &'static str {
    match key {
        Key::Tour(_) => "tour",
        Key::Recording(_) => "recording",
        Key::Mark(_) => "mark",
    }
}

impl ShelfError {
    pub(crate) fn of(doing: &'static str, path: &Path, source: rusqlite::Error) -> Self {
        let path = path.to_path_buf();
        match source.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => ShelfError::Full { doing, path },
            Some(ErrorCode::SystemIoFailure) => ShelfError::Disk {
                doing,
                path,
                source,
            },
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
                ShelfError::Busy { doing, path }
            }
            Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
                ShelfError::Damaged { doing, path }
            }
            Some(ErrorCode::ReadOnly | ErrorCode::CannotOpen | ErrorCode::PermissionDenied) => {
                ShelfError::Forbidden { doing, path }
            }
            _ => ShelfError::Other {
                doing,
                path,
                source,
            },
        }
    }
}
