//! The data directory: what lies where, and which names are allowed in it.

use std::fs::File;
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

use thiserror::Error;

/// Longest name of a region.
const NAME_LEN: usize = 64;

/// Whether a region may be called so: 1 to 64 of `a-z 0-9 _ -`, a letter or digit first. Safe as
/// a file name and in an address.
pub fn is_region_name(name: &str) -> bool {
    let plain = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit();
    name.len() <= NAME_LEN
        && name.bytes().next().is_some_and(plain)
        && name.bytes().all(|b| plain(b) || b == b'_' || b == b'-')
}

/// Where everything of one rider is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DataDir {
    root: PathBuf,
}

impl DataDir {
    /// The layout below `root`; touches nothing.
    pub fn new(root: impl Into<PathBuf>) -> Self {
        DataDir { root: root.into() }
    }

    /// Makes the folders that are missing, readable by their owner only.
    pub fn create(&self) -> std::io::Result<()> {
        let mut builder = std::fs::DirBuilder::new();
        builder.recursive(true);
        #[cfg(unix)]
        std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
        builder.create(self.regions())
    }

    /// The directory itself.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// Folder of the region files.
    pub fn regions(&self) -> PathBuf {
        self.root.join("regions")
    }

    /// File of a region; `None` for a name that is not allowed.
    pub fn region(&self, name: &str) -> Option<PathBuf> {
        is_region_name(name).then(|| self.regions().join(format!("{name}.region")))
    }

    /// Names of the region files there are, sorted.
    pub fn region_names(&self) -> std::io::Result<Vec<String>> {
        let entries = match std::fs::read_dir(self.regions()) {
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
            other => other?,
        };
        let mut names = Vec::new();
        for entry in entries {
            let file = entry?.file_name();
            let name = file.to_str().and_then(|f| f.strip_suffix(".region"));
            names.extend(name.filter(|n| is_region_name(n)).map(str::to_owned));
        }
        names.sort();
        Ok(names)
    }

    /// The store of tours.
    pub fn shelf(&self) -> PathBuf {
        self.root.join("shelf.sqlite")
    }

    /// The hash of the password for other machines.
    pub fn password(&self) -> PathBuf {
        self.root.join("password")
    }

    /// Folder of files that were sent and are not imported yet.
    pub fn incoming(&self) -> PathBuf {
        self.root.join("incoming")
    }

    /// The file that whoever serves this directory holds locked; it names the address.
    pub fn serving(&self) -> PathBuf {
        self.root.join("serving.lock")
    }
}

/// Why a data directory cannot be served.
#[derive(Debug, Error)]
pub enum ClaimError {
    /// Another process serves it.
    #[error("{dir} is already served{}", at(url))]
    Taken {
        /// The directory.
        dir: PathBuf,
        /// Where, if it says.
        url: Option<String>,
    },
    /// The lock file cannot be made.
    #[error("cannot lock {path}: {source}")]
    Io {
        /// The lock file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
}

fn at(url: &Option<String>) -> String {
    url.as_ref().map(|u| format!(" at {u}")).unwrap_or_default()
}

/// The right to serve a data directory; given back when dropped, or when the process ends in
/// whatever way.
#[derive(Debug)]
pub struct Claim {
    file: File,
    path: PathBuf,
}

impl Claim {
    /// Takes the lock, or says who has it.
    pub fn take(dir: &DataDir) -> Result<Self, ClaimError> {
        let path = dir.serving();
        let io = |source| ClaimError::Io {
            path: path.clone(),
            source,
        };
        let mut file = File::options()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(io)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(std::fs::TryLockError::WouldBlock) => {
                let mut url = String::new();
                let read = Read::by_ref(&mut file)
                    .take(200)
                    .read_to_string(&mut url)
                    .is_ok();
                let url = url.trim().to_owned();
                let url = Some(url).filter(|u| read && !u.is_empty());
                return Err(ClaimError::Taken {
                    dir: dir.root().into(),
                    url,
                });
            }
            Err(std::fs::TryLockError::Error(e)) => return Err(io(e)),
        }
        file.set_len(0).map_err(io)?;
        Ok(Claim { file, path })
    }

    /// Writes down where it is served.
    pub fn announce(&mut self, url: &str) -> Result<(), ClaimError> {
        let write = |file: &mut File| {
            file.set_len(0)?;
            file.rewind()?;
            writeln!(file, "{url}")
        };
        write(&mut self.file).map_err(|source| ClaimError::Io {
            path: self.path.clone(),
            source,
        })
    }
}

impl Drop for Claim {
    fn drop(&mut self) {
        // The file stays, empty: removing it could take it from under a newcomer.
        let _ = self.file.set_len(0);
    }
}
