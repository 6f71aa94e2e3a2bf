//! The finder: places, roads and coordinates by words.
