//! The insert.
