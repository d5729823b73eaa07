//! The shell around a stand-in engine, over a real pseudo-terminal: every way out is a stop.

mod ends;
mod processes;
mod support;
