//! The ladder: what opens it and what closes it.
