//! Repository chores.
fn main() {}
