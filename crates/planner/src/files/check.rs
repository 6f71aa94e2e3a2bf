//! What a strict reader and a unit would object to in a GPX file.

/// How bad it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Severity {
    /// A strict reader refuses the file.
    Error,
    /// A unit may leave something out or change it.
    Warning,
    /// Worth knowing.
    Note,
}

/// One thing to object to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Objection {
    /// How bad it is.
    pub severity: Severity,
    /// Line, from 1, where there is one to name.
    pub line: Option<usize>,
    /// Plain words.
    pub text: String,
}

/// Checks a GPX file.
pub fn check(_bytes: &[u8]) -> Vec<Objection> {
    Vec::new()
}
