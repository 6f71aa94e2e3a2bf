//! The one binary, `lacet`.
fn main() {}
