//! Cars, visits, takes and tunes on disk, and the file formats.
