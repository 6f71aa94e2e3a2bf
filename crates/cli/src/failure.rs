//! What went wrong, whose matter it is, and what to do next.

use std::path::Path;
use std::process::ExitCode;

/// What a command returns.
pub type Outcome = Result<(), Failure>;

/// A command that did not succeed.
#[derive(Debug)]
pub struct Failure {
    code: u8,
    what: String,
    hint: String,
}

impl Failure {
    /// The call, or what the machine has no room or right for. Exit code 1.
    pub fn user(what: impl Into<String>, hint: impl Into<String>) -> Self {
        Failure {
            code: 1,
            what: what.into(),
            hint: hint.into(),
        }
    }

    /// The data. Exit code 2.
    pub fn data(what: impl Into<String>, hint: impl Into<String>) -> Self {
        Failure {
            code: 2,
            what: what.into(),
            hint: hint.into(),
        }
    }

    /// A fault of the program. Exit code 3.
    pub fn internal(what: impl Into<String>) -> Self {
        Failure {
            code: 3,
            what: what.into(),
            hint: "please report this with the call".into(),
        }
    }

    /// A file or folder that could not be used.
    pub fn io(doing: &str, path: &Path, e: &std::io::Error) -> Self {
        use std::io::ErrorKind::{
            FileTooLarge, NotFound, PermissionDenied, QuotaExceeded, StorageFull,
        };
        let hint = match e.kind() {
            NotFound => "check the name and the folder",
            PermissionDenied => "check the rights of the file and its folder",
            StorageFull | QuotaExceeded | FileTooLarge => "make room on the disk and try again",
            _ => "check the file and its disk",
        };
        Failure::user(
            format!("cannot {doing} {}: {}", path.display(), plain(e)),
            hint,
        )
    }

    /// Says it on standard error, a line each.
    pub fn report(self) -> ExitCode {
        let one_line = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
        eprintln!("error: {}", one_line(&self.what));
        if !self.hint.is_empty() {
            eprintln!("hint: {}", one_line(&self.hint));
        }
        ExitCode::from(self.code)
    }
}

/// What the system said, without its error number.
pub fn plain(e: &std::io::Error) -> String {
    let text = e.to_string();
    text.split(" (os error")
        .next()
        .unwrap_or_default()
        .to_lowercase()
}
