//! The index: kept, shared, damaged.
