//! Region files: what was written is read, and nothing else is.

mod damage;
mod document;
mod ground;
mod support;
