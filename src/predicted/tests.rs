//! The band: width, coverage, leaving it.
