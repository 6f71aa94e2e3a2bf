//! The grammar of GPX 1.0 and 1.1 as tables.
