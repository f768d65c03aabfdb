//! What the chores share: running other programs, and what comes from PyPI.

pub mod python;
pub mod shell;
