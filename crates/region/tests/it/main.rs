//! Region files: what was written is read, and nothing else is.

mod damage;
mod ground;
mod support;
