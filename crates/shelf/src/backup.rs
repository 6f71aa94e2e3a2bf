//! A copy of the whole store, made while everybody goes on working.

use std::fs::File;
use std::path::{Path, PathBuf};

use rusqlite::Connection;
use thiserror::Error;

use crate::{OpenError, PATIENCE, Shelf, ShelfError, schema};

/// Why there is no new backup. What was in its place is still there.
#[derive(Debug, Error)]
pub enum BackupError {
    /// The place is taken by something that is no backup.
    #[error(
        "{path} is there already and is no shelf of Lacet, so it was not replaced; choose another name"
    )]
    Taken {
        /// The file.
        path: PathBuf,
    },
    /// The store itself was named.
    #[error("{path} is the shelf itself; choose another name")]
    Itself {
        /// The file.
        path: PathBuf,
    },
    /// The copy cannot be written.
    #[error("cannot write the backup {path}: {reason}; look for room and rights there")]
    Write {
        /// The file.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
    /// The copy is not what it should be.
    #[error("the backup {path} came out damaged and was removed: {reason}; look after the disk")]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What was found.
        reason: String,
    },
    /// The store cannot be read.
    #[error(transparent)]
    Shelf(#[from] ShelfError),
}

impl Shelf {
    /// Writes one state of the whole store to a file, checks it, and only then puts it in its
    /// place. A shelf there is replaced, anything else is not. Returns its size in bytes.
    pub fn backup(&self, to: &Path) -> Result<u64, BackupError> {
        let here = |p: &Path| p.canonicalize().ok();
        if to.exists() && here(to) == here(&self.path) {
            return Err(BackupError::Itself { path: to.into() });
        }
        if to.exists() && !schema::is_shelf(to) {
            return Err(BackupError::Taken { path: to.into() });
        }
        let failed = |reason: String| BackupError::Write {
            path: to.into(),
            reason,
        };
        let mut beside = to.as_os_str().to_owned();
        beside.push(".partial");
        let beside = PathBuf::from(beside);
        remove(&beside);
        let copied = self.copy(&beside, to).and_then(|()| {
            File::open(&beside)
                .and_then(|f| f.sync_all())
                .map_err(|e| failed(e.to_string()))?;
            std::fs::rename(&beside, to).map_err(|e| failed(e.to_string()))?;
            // The name, too, must survive a pulled plug; not every system lets a folder be synced.
            if let Some(folder) = to.parent().filter(|p| !p.as_os_str().is_empty()) {
                let _ = File::open(folder).and_then(|f| f.sync_all());
            }
            to.metadata()
                .map(|m| m.len())
                .map_err(|e| failed(e.to_string()))
        });
        if copied.is_err() {
            remove(&beside);
        }
        copied
    }

    fn copy(&self, beside: &Path, to: &Path) -> Result<(), BackupError> {
        let doing = "copy the shelf";
        let source = Connection::open(&self.path).map_err(|e| self.failure(doing, e))?;
        source
            .busy_timeout(PATIENCE)
            .map_err(|e| self.failure(doing, e))?;
        let name = beside.to_str().ok_or_else(|| BackupError::Write {
            path: to.into(),
            reason: "its name is not Unicode".into(),
        })?;
        source
            .execute("VACUUM INTO ?1", [name])
            .map_err(|e| BackupError::Write {
                path: to.into(),
                reason: e.to_string(),
            })?;
        let damaged = |reason: String| BackupError::Damaged {
            path: to.into(),
            reason,
        };
        let check = || -> rusqlite::Result<String> {
            Connection::open(beside)?.query_row("PRAGMA quick_check", [], |r| r.get(0))
        };
        match check() {
            Ok(word) if word == "ok" => {}
            Ok(word) => return Err(damaged(word)),
            Err(e) => return Err(damaged(e.to_string())),
        }
        // It opens as a shelf does, or it is none.
        let opened: Result<Connection, OpenError> = schema::open(beside, PATIENCE);
        let close = |c: Connection| c.pragma_update(None, "journal_mode", "DELETE");
        match opened.map(close) {
            Ok(Ok(())) => Ok(()),
            Ok(Err(e)) => Err(damaged(e.to_string())),
            Err(e) => Err(damaged(e.to_string())),
        }
    }
}

fn remove(path: &Path) {
    for ending in ["", "-wal", "-shm", "-journal"] {
        let mut name = path.as_os_str().to_owned();
        name.push(ending);
        // Nothing there is what is wanted.
        let _ = std::fs::remove_file(PathBuf::from(name));
    }
}
