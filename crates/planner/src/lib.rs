//! Everything a rider's tour is: the document, its plan on a region, and the files it goes into.
//! Sees neither files nor HTTP: readers take bytes and writers give them.

pub mod document;
pub mod files;
pub mod find;
pub mod plan;
